//! A rehearsal for people: the verdict first, what needs attention, the timeline, then look by look.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use super::{FaultRow, Lamps, Row, TakeRow, Timeline, Told, Verdict};
use crate::cli::show;
use crate::engine::say;

/// What is told and is no warning: things that end, come back, or are only to come.
fn is_news(told: &Told) -> bool {
    let kind = told.kind.as_str();
    kind.ends_with("-free")
        || kind.ends_with("-soon")
        || kind.ends_with("-back")
        // A take that is cut off is told by its own line.
        || matches!(kind, "soft-start" | "light-returned" | "state-written" | "take-cut")
}

/// Whether it works, with each warning counted once however often the order was gone through.
pub(super) fn verdict(timeline: &Timeline) -> Verdict {
    let mut found: BTreeSet<(&str, &str, &str)> = BTreeSet::new();
    let mut refused: BTreeSet<&str> = BTreeSet::new();
    for row in &timeline.looks {
        refused.extend(row.refused.is_some().then_some(row.look.as_str()));
        found.extend(row.warnings.iter().map(|w| (row.look.as_str(), "", w.as_str())));
        let told = row.told.iter().filter(|t| !is_news(t));
        found.extend(told.map(|t| (row.look.as_str(), t.kind.as_str(), t.fixture.as_deref().unwrap_or(""))));
        found.extend(row.takes.iter().any(|t| !t.steady).then_some((
            row.look.as_str(),
            "take",
            "not steady",
        )));
    }
    let (works, warnings) = (refused.is_empty(), found.len());
    let with = match warnings {
        0 => "no warnings".to_owned(),
        n => format!("with {}", say::count(n, "warning")),
    };
    let said = if works {
        format!("works, {with}")
    } else {
        format!("does not work: {} refused, {with}", say::count(refused.len(), "look"))
    };
    Verdict { works, warnings, said }
}

impl Timeline {
    /// The whole for people.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = String::new();
        self.head(&mut text);
        let attention = self.attention();
        if !attention.is_empty() {
            text.push('\n');
        }
        for line in attention {
            let _ = writeln!(text, "! {line}");
        }
        self.times(&mut text);
        self.details(&mut text);
        let cold = self.looks.iter().flat_map(|l| &l.takes).filter(|t| t.cold.is_some()).count();
        if cold > 0 {
            let _ = writeln!(
                text,
                "note: {} on lamps lit for less than 30 min: let them warm up at their working level, or they drift",
                say::count(cold, "take")
            );
        }
        for note in &self.notes {
            let _ = writeln!(text, "note: {note}");
        }
        let _ = writeln!(
            text,
            "{} frames, {} of them solved, hash {}: the same in every run of this plan",
            self.frames, self.solved, self.frames_hash
        );
        text
    }

    fn head(&self, text: &mut String) {
        let _ = writeln!(
            text,
            "{} · {} in {} · {}",
            self.set,
            say::count(self.looks.len(), "look"),
            say::span(self.length_s),
            self.verdict.said
        );
        let warmth = match self.lamps {
            Lamps::Cold => "cold",
            Lamps::Warm => "warm",
        };
        let mut parts =
            vec![format!("room {:.0} °C", self.ambient_c), format!("lamps {warmth} at the start")];
        if self.from_s > 0.0 {
            parts.push(format!("from {}", clock_time(self.from_s)));
        }
        let rounds = self.looks.last().map_or(1, |l| l.round);
        if rounds > 1 {
            parts.push(format!("the order {rounds} times"));
        }
        let takes: Vec<&TakeRow> = self.looks.iter().flat_map(|l| &l.takes).collect();
        let steady = takes.iter().filter(|t| t.steady).count();
        match takes.len() {
            0 => {}
            all if all == steady => parts.push(format!("{}, all sent steady", say::count(all, "take"))),
            all => parts.push(format!("{}, {steady} sent steady", say::count(all, "take"))),
        }
        let _ = writeln!(text, "{}", parts.join(" · "));
        text.push_str("simulated: nothing is driven, and planned light is not measured light\n");
    }

    /// Refusals, warnings and takes that were not steady, each once, with where it was first.
    #[must_use]
    pub fn attention(&self) -> Vec<String> {
        let mut said: BTreeSet<(&str, String)> = BTreeSet::new();
        let mut lines = Vec::new();
        for row in &self.looks {
            let refused = row.refused.iter().map(|why| (row.at_s, format!("refused: {why}"), why.clone()));
            let warnings = row.warnings.iter().map(|w| (row.at_s, w.clone(), w.clone()));
            let told = row.told.iter().filter(|t| !is_news(t));
            let told = told.map(|t| (t.at_s, t.said.clone(), format!("{} {:?}", t.kind, t.fixture)));
            let takes =
                row.takes.iter().filter(|t| !t.steady).map(|t| (t.at_s, take_said(t), "take".to_owned()));
            for (at_s, line, key) in refused.chain(warnings).chain(told).chain(takes) {
                if said.insert((&row.look, key)) {
                    lines.push((at_s, format!("{}  {}: {line}", clock_time(at_s), row.look)));
                }
            }
        }
        lines.sort_by(|a, b| a.0.total_cmp(&b.0));
        lines.into_iter().map(|(_, line)| line).collect()
    }

    /// One line a step, with the faults where they come.
    fn times(&self, text: &mut String) {
        let name = self.looks.iter().map(|l| l.look.len()).max().unwrap_or(0).max(4);
        let takes = self.looks.iter().map(|l| takes_said(l).chars().count()).max().unwrap_or(0).max(5);
        let _ = writeln!(
            text,
            "\n{:<8} {:<name$}  {:<8} {:<9} {:<takes$}  {:>7}  warmest at its end",
            "at", "look", "fade", "on", "takes", "power"
        );
        let mut faults = self.faults.iter().peekable();
        for (index, row) in self.looks.iter().enumerate() {
            while let Some(fault) = faults.next_if(|f| f.at_s < row.at_s) {
                fault_line(text, fault);
            }
            let warmest = row.warmest.as_ref().map_or(String::new(), |b| {
                format!(
                    "{} {:.0} of {:.0} °C {}",
                    b.fixture,
                    b.celsius,
                    b.limit_c,
                    bar(b.celsius, self.ambient_c, b.limit_c)
                )
            });
            let round = row.round != index.checked_sub(1).map_or(1, |before| self.looks[before].round);
            if round {
                let _ = writeln!(text, "{}", format_args!("time {} through the order", row.round));
            }
            let (mark, power) = match &row.refused {
                Some(_) => ("refused", String::new()),
                None => ("", format!("{:.0} W", row.watts)),
            };
            let line = format!(
                "{:<8} {:<name$}  {:<8} {:<9} {:<takes$}  {power:>7}  {warmest}{mark}",
                clock_time(row.at_s),
                row.look,
                say::span(row.fade_s),
                say::span(row.on_s),
                takes_said(row),
            );
            let _ = writeln!(text, "{}", line.trim_end());
        }
        for fault in faults {
            fault_line(text, fault);
        }
    }

    /// Each look's lamps the first time that it comes, and what was told at any time.
    fn details(&self, text: &mut String) {
        let lamps = || self.looks.iter().flat_map(|l| &l.lamps);
        let id = lamps().map(|l| l.id.len()).max().unwrap_or(0).max(4);
        let lamp = lamps().map(|l| l.lamp.len()).max().unwrap_or(0).max(4);
        let mut seen: BTreeSet<&str> = BTreeSet::new();
        for look in &self.looks {
            let first = seen.insert(&look.look);
            if !first && look.told.is_empty() && look.takes.iter().all(|t| t.steady) {
                continue;
            }
            let _ = writeln!(
                text,
                "\n{}  {}   fade {}, on {}, {:.0} W",
                clock_time(look.at_s),
                look.look,
                say::span(look.fade_s),
                say::span(look.on_s),
                look.watts
            );
            if first {
                table(text, look, id, lamp);
                for warning in &look.warnings {
                    let _ = writeln!(text, "       ! {warning}");
                }
            }
            let told = look.told.iter().map(|t| (t.at_s, is_news(t), t.said.clone()));
            let takes = look.takes.iter().map(|t| (t.at_s, t.steady, take_said(t)));
            let mut lines: Vec<(f64, bool, String)> = takes.chain(told).collect();
            lines.sort_by(|a, b| a.0.total_cmp(&b.0));
            for (at_s, calm, said) in lines {
                let _ = writeln!(text, "{} {} {said}", clock_time(at_s), if calm { '·' } else { '!' });
            }
            if let Some(body) = &look.warmest {
                let _ = writeln!(
                    text,
                    "         warmest at its end: {}, estimated {:.0} °C of {:.0}",
                    body.fixture, body.celsius, body.limit_c
                );
            }
        }
        text.push('\n');
    }
}

/// A look's lamps, one a line.
fn table(text: &mut String, look: &Row, id: usize, lamp: usize) {
    if !look.lamps.is_empty() {
        let _ =
            writeln!(text, "         {:<id$} {:<lamp$}  {:<20} {:<20} slots", "job", "lamp", "asked", "sent");
    }
    for l in &look.lamps {
        let tail = match (&l.by_hand, l.address) {
            (Some(by_hand), _) => by_hand.clone(),
            (None, Some((universe, first))) => {
                let last = usize::from(first) + l.slots.len().max(1) - 1;
                let span = if last > usize::from(first) { format!("-{last}") } else { String::new() };
                format!("{universe}/{first}{span}: {}", show::slots(&l.slots))
            }
            (None, None) => String::new(),
        };
        let sent = if l.by_hand.is_some() { String::new() } else { show::light(&l.sent) };
        let _ = writeln!(
            text,
            "         {:<id$} {:<lamp$}  {:<20} {sent:<20} {tail}",
            l.id,
            l.lamp,
            show::light(&l.asked)
        );
        if let Some(moves) = &l.moves {
            let _ = writeln!(text, "         {:<id$} {:<lamp$}  moves: {moves}", "", "");
        }
    }
}

fn fault_line(text: &mut String, fault: &FaultRow) {
    let _ = writeln!(text, "{} × {}", clock_time(fault.at_s), fault.said);
}

/// `take 4/3 rolls 11 min: sent steady`.
fn take_said(take: &TakeRow) -> String {
    if take.lasted_s <= 0.0 {
        return format!("no take: {}", take.why.join("; "));
    }
    let verdict =
        if take.steady { "sent steady".to_owned() } else { format!("not steady: {}", take.why.join("; ")) };
    format!("take {} rolls {}: {verdict}", take.take, say::span(take.lasted_s))
}

/// `4/1 to 4/3 steady`, `4/2 not steady`.
fn takes_said(row: &Row) -> String {
    let unsteady: Vec<&str> = row.takes.iter().filter(|t| !t.steady).map(|t| t.take.as_str()).collect();
    if !unsteady.is_empty() {
        return format!("{} not steady", unsteady.join(", "));
    }
    match row.takes.as_slice() {
        [] => "none".to_owned(),
        [one] => format!("{} steady", one.take),
        [first, .., last] => format!("{} to {} steady", first.take, last.take),
    }
}

/// Eight cells: how far a body is on its way from the room's temperature to its limit.
fn bar(celsius: f64, ambient_c: f64, limit_c: f64) -> String {
    const CELLS: usize = 8;
    let share = if limit_c > ambient_c { (celsius - ambient_c) / (limit_c - ambient_c) } else { 1.0 };
    let full = (share.clamp(0.0, 1.0) * CELLS as f64).round() as usize;
    format!("{}{}", "█".repeat(full), "░".repeat(CELLS - full))
}

/// `0:05:20`.
#[must_use]
pub fn clock_time(seconds: f64) -> String {
    let s = seconds.max(0.0).floor() as u64;
    format!("{}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60)
}

//! One line for each record, for people: what `lampkeep log` prints and the column `said` holds.

use super::entry::{LampUse, LightRecord, OutputRecord, Trim, What};
use super::take::{LitThen, ReadingRecord, TakeAmend, TakeEnd, TakeRecord, TrimRecord, TrimWho, TrimWhy};
use crate::engine::KeptScene;
use crate::engine::say::{count, span, stops};

/// What happened, in a line.
#[must_use]
pub fn line(what: &What) -> String {
    match what {
        What::Started(s) => {
            let simulated = if s.simulated { ", simulated" } else { "" };
            format!("lampkeep {} started, set {}{simulated}, plan {}", s.version, s.set, s.plan)
        }
        What::Texts(t) => {
            let without = if t.without_names { ", without names" } else { "" };
            format!("plan {}: {}{without}", t.plan, count(t.texts.len(), "text"))
        }
        What::Light(light) => lit(light),
        What::TakeStarted(take) => take_line(take),
        What::TakeStamped(stamp) => format!("take n{}: the motion is at its start", stamp.number),
        What::TakeEnded(end) => end_line(end),
        What::TakeAmended(amend) => amend_line(amend),
        What::Told(alert) => alert.said.clone(),
        What::Standing(stand) if stand.over => format!("over: {}", stand.alert.said),
        What::Standing(stand) => format!("attention: {}", stand.alert.said),
        What::Output(output) => output_line(output),
        What::Reading(reading) => reading_line(reading),
        What::Trims(trim) => trim_line(trim),
        What::Note(note) => format!("note: {}", note.text),
        What::Clock(clock) => {
            let worth = match (clock.unset, clock.synchronised) {
                (true, _) => "it was never set",
                (false, Some(true)) => "it is kept right",
                (false, Some(false)) => "nothing keeps it right",
                (false, None) => "nobody tells whether it is right",
            };
            match clock.set_by_s {
                Some(s) => {
                    let way = if s < 0.0 { "back" } else { "forward" };
                    format!("the clock was set {way} by {}; {worth}", span(s.abs()))
                }
                None => format!("the clock: {worth}"),
            }
        }
        What::Lamps(lamps) => lamps_line(lamps),
        What::Did(did) => {
            let refused = if did.done { "" } else { "refused: " };
            let unlisted = match did.unlisted {
                0 => String::new(),
                n => format!(" · {n} more requests in the second before"),
            };
            format!("{refused}{}{unlisted}", did.said)
        }
        What::Lost(lost) if lost.elsewhere => {
            format!("records {} to {} are in the log that was before this", lost.from_seq, lost.to_seq)
        }
        What::Lost(lost) => format!(
            "{} lost: more came than memory holds while nothing could be written",
            count(usize::try_from(lost.records).unwrap_or(usize::MAX), "record")
        ),
        What::Stopped(stop) => format!("lampkeep stopped, {}", scene(&stop.scene)),
    }
}

/// What is lit, in a word or two.
#[must_use]
pub fn scene(scene: &KeptScene) -> String {
    match scene {
        KeptScene::Dark => "dark".to_owned(),
        KeptScene::Look(look) => look.clone(),
        KeptScene::Rest(look) => format!("rest: {look}"),
        KeptScene::Only(lamp) => format!("only {lamp}"),
        KeptScene::Calibrate(lamp) => format!("calibrate {lamp}"),
        KeptScene::Meter(lamp) => format!("meter {lamp}"),
        KeptScene::Take(number) => format!("take {number}"),
    }
}

fn lit(light: &LightRecord) -> String {
    let lamps = light.lamps.iter().filter(|l| l.sent.lux > 0.0);
    let lamps: Vec<String> = lamps
        .map(|l| {
            let level = l.sent.stops.map_or(String::new(), |s| format!(" {}", stops(s)));
            let held = if l.limited_by.is_empty() { "" } else { "!" };
            format!("{}{level}{held}", l.fixture)
        })
        .collect();
    let nudged = if light.nudged { ", nudged" } else { "" };
    let lamps = if lamps.is_empty() { String::new() } else { format!(" · {}", lamps.join(", ")) };
    format!("lit: {}{nudged}{lamps}", scene(&light.scene))
}

fn take_line(take: &TakeRecord) -> String {
    format!("take {} (n{}) rolls · {}", take.name, take.number, take.look)
}

fn end_line(end: &TakeEnd) -> String {
    let verdict = if end.why.is_empty() {
        "sent steady".to_owned()
    } else {
        format!("not steady: {}", end.why.join("; "))
    };
    let mark = end.mark.map_or(String::new(), |m| format!(" · marked {}", m.word()));
    let how = if end.interrupted { "interrupted" } else { "over" };
    format!("take n{} {how} after {} · {verdict}{mark}", end.number, span(end.rolled_s))
}

fn amend_line(amend: &TakeAmend) -> String {
    let mut parts = Vec::new();
    parts.extend(amend.slate.as_ref().map(|s| format!("slate {s}")));
    parts.extend(amend.take.map(|t| format!("take {t}")));
    parts.extend(amend.mark.map(|m| format!("marked {}", m.word())));
    parts.extend(amend.typed.iter().map(|(name, text)| format!("{name} {text}")));
    format!("take n{} amended: {}", amend.number, parts.join(", "))
}

fn output_line(o: &OutputRecord) -> String {
    let name = format!("output {} (universe {})", o.output, o.universe);
    let gap = o.gap_s.map_or(String::new(), |s| format!(" after {}", span(s)));
    match o.event {
        super::OutputEvent::Up => format!("{name} sends"),
        super::OutputEvent::Down => {
            let why = o.said.as_ref().map_or(String::new(), |s| format!(": {s}"));
            format!("{name} does not send{why}")
        }
        super::OutputEvent::Gap => match o.gap_s {
            Some(s) => format!("{name} has sent nothing for {}", span(s)),
            None => format!("{name} sends again"),
        },
        super::OutputEvent::Reopened => format!("{name} was opened again{gap}"),
        super::OutputEvent::Late => format!("{name} was a frame late, {} in all", o.missed),
    }
}

fn reading_line(r: &ReadingRecord) -> String {
    let mut parts = Vec::new();
    let under = if r.under { "under " } else { "" };
    parts.extend(r.lux.map(|lux| format!("{under}{lux:.1} lx")));
    parts.extend(r.kelvin.map(|k| format!("{k:.0} K")));
    parts.extend(r.duv.map(|d| format!("{d:+.4} Duv")));
    let lit = match &r.lit {
        LitThen::None => "no lamp lit".to_owned(),
        LitThen::One(lamp) => format!("{lamp} alone"),
        LitThen::These(lamps) => lamps.join(", "),
    };
    format!("read {}: {} · {lit}", r.point, parts.join(", "))
}

fn trim_line(t: &TrimRecord) -> String {
    let who = match &t.who {
        TrimWho::Lamp(body) => format!("lamp {body}"),
        TrimWho::Look { look, fixture } => format!("{fixture} in {look}"),
    };
    let why = match t.why {
        TrimWhy::Meter => "meter",
        TrimWhy::Match => "match",
        TrimWhy::Nudge => "nudge kept",
        TrimWhy::Undo => "undone",
    };
    format!("trim of {who}: {} (before: {}) · {why}", trim(&t.new), trim(&t.old))
}

fn trim(t: &Trim) -> String {
    format!("{:+.2} stop, {:+.1} mired, {:+.4} Duv", t.stops, t.mired, t.duv)
}

fn lamps_line(lamps: &[LampUse]) -> String {
    let warm = lamps.iter().filter_map(|l| Some((&l.lamp, l.body_est_c?)));
    let warmest = warm.max_by(|a, b| a.1.total_cmp(&b.1));
    let lit = lamps.iter().filter(|l| l.watts > 0.0 && l.on_s > 0.0).count();
    let watts: f64 = lamps.iter().map(|l| l.watts).sum();
    let warmest = warmest.map_or(String::new(), |(lamp, c)| format!(", warmest {lamp} at about {c:.0} °C"));
    format!("{} on, {watts:.0} W{warmest}", count(lit, "lamp"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::{ClockRecord, DidRecord, LostRecord};

    #[test]
    fn lines_say_what_happened() {
        let clock = |set_by_s| What::Clock(ClockRecord { set_by_s, unset: false, synchronised: Some(false) });
        assert_eq!(
            line(&clock(Some(-31_536_000.0))),
            "the clock was set back by 8760 h; nothing keeps it right"
        );
        assert_eq!(line(&clock(None)), "the clock: nothing keeps it right");
        let did = DidRecord {
            request: "recall".to_owned(),
            done: false,
            said: "take 4/3 rolls".to_owned(),
            unlisted: 2,
        };
        assert_eq!(line(&What::Did(did)), "refused: take 4/3 rolls · 2 more requests in the second before");
        let lost = LostRecord { records: 1, from_seq: 5, to_seq: 5, elsewhere: false };
        assert_eq!(
            line(&What::Lost(lost)),
            "1 record lost: more came than memory holds while nothing could be written"
        );
        let end = TakeEnd {
            number: 12,
            why: vec!["light changed: key after 2.0 s".to_owned()],
            mark: Some(crate::control::TakeMark::Bad),
            rolled_s: 95.0,
            interrupted: false,
            outputs: Vec::new(),
        };
        assert_eq!(
            line(&What::TakeEnded(end)),
            "take n12 over after 95 s · not steady: light changed: key after 2.0 s · marked bad"
        );
    }
}

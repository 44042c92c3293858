//! The picture: warnings on top, what is lit and what is next in large letters, each lamp on a ruler in stops, what
//! carries it, and the keys.
//!
//! Lines stay where they are while nothing is the matter, so that a glance finds them. What does not fit is left
//! out from the least: dark lamps share a line first, then what comes next is written small.

use std::time::Duration;

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::{Modifier, Style};

use super::desk::{Act, Desk};
use super::letters::{self, HALF_LINES, WHOLE_LINES};
use super::lines::{ALARMS, FAINT, Line, PLAIN, ROLLS, STRONG, WARNS, cut, spread, wrapped};
use super::table::{is_dark, lamps};
use crate::control::{Alert, LinkState, Status};
use crate::engine::say;

/// Lines of warnings; `lampkeep status` has them all.
const WARNINGS: usize = 3;
/// The same on a tall screen.
const WARNINGS_TALL: usize = 6;
/// From this many lines on a screen is tall.
const TALL: u16 = 34;
/// How long what was told once stays, in seconds. Judgement: long enough to look up.
const TOLD_FOR_S: f64 = 30.0;
/// A status older than this is said to be old: the daemon sends one each second.
const OLD: Duration = Duration::from_secs(3);
/// Columns of the label before large letters.
const LABEL: u16 = 6;

/// Draws how things are at `now` all over `buffer`.
pub fn draw(desk: &Desk, now: Duration, buffer: &mut Buffer) {
    let area = buffer.area;
    let lines = lines(desk, now, area);
    for (y, line) in (area.y..area.bottom()).zip(lines) {
        let mut x = area.x;
        for (text, style) in line {
            let left = usize::from(area.right().saturating_sub(x));
            // What came from outside must not steer the terminal, nor take more room than it shows.
            let text: String = text.chars().map(|c| if c.is_control() { '·' } else { c }).collect();
            (x, _) = buffer.set_stringn(x, y, text, left, style);
        }
    }
}

fn lines(desk: &Desk, now: Duration, area: Rect) -> Vec<Line> {
    let (width, height) = (area.width, usize::from(area.height));
    let foot = foot(desk, now, width);
    let Some((status, age)) = desk.newest(now) else {
        let said = desk.gone().map_or("waiting for the daemon".to_owned(), gone_said);
        let mut lines = wrapped("! ", &said, width, WARNINGS_TALL, ALARMS);
        lines.truncate(height.saturating_sub(1));
        lines.resize(height.saturating_sub(1), Line::new());
        lines.push(foot);
        return lines;
    };
    let tall = area.height >= TALL;
    let mut top = vec![head(status, width)];
    top.extend(warnings(desk, status, age, width, if tall { WARNINGS_TALL } else { WARNINGS }));
    let gone = desk.gone().is_some();
    let carries = carries(status, gone);
    let state = if gone { heard_last(status, width) } else { state(status, width) };
    let (label, lit) = if gone { ("", "no daemon") } else { ("lit", status.now.look.as_str()) };
    let next = status.order.next.as_deref().unwrap_or("none");
    let bottom = 2;
    let left = |used: usize| height.saturating_sub(top.len() + bottom + used);
    // The lamps in full come first, then letters as large as there is room for; then the dark lamps give way.
    let table = |rows: usize| lamps(status, gone, width, rows);
    let all = status.fixtures.len() + 1;
    let mut chosen = None;
    for (lit_lines, next_lines, table_rows) in [
        (WHOLE_LINES, WHOLE_LINES, all),
        (WHOLE_LINES, HALF_LINES, all),
        (HALF_LINES, HALF_LINES, all),
        (HALF_LINES, HALF_LINES, few(status)),
        (HALF_LINES, 1, few(status)),
        (1, 1, few(status)),
    ] {
        let room = left(usize::from(lit_lines + next_lines) + 1);
        if room >= table_rows {
            chosen = Some((lit_lines, next_lines));
            break;
        }
    }
    let (lit_lines, next_lines) = chosen.unwrap_or((1, 1));
    let mut lines = top;
    lines.extend(named(label, lit, width, lit_lines, STRONG));
    lines.push(state);
    lines.extend(named("next", next, width, next_lines, FAINT));
    let room = height.saturating_sub(lines.len() + bottom);
    let rows = table(room);
    // What is over is air round the lamps.
    let spare = room.saturating_sub(rows.len());
    lines.extend(std::iter::repeat_n(Line::new(), spare.min(1)));
    lines.extend(rows);
    lines.resize(height.saturating_sub(bottom), Line::new());
    lines.push(carries);
    lines.push(foot);
    lines
}

/// Rows of the table with every dark lamp in one line.
fn few(status: &Status) -> usize {
    let lit = status.fixtures.iter().filter(|f| !is_dark(f)).count();
    1 + lit + usize::from(lit < status.fixtures.len())
}

/// The set, and where it is in its order.
fn head(status: &Status, width: u16) -> Line {
    let order = &status.order;
    let step = match (order.position, order.steps) {
        (_, 0) => String::new(),
        (Some(at), steps) => format!("step {at} of {steps}"),
        (None, steps) => format!("before step 1 of {steps}"),
    };
    let simulated = if status.simulated { "simulated, no lamp is driven" } else { "" };
    let right: Vec<&str> = [step.as_str(), simulated].into_iter().filter(|t| !t.is_empty()).collect();
    spread((status.set.clone(), STRONG), (right.join(" · "), FAINT), width)
}

/// What needs attention; a line in any case, so that nothing moves when the first comes.
fn warnings(desk: &Desk, status: &Status, age: Duration, width: u16, most: usize) -> Vec<Line> {
    let mut lines = Vec::new();
    if let Some(why) = desk.gone() {
        lines.extend(wrapped("! ", &gone_said(why), width, most, ALARMS));
        if let Some(take) = desk.take() {
            lines.push(vec![(format!("! take {take} rolled when it was last heard of"), WARNS)]);
        }
        return lines;
    }
    if age > OLD {
        let said =
            format!("nothing heard for {}: what is shown may be old", say::span(age.as_secs_f64().floor()));
        lines.extend(wrapped("! ", &said, width, most, WARNS));
    }
    // The gravest first, and each of several its own line, so that none is only counted.
    let mut alerts: Vec<_> = status.alerts.iter().collect();
    alerts.sort_by_key(|a| !grave(&a.kind));
    let several = alerts.iter().filter(|a| grave(&a.kind)).count() > 1;
    for (index, alert) in alerts.iter().enumerate() {
        let left = most.saturating_sub(lines.len());
        let more = alerts.len() - index;
        if left == 0 || (left == 1 && more > 1) {
            lines.push(vec![(format!("! {} more: `lampkeep status` tells them", more), WARNS)]);
            break;
        }
        // One line is kept for the rest, where there is a rest.
        let room = if more > 1 { left - 1 } else { left };
        let grave = grave(&alert.kind);
        let rows = if grave && several && most <= WARNINGS { 1 } else { 2 };
        let style = if grave { ALARMS } else { WARNS };
        lines.extend(wrapped("! ", &alert.said, width, room.min(rows), style));
    }
    if lines.is_empty() {
        lines.push(vec![("nothing needs attention".to_owned(), FAINT)]);
    }
    lines
}

/// Light that does not reach a lamp, a lamp that heat has got hold of, or one that may show a hidden face until a person has
/// unplugged it.
fn grave(kind: &str) -> bool {
    matches!(kind, "output-down" | "heat-over" | "battery-empty" | "protect-unplug" | "protect-unconfirmed")
}

fn gone_said(why: &str) -> String {
    format!("{why} · trying again each second; without frames each lamp holds or goes dark as it is set")
}

/// A name in letters of `lines` lines, small where it does not fit, with its label.
fn named(label: &str, name: &str, width: u16, lines: u16, style: Style) -> Vec<Line> {
    let mark = |text: &str| (format!("{text:<w$}", w = usize::from(LABEL)), FAINT);
    let beside = letters::large(name, width.saturating_sub(LABEL), lines);
    let (rows, labelled) = match beside {
        Some(rows) => (rows, true),
        None => match letters::large(name, width, lines) {
            Some(rows) => (rows, false),
            None => {
                let mut out = vec![vec![mark(label), (name.to_owned(), style.add_modifier(Modifier::BOLD))]];
                out.resize(usize::from(lines.min(1)), Line::new());
                return out;
            }
        },
    };
    rows.into_iter()
        .enumerate()
        .map(|(row, text)| {
            if !labelled {
                return vec![(text, style)];
            }
            vec![mark(if row == 1 { label } else { "" }), (text, style)]
        })
        .collect()
}

/// What goes on: a take, a fade, what waits; else how long the light may stay.
fn state(status: &Status, width: u16) -> Line {
    let now = &status.now;
    let mut line = vec![(" ".repeat(usize::from(LABEL)), PLAIN)];
    let mut parts: Vec<String> = Vec::new();
    if let Some(take) = &now.take {
        line.push((format!(" TAKE {take} ROLLS "), ROLLS));
        line.push((" ".to_owned(), PLAIN));
    }
    if now.fading {
        let cells = 10_usize;
        let done = (now.progress.clamp(0.0, 1.0) * cells as f64).round() as usize;
        let bar = format!("{}{}", "━".repeat(done), "─".repeat(cells - done));
        parts.push(format!("fading {bar} {} left", say::span(now.fade_left_s)));
    }
    if let Some(s) = &now.scheduled {
        let at = s.at.as_ref().map_or(String::new(), |at| format!(" at {at}"));
        parts.push(format!("in {}: {}{at}", say::span(s.in_s), s.what));
    }
    if let Some(lamp) = &now.showing {
        parts.push(format!("{lamp} shows"));
    }
    if status.protect.on {
        let held = say::count(status.protect.held.len(), "lamp");
        parts.push(format!("a face is protected: {held} held dark"));
    }
    if now.nudged {
        parts.push("nudged".to_owned());
    }
    let ago_s = |since: f64| (now.uptime_s - since).max(0.0);
    // What still stands among the warnings is not told a second time.
    let stands = |t: &Alert| status.alerts.iter().any(|a| a.kind == t.kind && a.fixture == t.fixture);
    if let Some(told) = status.told.as_ref().filter(|t| ago_s(t.since) < TOLD_FOR_S && !stands(t)) {
        let ago = match ago_s(told.since).floor() {
            s if s < 1.0 => "now".to_owned(),
            s => format!("{s:.0} s ago"),
        };
        parts.push(format!("{ago}: {}", told.said));
    }
    let soonest = status.fixtures.iter().filter_map(|f| Some((f.minutes_left.filter(|m| *m > 0.0)?, &f.id)));
    if let Some((minutes, lamp)) = soonest.min_by(|a, b| a.0.total_cmp(&b.0)) {
        parts.push(format!("may stay so for {} ({lamp})", say::span((minutes * 60.0).floor())));
    }
    let used: usize = line.iter().map(|(text, _)| text.chars().count()).sum();
    let room = width.saturating_sub(used as u16);
    line.push((cut(&fitted(&parts, usize::from(room)), room), PLAIN));
    line
}

/// What was lit when the daemon was last heard of.
fn heard_last(status: &Status, width: u16) -> Line {
    let said = format!("{:w$}when last heard: {}", "", status.now.look, w = usize::from(LABEL));
    vec![(cut(&said, width), FAINT)]
}

/// As many parts as fit, the first in any case.
fn fitted(parts: &[String], width: usize) -> String {
    let mut out = String::new();
    for part in parts {
        let gap = if out.is_empty() { "" } else { " · " };
        if !out.is_empty() && out.chars().count() + gap.chars().count() + part.chars().count() > width {
            break;
        }
        out.push_str(gap);
        out.push_str(part);
    }
    out
}

/// What carries the light, and the broker.
fn carries(status: &Status, stale: bool) -> Line {
    let mut outputs: Vec<_> = status.outputs.iter().collect();
    // What is down must not be what is cut off.
    outputs.sort_by_key(|o| o.state != LinkState::Down);
    let mut line = Line::new();
    for output in outputs {
        let (word, style) = match output.state {
            LinkState::Starting => ("starting", FAINT),
            LinkState::Up => ("sends", FAINT),
            LinkState::Down => ("DOWN", ALARMS),
        };
        let style = if stale { FAINT } else { style };
        if !line.is_empty() {
            line.push((" · ".to_owned(), FAINT));
        }
        line.push((format!("{} {word}", output.name), style));
    }
    if let Some(mqtt) = &status.mqtt {
        let up = mqtt.state == LinkState::Up;
        let style = if up || stale { FAINT } else { WARNS };
        line.push((" · ".to_owned(), FAINT));
        line.push((if up { "broker connected" } else { "broker NOT connected" }.to_owned(), style));
    }
    if stale {
        line.insert(0, ("when last heard: ".to_owned(), FAINT));
    }
    line
}

/// The keys; or the question, or the word on the last one.
fn foot(desk: &Desk, now: Duration, width: u16) -> Line {
    if desk.confirms(now) {
        let take = desk.take().unwrap_or_default();
        return vec![(
            cut(&format!(" dark while take {take} rolls?  y yes · any other key no "), width),
            ROLLS,
        )];
    }
    if let Some(notice) = desk.notice(now) {
        return vec![(cut(notice, width), STRONG)];
    }
    let mut line = Line::new();
    let gap = if width < 76 { " " } else { "   " };
    let mut key = |letter: char, word: &str, style: Style| {
        if !line.is_empty() {
            line.push((gap.to_owned(), PLAIN));
        }
        line.push((format!(" {letter} "), ROLLS));
        line.push((format!(" {word}"), style));
    };
    let gone = desk.gone().is_some();
    let rolls = desk.take().is_some() && !gone;
    for (act, letter) in Act::ALL.into_iter().filter(|_| !gone) {
        match rolls {
            true if act == Act::Dark => key(letter, "dark (asks first)", PLAIN),
            true => {}
            false => key(letter, act.word(), PLAIN),
        }
    }
    // Without a daemon nobody can promise that.
    key('q', if width < 76 || gone { "leave" } else { "leave, the light stays" }, FAINT);
    if rolls {
        line.push(("   n, p, r are locked".to_owned(), FAINT));
    }
    if gone {
        line.push(("   no other key does anything now".to_owned(), FAINT));
    }
    line
}

#[cfg(test)]
#[path = "view_tests.rs"]
mod tests;

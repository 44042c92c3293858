//! The lamps, one a line in clock order, each on a ruler in stops to the look's key.

use super::lines::{FAINT, Line, PLAIN, STRONG, WARNS, cut};
use super::ruler::{Mark, Ruler};
use crate::control::{FixtureStatus, Status};
use crate::engine::say;
use crate::words::clock_face;

/// From this many columns on kelvin, heat and what holds a lamp have a place.
const WIDE: u16 = 100;

/// The lamps in clock order, in at most `room` rows, the first of which names the columns.
pub(super) fn lamps(status: &Status, stale: bool, width: u16, room: usize) -> Vec<Line> {
    if room < 2 {
        return Vec::new();
    }
    let mut order: Vec<&FixtureStatus> = status.fixtures.iter().collect();
    order.sort_by(|a, b| {
        let hours = |f: &FixtureStatus| f.clock_h.unwrap_or(f64::INFINITY);
        hours(a).total_cmp(&hours(b))
    });
    let table = Table::of(status, width);
    let mut rows = vec![table.heading()];
    if order.len() < room {
        rows.extend(order.iter().map(|f| table.row(f, stale)));
        return rows;
    }
    let (dark, lit): (Vec<&FixtureStatus>, Vec<&FixtureStatus>) = order.into_iter().partition(|f| is_dark(f));
    let for_dark = usize::from(!dark.is_empty());
    let shown = room.saturating_sub(1 + for_dark);
    if lit.len() <= shown {
        rows.extend(lit.iter().map(|f| table.row(f, stale)));
    } else {
        let shown = shown.saturating_sub(1);
        rows.extend(lit.iter().take(shown).map(|f| table.row(f, stale)));
        rows.push(vec![(format!("{} more lit: a taller window shows them", lit.len() - shown), FAINT)]);
    }
    if !dark.is_empty() {
        let names: Vec<&str> = dark.iter().map(|f| f.id.as_str()).collect();
        rows.push(vec![(cut(&format!("dark  {}", names.join(", ")), width), FAINT)]);
    }
    rows
}

pub(super) fn is_dark(f: &FixtureStatus) -> bool {
    f.asked.stops.is_none() && f.sent.stops.is_none()
}

/// Where the columns of the lamps' table lie.
struct Table {
    id: usize,
    ruler: Option<Ruler>,
    /// Stops of what the ruler's 0 stands for, and its name.
    zero: f64,
    middle: &'static str,
    wide: bool,
}

impl Table {
    fn of(status: &Status, width: u16) -> Self {
        let id = status.fixtures.iter().map(|f| f.id.chars().count()).max().unwrap_or(0).clamp(4, 12);
        let key = status.now.key.as_ref().and_then(|id| status.fixtures.iter().find(|f| f.id == *id));
        let zero = key.and_then(|f| f.asked.stops);
        let wide = width >= WIDE;
        // Clock, id and the figures, each with a gap.
        let taken = 6 + id + 1 + 1 + 6 + 6 + 9 + if wide { 9 + 10 + 9 } else { 0 };
        Self {
            id,
            ruler: Ruler::fitting(width.saturating_sub(taken as u16)),
            zero: zero.unwrap_or(0.0),
            middle: if zero.is_some() { "key" } else { "0" },
            wide,
        }
    }

    fn heading(&self) -> Line {
        let scale = self.ruler.map_or(String::new(), |r| format!("{} ", r.scale(self.middle)));
        let wide = if self.wide { "  kelvin      heat " } else { "" };
        let id = self.id;
        vec![(format!("{:<5} {:<id$} {scale}asked  sent {wide}    left", "clock", "lamp"), FAINT)]
    }

    fn row(&self, f: &FixtureStatus, stale: bool) -> Line {
        let style = if stale || is_dark(f) { FAINT } else { PLAIN };
        let id: String = f.id.chars().take(self.id).collect();
        let mut line = vec![(
            format!("{:<5} {:<w$} ", f.clock_h.map_or(String::new(), clock_face), id, w = self.id),
            style,
        )];
        let to_key = |stops: Option<f64>| stops.map(|s| s - self.zero);
        let absent = f.control == "absent";
        let by_hand = f.control == "hand";
        let (asked, sent) = (to_key(f.asked.stops), to_key(f.sent.stops).filter(|_| !by_hand && !absent));
        if is_dark(f) {
            // Nothing to see is nothing to read.
            let rail = self.ruler.map_or(0, |r| usize::from(r.width()) + 1);
            line.push((format!("{:rail$}{:>5}", "", if absent { "away" } else { "dark" }), style));
            return line;
        }
        if let Some(ruler) = self.ruler {
            for mark in ruler.marks(asked.filter(|_| !absent), sent) {
                let style = match mark {
                    Mark::Rail | Mark::Stop | Mark::Key => FAINT,
                    _ if stale => FAINT,
                    Mark::Sent => STRONG,
                    _ => PLAIN,
                };
                line.push((mark.symbol().to_string(), style));
            }
            line.push((" ".to_owned(), PLAIN));
        }
        let figure = |stops: Option<f64>| stops.map_or("dark".to_owned(), say::stops);
        let sent = match () {
            () if absent => "away".to_owned(),
            () if by_hand => "hand".to_owned(),
            () => figure(sent),
        };
        // A light that a guard holds has a mark of its own, beside the distance of the two.
        let held = !by_hand && f.limited_by.iter().any(|l| HOLDS.contains(&l.as_str()));
        line.push((format!("{:>5} ", figure(asked)), style));
        line.push((format!("{sent:>5}{}", if held { "!" } else { " " }), if held { WARNS } else { style }));
        if self.wide {
            let kelvin = f.asked.kelvin.map_or(String::new(), |k| format!("{k:.0} K"));
            let heat = match (f.body_est_c, f.limit_c) {
                (Some(c), Some(limit)) => format!("{c:.0}/{limit:.0} °C"),
                _ => String::new(),
            };
            line.push((format!(" {kelvin:>7} {heat:>9} "), style));
        }
        line.push((format!(" {:>7}", left(f)), if held { WARNS } else { style }));
        if self.wide && held {
            let by: Vec<&str> =
                f.limited_by.iter().map(String::as_str).filter(|l| HOLDS.contains(l)).collect();
            line.push((format!(" {}", by.join(", ")), WARNS));
        }
        line
    }
}

/// What of `limited_by` a person should see at the lamp: what holds it for a while, not what it cannot do anyway.
const HOLDS: [&str; 6] = ["heat", "heat-unknown", "circuit", "flash", "soft-start", "protect"];

/// Minutes until it has to come down, or its battery ends, whichever is sooner.
fn left(f: &FixtureStatus) -> String {
    if f.minutes_left.is_some_and(|m| m <= 0.0) {
        return "held".to_owned();
    }
    let battery = f.battery.and_then(|b| b.minutes_left);
    let soonest = [f.minutes_left, battery].into_iter().flatten().min_by(f64::total_cmp);
    soonest.map_or(String::new(), |m| say::span((m * 60.0).floor()))
}

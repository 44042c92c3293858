//! A walk's report in words and as JSON.

use serde_json::{Value, json};

use super::account::LampRead;
use super::report::{OTHER_LIGHT_STOPS, Offer, RatioRead, Report, RoomShare, Sum};
use crate::engine::say;
use crate::light::photometry::Contrast;
use crate::plan::{FixtureId, Plan};

/// Room light read longer ago than this, in seconds, is told to be old where it counts: daylight moves. Judgement.
const OLD_ROOM_S: f64 = 1800.0;
/// A room's light that counts: from 1 % of the key on. Judgement: 0.014 stop.
const COUNTS: f64 = 0.01;

impl Report {
    /// Its lines. `now_s`: the engine's time, for ages.
    #[must_use]
    pub fn text(&self, plan: &Plan, now_s: f64) -> String {
        let id = |id: FixtureId| plan.fixture(id).id.as_str();
        let mut lines = Vec::new();
        for room in &self.rooms {
            lines.push(room.text(now_s));
        }
        for read in &self.lamps {
            lines.push(lamp_text(plan, read));
            lines.extend(read.notes.iter().map(|note| format!("  {note}")));
        }
        for sum in &self.sums {
            lines.push(sum.text(plan));
        }
        if let Some(ratio) = &self.ratio {
            let fills: Vec<_> = ratio.fill.iter().map(|f| id(*f)).collect();
            lines.push(ratio.text(&fills.join(", ")));
        }
        for offer in &self.offers {
            lines.push(match &offer.short {
                None => format!("trim that reaches the plan: {} {}", id(offer.fixture), offer.trim),
                Some(why) => format!("no trim reaches the plan: {why}"),
            });
        }
        lines.join("\n")
    }

    /// The same in full precision.
    #[must_use]
    pub fn json(&self, plan: &Plan, now_s: f64) -> Value {
        let id = |id: FixtureId| plan.fixture(id).id.clone();
        let ids = |all: &[FixtureId]| all.iter().map(|f| id(*f)).collect::<Vec<_>>();
        let rooms = self.rooms.iter().map(|r| r.json(now_s));
        let lamps = self.lamps.iter().map(|l| {
            json!({
                "id": id(l.fixture), "reading": l.id, "point": l.spot.name(), "lux": l.lux, "room_lux": l.room_lux,
                "kelvin": l.white.map(|w| 1e6 / w.0), "duv": l.white.and_then(|w| w.1),
                "asked_lux": l.asked_lux, "sent_lux": l.sent_lux, "off_stops": l.off_stops,
                "off_mired": l.off_mired, "off_duv": l.off_duv, "doubt_stops": l.doubt_stops, "notes": l.notes,
            })
        });
        let sums = self.sums.iter().map(|s| {
            json!({
                "point": s.spot.name(), "read_lux": s.read_lux, "reckoned_lux": s.reckoned_lux,
                "off_stops": s.off_stops, "other_light": s.off_stops > OTHER_LIGHT_STOPS, "unread": ids(&s.unread),
            })
        });
        let contrast = |c: &Contrast| {
            json!({
                "key_to_fill": c.key_to_fill, "key_to_fill_stops": c.key_to_fill.log2(),
                "lit_to_shadow": c.lit_to_shadow, "lit_to_shadow_stops": c.lit_to_shadow.log2(),
            })
        };
        let ratio = self.ratio.as_ref().map(|r| {
            json!({
                "key_lux": r.key_lux, "fill_lux": r.fill_lux, "fill": ids(&r.fill),
                "lamps": contrast(&r.contrast), "with_room": r.with_room.as_ref().map(contrast),
            })
        });
        let offers = self.offers.iter().map(|o| {
            json!({ "id": id(o.fixture), "trim": o.trim, "reaches": o.short.is_none(), "said": o.said(plan) })
        });
        json!({
            "rooms": rooms.collect::<Vec<_>>(), "lamps": lamps.collect::<Vec<_>>(),
            "sums": sums.collect::<Vec<_>>(), "ratio": ratio, "offers": offers.collect::<Vec<_>>(),
        })
    }
}

impl Offer {
    /// In words.
    #[must_use]
    pub fn said(&self, plan: &Plan) -> String {
        match &self.short {
            None => format!("{} {}", plan.fixture(self.fixture).id, self.trim),
            Some(why) => why.clone(),
        }
    }
}

impl RoomShare {
    /// The same in full precision.
    #[must_use]
    pub fn json(&self, now_s: f64) -> Value {
        json!({
            "point": self.spot.name(), "lux": self.lux, "under": self.under,
            "stops_to_key": self.to_key.map(|t| t.0), "share_of_key": self.to_key.map(|t| t.1),
            "share_of_all": self.of_all, "age_s": (now_s - self.taken_s).max(0.0),
        })
    }

    /// Its line. `now_s`: the engine's time, for its age.
    #[must_use]
    pub fn text(&self, now_s: f64) -> String {
        let lux =
            if self.under { format!("under {:.1} lx", self.lux) } else { format!("{:.1} lx", self.lux) };
        let mut text = format!("room light {lux} at {}", self.spot.name());
        if let Some((stops, share)) = self.to_key {
            let under = if stops < 0.0 { "under" } else { "over" };
            text.push_str(&format!(
                ": {:.1} stops {under} the key, {:.1} % of it",
                stops.abs(),
                100.0 * share
            ));
        }
        if let Some(share) = self.of_all.filter(|share| *share > 0.0) {
            text.push_str(&format!(", {:.1} % of all", 100.0 * share));
        }
        let age = now_s - self.taken_s;
        if age > OLD_ROOM_S && self.to_key.is_none_or(|(_, share)| share > COUNTS) {
            text.push_str(&format!("; read {} ago: read it again", say::span(age)));
        }
        text
    }
}

fn lamp_text(plan: &Plan, read: &LampRead) -> String {
    let white = match read.white {
        Some((mired, Some(duv))) => format!(", {:.0} K {duv:+.4} Duv", 1e6 / mired),
        Some((mired, None)) => format!(", {:.0} K", 1e6 / mired),
        None => String::new(),
    };
    let mut off = vec![format!("{} stop", say::fine_stops(read.off_stops))];
    if read.off_mired.abs() >= 0.5 {
        off.push(format!("{:+.0} mired", read.off_mired));
    }
    if read.off_duv.abs() >= 0.000_5 {
        off.push(format!("{:+.4} Duv", read.off_duv));
    }
    let id = &plan.fixture(read.fixture).id;
    format!(
        "{id} alone {:.1} lx{white}: {} against the {:.1} lx sent",
        read.lux,
        off.join(", "),
        read.sent_lux
    )
}

impl Sum {
    fn text(&self, plan: &Plan) -> String {
        let mut text = format!(
            "all together {:.1} lx at {}; lamps and room add up to {:.1} lx",
            self.read_lux,
            self.spot.name(),
            self.reckoned_lux
        );
        if !self.unread.is_empty() {
            let ids: Vec<_> = self.unread.iter().map(|id| plan.fixture(*id).id.as_str()).collect();
            text.push_str(&format!(" ({} not read alone: by the plan's figures)", ids.join(", ")));
        }
        if self.off_stops > OTHER_LIGHT_STOPS {
            text.push_str(&format!(
                ": other light present, {:.2} stop ({:.1} lx) that no lamp and no room reading accounts for",
                self.off_stops,
                self.read_lux - self.reckoned_lux
            ));
        } else if self.off_stops < -OTHER_LIGHT_STOPS {
            text.push_str(&format!(
                ": {:.2} stop is missing. Stands somebody in a lamp's way, or was a lamp read with others lit?",
                -self.off_stops
            ));
        }
        text
    }
}

impl RatioRead {
    fn text(&self, fill: &str) -> String {
        let words = |c: &Contrast| {
            format!(
                "key:fill {:.2}:1 ({:.2} stops), (key+fill):fill {:.2}:1 ({:.2} stops)",
                c.key_to_fill,
                c.key_to_fill.log2(),
                c.lit_to_shadow,
                c.lit_to_shadow.log2()
            )
        };
        let mut text = format!(
            "key {:.1} lx, fill {:.1} lx ({fill}), each alone and turned to its lamp: {}",
            self.key_lux,
            self.fill_lux,
            words(&self.contrast)
        );
        if let Some(room) = &self.with_room {
            text.push_str(&format!("; with the room's light {}", words(room)));
        }
        text
    }
}

//! Takes of the log as takes of a sheet.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::{Camera, DrawnFrom, DrawnSet, Lamp, Reading, Take};
use crate::engine::say::{fraction, number as plain};
use crate::engine::take_typed::{self, FIELDS};
use crate::journal::{
    CameraRecord, LampLight, LampPlace, LampState, LitThen, PlaceRecord, ReadingFound, Stamp, TakeFound, Trim,
};
use crate::plan::{Marked, Plan};

/// The set of a take from above. `plan`: the plan that was in force, where the log has its texts. `hidden`: a face is protected now,
/// so numbers stand for names.
#[must_use]
pub fn drawn(found: &TakeFound, plan: Option<&Plan>, hidden: bool) -> DrawnSet {
    let record = &found.record;
    match plan.and_then(|plan| super::drawn::svg(record, plan, hidden)) {
        Some(svg) => DrawnSet { svg, of: DrawnFrom::Plan },
        None => DrawnSet { svg: super::map::svg(record, hidden), of: DrawnFrom::Record },
    }
}

/// A take of the log. `readings`: those of its ids, as far as they were found. `zone`: of the person who reads. Its set is drawn by
/// [`drawn`].
#[must_use]
pub fn take(found: &TakeFound, readings: &[ReadingFound], zone: &TimeZone) -> Take {
    let record = &found.record;
    let typed = found.typed();
    let light = &record.light;
    let lamps = light.lamps.iter().map(|lamp| {
        let place = record.places.iter().find(|p| p.fixture == lamp.fixture);
        let state = record.lamps.iter().find(|s| s.fixture == lamp.fixture);
        of_lamp(lamp, place, state)
    });
    let boards = record.bounces.iter().map(|p| also("board", p));
    let windows = record.daylight.iter().map(|p| also("daylight", p));
    Take {
        number: found.log_name.clone(),
        name: found.name(),
        look: record.look.clone(),
        nudged: light.nudged,
        started: local(&found.stamp, zone),
        lasted_s: found.end.as_ref().map(|e| e.rolled_s),
        why: found.end.as_ref().map(|e| e.why.clone()),
        mark: found.mark().map(|m| m.word().to_owned()),
        notes: typed.iter().filter(|(name, _)| name == "note").map(|(_, text)| text.clone()).collect(),
        plan_hash: light.plan.clone(),
        frame_hash: light.frame_hash.clone(),
        zero_stops_lux: record.cameras.first().map_or(0.0, |c| c.zero_stops_lux),
        cameras: cameras(&record.cameras, &typed),
        lamps: lamps.collect(),
        also: boards.chain(windows).collect(),
        readings: readings.iter().map(|r| reading(r, zone)).collect(),
        drawing: None,
    }
}

/// Local date and time, `2026-05-04 10:00:00`; `None` where the clock was never set.
#[must_use]
pub fn local(stamp: &Stamp, zone: &TimeZone) -> Option<String> {
    let at: Timestamp = stamp.wall.parse().ok().filter(|_| !stamp.unset)?;
    Some(at.to_zoned(zone.clone()).strftime("%Y-%m-%d %H:%M:%S").to_string())
}

fn of_lamp(lamp: &LampLight, place: Option<&LampPlace>, state: Option<&LampState>) -> Lamp {
    let sent = &lamp.sent;
    Lamp {
        id: lamp.fixture.clone(),
        body: lamp.body.clone().unwrap_or_else(|| lamp.fixture.clone()),
        sticker: state.and_then(|s| s.sticker.clone()),
        profile: lamp.profile.clone(),
        mode: lamp.mode.clone(),
        clock: place.map_or_else(String::new, |p| clock(p.clock_deg)),
        distance_m: place.map_or(0.0, |p| p.distance_m),
        height_m: place.and_then(|p| p.height_m).unwrap_or(0.0),
        tilt_deg: place.map_or(0.0, |p| p.tilt_deg),
        aim: place.map_or_else(String::new, |p| p.aim.clone()),
        modifiers: place.map_or_else(Vec::new, |p| p.modifiers.clone()),
        loss_stops: place.map_or(0.0, |p| p.loss_stops),
        shift_mired: place.map_or(0.0, |p| p.shift_mired),
        circuit: state.and_then(|s| s.circuit.clone()),
        lux: sent.lux,
        stops: sent.stops,
        kelvin: sent.kelvin,
        duv: sent.duv,
        xy: sent.x.zip(sent.y),
        moves: lamp.moves_in.as_ref().map(|look| format!("moves as in {look}")),
        address: lamp.universe.zip(lamp.first_slot),
        slots: bytes(&lamp.slots),
        trims: trims(lamp),
        absent: lamp.absent.clone(),
        warm_s: state.map(|s| s.on_s),
        heat_c: state.and_then(|s| s.body_est_c.zip(s.limit_c)),
    }
}

/// Degrees clockwise from 12 as an hour: 225 is `7:30`.
fn clock(degrees: f64) -> String {
    crate::words::clock_face(degrees / 30.0)
}

/// The bytes of two hex digits each; none of what is no hex.
fn bytes(hex: &str) -> Vec<u8> {
    let pairs = hex.as_bytes().chunks(2);
    pairs.filter_map(|pair| u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok()).collect()
}

fn trims(lamp: &LampLight) -> Option<String> {
    let said = |of: &str, trim: &Trim| {
        let parts = [
            (trim.stops, format!("{} st", super::words::signed(trim.stops, 2))),
            (trim.mired, format!("{} mired", super::words::signed(trim.mired, 0))),
            (trim.duv, format!("{} Duv", super::words::signed(trim.duv, 4))),
        ];
        let parts: Vec<_> = parts.into_iter().filter(|(n, _)| *n != 0.0).map(|(_, text)| text).collect();
        (!parts.is_empty()).then(|| format!("{of} trim {}", parts.join(", ")))
    };
    let parts: Vec<_> =
        [said("lamp", &lamp.lamp_trim), said("look", &lamp.look_trim)].into_iter().flatten().collect();
    (!parts.is_empty()).then(|| parts.join(", "))
}

/// Cameras as planned, with what was typed of each in its place.
fn cameras(planned: &[CameraRecord], typed: &[(String, String)]) -> Vec<Camera> {
    let first = planned.first().map(|c| c.id.clone());
    let of = |id: &str| -> Vec<(&str, &str)> {
        let here = |name: &str| match take_typed::parted(name) {
            (_, Some(camera)) => camera == id,
            (name, None) => name != "note" && first.as_deref() == Some(id),
        };
        let mine = typed.iter().filter(|(name, _)| here(name));
        mine.map(|(name, text)| (take_typed::parted(name).0, text.as_str())).collect()
    };
    planned
        .iter()
        .map(|camera| {
            let typed = of(&camera.id);
            let as_planned = |name: &str| match name {
                "iso" => Some(plain(camera.iso)),
                "stop" => Some(marked(camera).said(plain(camera.f_number))),
                "nd" => (camera.nd != 0.0).then(|| plain(camera.nd)),
                "shutter" => Some(format!("{} s", fraction(camera.shutter_s))),
                "fps" => camera.fps.map(plain),
                "white-balance" => Some(format!("{} K", plain(camera.white_balance_k))),
                _ => None,
            };
            let settings = FIELDS.iter().filter(|f| f.name != "note").filter_map(|field| {
                let typed = typed.iter().find(|(name, _)| *name == field.name);
                let value = typed.map(|(_, text)| (*text).to_owned()).or_else(|| as_planned(field.name))?;
                Some((field.label.to_owned(), value))
            });
            Camera { id: camera.id.clone(), settings: settings.collect(), typed: !typed.is_empty() }
        })
        .collect()
}

fn marked(camera: &CameraRecord) -> Marked {
    if camera.is_t_stop { Marked::TStop } else { Marked::FNumber }
}

/// Something that stands somewhere, in words: `board fill-board: 4:00, 1.00 m (3′ 3″) from the subject`.
fn also(noun: &str, place: &PlaceRecord) -> String {
    let [x, y, _] = place.position_m;
    let figure = |name: &str| place.figures.iter().find(|(known, _)| known == name).map(|(_, n)| *n);
    let mut parts = vec![format!(
        "{}, {} from the subject",
        clock(x.atan2(y).to_degrees().rem_euclid(360.0)),
        super::words::length(x.hypot(y))
    )];
    if let (Some(width), Some(height)) = (figure("width_m"), figure("height_m")) {
        parts.push(format!("{} by {}", super::words::length(width), super::words::length(height)));
    }
    parts.extend(figure("reflectance").map(|r| format!("reflects {:.0} %", r * 100.0)));
    parts.extend(figure("kelvin").map(|k| format!("{k:.0} K")));
    parts.extend(figure("lux").map(|lux| format!("{lux:.0} lx when read")));
    // `[bounce.board]`: once is enough.
    let name = if place.id == noun { noun.to_owned() } else { format!("{noun} {}", place.id) };
    format!("{name}: {}", parts.join(" · "))
}

fn reading(found: &ReadingFound, zone: &TimeZone) -> Reading {
    let r = &found.record;
    let lit = match &r.lit {
        LitThen::None => "room light".to_owned(),
        LitThen::One(lamp) => format!("{lamp} alone"),
        LitThen::These(_) => "all".to_owned(),
    };
    let mut parts = Vec::new();
    parts.extend(r.lux.map(|lux| {
        let under = if r.under { "under " } else { "" };
        format!("{under}{} lx", plain((lux * 10.0).round() / 10.0))
    }));
    parts.extend(r.kelvin.map(|k| format!("{k:.0} K")));
    parts.extend(r.duv.map(|d| format!("{} Duv", super::words::signed(d, 4))));
    let dome = if r.dome { " (dome)" } else { "" };
    Reading {
        point: r.point.clone(),
        lit,
        read: format!("{}{dome}", parts.join(", ")),
        at: local(&found.stamp, zone),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: common practice, no source: f-numbers are written f/2.8, T-stops T2.9.
    #[test]
    fn a_planned_stop_is_written_as_the_lens_has_it() {
        let camera = |is_t_stop| CameraRecord {
            id: "main".into(),
            iso: 800.0,
            f_number: 2.9,
            is_t_stop,
            nd: 0.0,
            shutter_s: 0.02,
            fps: None,
            white_balance_k: 5600.0,
            zero_stops_lux: 130.0,
        };
        let stop = |typed: &[(String, String)], is_t_stop| {
            let found = cameras(&[camera(is_t_stop)], typed).remove(0).settings;
            found.into_iter().find(|(label, _)| label == "stop").map(|(_, said)| said)
        };
        assert_eq!([stop(&[], false), stop(&[], true)], [Some("f/2.9".into()), Some("T2.9".into())]);
        assert_eq!(stop(&[("stop".into(), "T4".into())], false), Some("T4".into()), "what was typed stands");
    }

    /// Source: 1 ft = 0.3048 m exactly, 12 in a foot; by hand: 1.2 m is 3 ft 11.2 in, 0.8 m is 2 ft 7.5 in.
    #[test]
    fn a_board_has_its_place_and_its_size_in_both_units() {
        let figures = [("width_m", 1.2), ("height_m", 0.8)].map(|(name, n)| (name.to_owned(), n)).to_vec();
        let said = also("board", &PlaceRecord { id: "board".into(), position_m: [1.0, 0.0, 0.0], figures });
        assert_eq!(said, "board: 3:00, 1.00 m (3′ 3″) from the subject · 1.20 m (3′ 11″) by 0.80 m (2′ 7″)");
    }
}

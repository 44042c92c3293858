//! Whether what another machine's file of takes says can be: its figures are lit, reckoned with and printed later, so
//! none is taken that no lampkeep writes.

use super::entry::{LampLight, LightRecord, Stamp};
use super::take::{LampPlace, PlaceRecord, ReadingRecord, TakeAmend, TakeEnd, TakeRecord};
use crate::control::Light;
use crate::words::short;

/// Greatest count or number: what JSON and SQLite both hold to the last digit.
const MOST: u64 = 1 << 53;
/// Most lamps, outputs, amendments or notes of a take. Judgement: ten times the largest rig.
const MANY: usize = 10_000;
/// Longest text, in bytes. Judgement: a note of several pages.
const LONG: usize = 20_000;
/// Hex digits of a log's name.
const ORIGIN_DIGITS: usize = 16;
/// Longest name, in bytes: a file's with its path.
const LONGEST_NAME: usize = 4096;

/// What cannot be, in words.
type Possible = Result<(), String>;

fn fits(so: bool, what: impl FnOnce() -> String) -> Possible {
    if so { Ok(()) } else { Err(format!("{} cannot be", what())) }
}

fn text(text: &str) -> bool {
    text.len() <= LONG
}

fn texts<'t>(all: impl IntoIterator<Item = &'t String>) -> bool {
    all.into_iter().take(MANY + 1).enumerate().all(|(i, t)| i < MANY && text(t))
}

fn within(value: f64, most: f64) -> bool {
    (-most..=most).contains(&value)
}

/// A name, a hash or an identity.
pub(super) fn name(name: &str) -> Possible {
    fits(name.len() <= LONGEST_NAME, || format!("the name `{}`", short(name)))
}

/// A log's name among all machines': 16 hex digits. Its first digits are shown and typed (`n12@7f3a`).
pub(super) fn origin(origin: &str) -> Possible {
    let digits = origin.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'));
    fits(origin.len() == ORIGIN_DIGITS && digits, || format!("the log's name `{}`", short(origin)))
}

/// When it was.
pub(super) fn stamp(stamp: &Stamp) -> Possible {
    let wall = stamp.wall.len() <= 64 && stamp.wall.parse::<jiff::Timestamp>().is_ok();
    let counts = [stamp.seq, stamp.since_boot_us, stamp.frame].iter().all(|n| *n <= MOST);
    fits(wall && counts, || format!("its time `{}`", short(&stamp.wall)))
}

/// The take itself.
pub(super) fn take(take: &TakeRecord) -> Possible {
    let name = || format!("take {}", short(&take.name));
    // Half, so that a log that takes back one of its own counts on from there without end.
    let numbered = (1..=MOST / 2).contains(&take.number) && take.take >= 1;
    fits(numbered && take.readings.iter().all(|id| *id <= MOST), || format!("the number of {}", name()))?;
    let counts = [take.places.len(), take.lamps.len(), take.bounces.len(), take.daylight.len()];
    let more = [take.subjects.len(), take.cameras.len(), take.readings.len(), take.typed.len()];
    fits(counts.iter().chain(&more).all(|n| *n <= MANY), || format!("so much in {}", name()))?;
    let typed = take.typed.iter().flat_map(|(a, b)| [a, b]);
    fits(texts([&take.slate, &take.name, &take.look].into_iter().chain(typed)), || {
        format!("a text of {}", name())
    })?;
    light(&take.light)?;
    take.places.iter().try_for_each(place)?;
    for lamp in &take.lamps {
        let figures = [lamp.body_est_c, lamp.limit_c, lamp.minutes_left, lamp.battery_left];
        let so = figures.into_iter().flatten().chain([lamp.on_s]).all(|figure| within(figure, 1e10));
        let words = [Some(&lamp.fixture), lamp.sticker.as_ref(), lamp.circuit.as_ref()];
        fits(so && texts(words.into_iter().flatten()), || format!("the state of {}", short(&lamp.fixture)))?;
    }
    [&take.bounces, &take.daylight, &take.subjects].into_iter().flatten().try_for_each(thing)?;
    for camera in &take.cameras {
        let above =
            [camera.iso, camera.f_number, camera.shutter_s, camera.white_balance_k, camera.zero_stops_lux];
        let so = above.iter().chain(&camera.fps).all(|figure| *figure > 0.0 && *figure <= 1e9);
        let so = so && (0.0..=100.0).contains(&camera.nd) && text(&camera.id);
        fits(so, || format!("the camera {}", short(&camera.id)))?;
    }
    fits(take.safe_min.is_none_or(|min| within(min, 1e10)), || format!("the minutes of {}", name()))
}

fn place(place: &LampPlace) -> Possible {
    let figures = [place.clock_deg, place.tilt_deg, place.distance_m, place.loss_stops, place.shift_mired];
    let all = figures.iter().chain(&place.position_m).chain(&place.aim_m).chain(&place.height_m);
    let so = all.chain([&place.shift_duv]).all(|figure| within(*figure, 1e6));
    let words = [&place.fixture, &place.aim].into_iter().chain(&place.modifiers);
    fits(so && texts(words), || format!("the place of {}", short(&place.fixture)))
}

fn thing(thing: &PlaceRecord) -> Possible {
    let so = thing.position_m.iter().all(|m| within(*m, 1e6)) && thing.figures.len() <= 100;
    let so = so && thing.figures.iter().all(|(name, figure)| text(name) && within(*figure, 1e9));
    fits(so && text(&thing.id), || format!("the place of {}", short(&thing.id)))
}

/// What was lit.
pub(super) fn light(light: &LightRecord) -> Possible {
    let so = light.lamps.len() <= MANY && light.outputs.len() <= MANY;
    let frames = light.outputs.iter().all(|o| text(&o.output) && o.slots.len() <= 1024);
    fits(so && frames && texts([&light.plan, &light.frame_hash]), || "the frame of its light".to_owned())?;
    light.lamps.iter().try_for_each(lamp)
}

fn lamp(lamp: &LampLight) -> Possible {
    let so = lamp.demand.possible()
        && seen(&lamp.asked)
        && seen(&lamp.sent)
        && lamp.lamp_trim.possible()
        && lamp.look_trim.possible()
        && (0.0..=1e9).contains(&lamp.moved_s)
        && lamp.slots.len() <= 1024
        && lamp.limited_by.len() <= 100;
    let names = [&lamp.fixture, &lamp.profile, &lamp.profile_hash, &lamp.mode];
    let words = names.into_iter().chain(&lamp.body).chain(&lamp.moves_in).chain(&lamp.absent);
    fits(so && texts(words.chain(&lamp.limited_by)), || format!("the light of {}", short(&lamp.fixture)))
}

fn seen(light: &Light) -> bool {
    let share = |value: Option<f64>| value.is_none_or(|v| (0.0..=1.0).contains(&v));
    (0.0..=1e9).contains(&light.lux)
        && light.stops.is_none_or(|stops| within(stops, 1e3))
        && light.kelvin.is_none_or(|kelvin| (500.0..=50_000.0).contains(&kelvin))
        && light.duv.is_none_or(|duv| within(duv, 0.1))
        && share(light.x)
        && light.y.is_none_or(|y| (1e-6..=1.0).contains(&y))
}

/// Its end.
pub(super) fn end(end: &TakeEnd) -> Possible {
    let outputs = end.outputs.len() <= MANY
        && end.outputs.iter().all(|o| {
            let figures = [o.gap_s, o.late_us_p999];
            text(&o.output)
                && figures.into_iter().flatten().all(|f| (0.0..=1e12).contains(&f))
                && o.frames <= MOST
                && o.missed <= MOST
        });
    let so = (0.0..=1e9).contains(&end.rolled_s) && end.number <= MOST;
    fits(so && outputs && texts(&end.why), || "its end".to_owned())
}

/// What was added to it.
pub(super) fn amend(amend: &TakeAmend) -> Possible {
    let words = amend.typed.iter().flat_map(|(a, b)| [a, b]).chain(&amend.origin).chain(&amend.slate);
    let so = amend.number <= MOST && amend.take.is_none_or(|take| take >= 1);
    fits(so && texts(words), || "what was added to it".to_owned())
}

/// A reading.
pub(super) fn reading(reading: &ReadingRecord) -> Possible {
    let so = reading.id <= MOST
        && reading.lux.is_none_or(|lux| (0.0..=1e9).contains(&lux))
        && reading.kelvin.is_none_or(|kelvin| (500.0..=50_000.0).contains(&kelvin))
        && reading.duv.is_none_or(|duv| within(duv, 0.1))
        && reading.lamps.len() <= MANY;
    let words = reading.typed.iter().chain(&reading.look).chain(&reading.instrument);
    fits(so && texts(words.chain([&reading.point, &reading.frame_hash])), || {
        format!("the reading {} at {}", reading.id, short(&reading.point))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_that_no_light_has_cannot_be() {
        let light =
            Light { lux: 250.0, stops: Some(0.5), kelvin: None, duv: None, x: Some(0.3), y: Some(0.3) };
        assert!(seen(&light));
        for wrong in [
            Light { lux: -1.0, ..light },
            Light { lux: f64::INFINITY, ..light },
            Light { stops: Some(f64::NAN), ..light },
            Light { kelvin: Some(0.0), ..light },
            Light { y: Some(0.0), ..light },
        ] {
            assert!(!seen(&wrong), "{wrong:?}");
        }
    }

    #[test]
    fn a_logs_name_is_sixteen_hex_digits() {
        assert_eq!(origin("00007f3a7f3a7f3a"), Ok(()));
        for wrong in
            ["", "7f3a", "7F3A7F3A7F3A7F3A", "7f3a7f3a7f3a7f3a0", "7é3a7f3a7f3a7f3", "7f3a 7f3a7f3a7f3"]
        {
            assert!(origin(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_time_is_a_moment_and_its_counts_fit_a_database() {
        let good = Stamp {
            seq: 3,
            since_boot_us: 7,
            wall: "2026-05-04T10:00:00Z".to_owned(),
            unset: false,
            frame: 40,
        };
        assert_eq!(stamp(&good), Ok(()));
        assert!(stamp(&Stamp { frame: u64::MAX, ..good.clone() }).is_err());
        let said = stamp(&Stamp { wall: "yesterday".to_owned(), ..good }).unwrap_err();
        assert_eq!(said, "its time `yesterday` cannot be");
    }
}

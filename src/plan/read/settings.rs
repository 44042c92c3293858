//! Cameras and exposure, outputs, circuits, and how the daemon starts and stops.

use super::Cx;
use super::e131;
use super::names;
use super::place::{self, Stage};
use super::port;
use crate::light::{exposure, photometry};
use crate::plan::amounts::{AMPS, ANGLE, HERTZ, MICROSECONDS, VOLTS};
use crate::plan::defaults;
use crate::plan::problem::{Kind, Place, Problem};
use crate::plan::tree::{Field, Table};
use crate::plan::{Camera, Circuit, Exposure, Marked, OnStop, Output, OutputKind, Over, Wake};
use crate::units::{FrameClock, Kelvin, Lux, Share, Stops, Watts};

/// Reads every `[camera.ID]`; the first fixes the exposure.
pub(super) fn cameras(
    cx: &Cx<'_>,
    plan: &Table<'_>,
    stage: Option<&Stage>,
) -> Option<(Vec<Camera>, Exposure)> {
    let example = "[camera.main] with `iso = 800`, `f-number = 2.8`, `shutter = \"1/50\"`";
    // `camera = {}` too; what is no table says so itself.
    if plan.get("camera").is_none_or(|f| f.as_table("`camera`").is_some_and(|t| t.entries().is_empty())) {
        let said = "the plan has no camera, so nothing says how much light 0 stops is";
        cx.sink.report(Problem::at(Kind::MissingKey, plan.place(), said).help(format!("add {example}")));
    }
    let mut cameras = Vec::new();
    let mut exposure = None;
    let mut complete = true;
    for (index, (id, t)) in plan.named("camera", "camera").into_iter().enumerate() {
        names::check(cx, id, t.place(), "camera", &[]);
        let read = camera(id, &t, stage);
        t.finish();
        let Some((camera, its)) = read else {
            complete = false;
            continue;
        };
        if index == 0 {
            exposure = Some(its);
        }
        cameras.push(camera);
    }
    if !complete { None } else { exposure.map(|e| (cameras, e)) }
}

fn camera(id: &str, t: &Table<'_>, stage: Option<&Stage>) -> Option<(Camera, Exposure)> {
    let iso = t.need("iso", "iso = 800").and_then(|f| f.number("", 800.0, 1.0, 1e7));
    let (f_number, t_stop) = (t.get("f-number"), t.get("t-stop"));
    let marked = if t_stop.is_some() { Marked::TStop } else { Marked::FNumber };
    let aperture = match (f_number, t_stop) {
        (None, None) => {
            let said = format!("camera `{id}` has neither `f-number` nor `t-stop`");
            t.report(
                Problem::at(Kind::MissingKey, t.place(), said)
                    .label("`f-number` is missing here")
                    .help("add a line such as `f-number = 2.8`"),
            );
            None
        }
        (Some(f), Some(t_stop)) => {
            let said = format!("camera `{id}` has both `f-number` and `t-stop`");
            t.report(
                Problem::at(Kind::Conflict, t_stop.key_place(), said)
                    .label("here")
                    .also(f.key_place(), "and here")
                    .help("keep `t-stop` where the lens has one"),
            );
            None
        }
        (Some(f), None) | (None, Some(f)) => f.number("", 2.8, 0.5, 128.0),
    };
    let nd = t.get("nd").map_or(Some(0.0), |f| f.number("", 0.6, 0.0, 10.0));
    let fps = t.get("fps").map(|f| f.number("fps", 25.0, 1.0, 2000.0));
    let shutter = t.need("shutter", "shutter = \"1/50\"").and_then(|f| shutter(&f, fps, t.has("fps")));
    let white_balance =
        t.get("white-balance").map_or(Some(Kelvin::clamped(defaults::WHITE_BALANCE_K)), |f| f.kelvin());
    let constant =
        t.get("constant").map_or(Some(defaults::EXPOSURE_CONSTANT), |f| f.number("", 250.0, 200.0, 600.0));
    let position = match stage {
        Some(stage) => place::position(t, stage, Stage::ORIGIN, Some(defaults::CAMERA_DISTANCE_M)),
        None => {
            t.allow(place::KEYS);
            None
        }
    };
    let fps = match fps {
        Some(fps) => Some(fps?),
        None => None,
    };
    let (iso, aperture, nd, shutter_s, constant) = (iso?, aperture?, nd?, shutter?, constant?);
    let lux = zero_stops(iso, aperture, nd, shutter_s, constant);
    let Ok(zero_stops) = Lux::new(lux) else {
        let said =
            format!("at these settings of camera `{id}` 0 stops is {lux:.0} lx; at most {} can be", Lux::MAX);
        t.report(Problem::at(Kind::OutOfRange, t.place(), said).help("check `iso`, `shutter` and `nd`"));
        return None;
    };
    let white_balance = white_balance?;
    let exposure = Exposure { iso, aperture, marked, nd, shutter_s, constant, zero_stops, white_balance };
    let camera = Camera { id: id.to_owned(), position: position?, fps, shutter_s, exposure, white_balance };
    Some((camera, exposure))
}

/// Illuminance called 0 stops, by the arithmetic that `reckon` shows.
fn zero_stops(iso: f64, aperture: f64, nd: f64, shutter_s: f64, constant: f64) -> f64 {
    photometry::exposure_lux(iso, aperture, shutter_s, constant) * photometry::nd_factor(nd)
}

/// Exposure time in seconds from `1/50`, a time, or an angle with the frame rate.
fn shutter(field: &Field<'_>, fps: Option<Option<f64>>, has_fps: bool) -> Option<f64> {
    let text = field.text("1/50")?.trim();
    let bad = || {
        let said = format!("`shutter` of {} is not an exposure time", field.owner());
        field.wrong(Kind::Unit, said, "write `shutter = \"1/50\"`, or `\"180 deg\"` together with `fps`");
        None
    };
    let seconds = if let Some((one, parts)) = text.split_once('/') {
        let parts = parts.trim().trim_end_matches('s').trim_end();
        match (one.trim().parse::<f64>(), parts.parse::<f64>()) {
            (Ok(one), Ok(parts)) if one > 0.0 && parts > 0.0 => one / parts,
            _ => return bad(),
        }
    } else if text.ends_with("deg") || text.ends_with('°') {
        let degrees = field.amount(&ANGLE, 0.1, 360.0)?;
        if !has_fps {
            let said =
                format!("`shutter` of {} is an angle, and no `fps` says how long that is", field.owner());
            field.wrong(
                Kind::MissingKey,
                said,
                "add `fps = 25`, or write the time, such as `shutter = \"1/50\"`",
            );
        }
        exposure::seconds_of_angle(degrees, fps??)
    } else if text.ends_with('s') {
        return field.duration(1e-6, 60.0).map(|d| d.as_secs_f64());
    } else {
        return bad();
    };
    if !(1e-6..=60.0).contains(&seconds) {
        let said = format!("`shutter` of {} is {seconds} s; 0.000001 s to 60 s is allowed", field.owner());
        field.wrong(Kind::OutOfRange, said, "write a time such as `shutter = \"1/50\"`");
        return None;
    }
    Some(seconds)
}

/// Reads every `[output.ID]`.
pub(super) fn outputs(cx: &Cx<'_>, plan: &Table<'_>, frames: Option<FrameClock>) -> Option<Vec<Output>> {
    let mut outputs: Vec<(Output, Place)> = Vec::new();
    let mut complete = true;
    for (name, t) in plan.named("output", "output") {
        names::check(cx, name, t.place(), "output", &[]);
        let word = t
            .need("kind", "kind = \"raw\"")
            .and_then(|f| f.word(&[("raw", 'r'), ("framed", 'f'), ("e131", 'e'), ("simulator", 's')]));
        let universe_field = t.get("universe");
        let network = e131::Keys::of(&t);
        let (port_field, usb_field) = (t.get("port"), t.get("usb"));
        let (break_field, mark_field, slow_field) = (t.get("break"), t.get("mark"), t.get("timing"));
        let slow = slow_field.as_ref().map_or(Some(false), |f| f.word(&[("usual", false), ("slow", true)]));
        let rate = match t.get("rate") {
            None if slow == Some(true) => frames.map(|f| f.rate().min(defaults::SLOW_RATE)),
            None => frames.map(FrameClock::rate),
            Some(f) => whole_hertz(&f, 1, FrameClock::MAX_RATE),
        };
        let wake = t
            .get("wake")
            .map_or(Some(Wake::Sleep), |f| f.word(&[("sleep", Wake::Sleep), ("spin", Wake::Spin)]));
        t.finish();
        let serial = matches!(word, Some('r' | 'f'));
        let port = port::read(&t, port_field.as_ref(), usb_field.as_ref(), serial);
        let us = |f: Option<&Field<'_>>, min, default| {
            f.map_or(Some(default), |f| f.amount(&MICROSECONDS, min, 1000.0))
        };
        let (break_default, mark_default) = match slow {
            Some(true) => (defaults::SLOW_BREAK_US, defaults::SLOW_MARK_US),
            _ => (defaults::BREAK_US, defaults::MARK_US),
        };
        let (break_us, mark_us) =
            (us(break_field.as_ref(), 92.0, break_default), us(mark_field.as_ref(), 12.0, mark_default));
        let keyless = match word {
            Some('s' | 'e') => vec![&port_field, &usb_field, &break_field, &mark_field, &slow_field],
            Some('f') => vec![&break_field, &mark_field, &slow_field],
            _ => vec![],
        };
        let others = network.present().filter(|_| !matches!(word, None | Some('e')));
        for field in keyless.into_iter().flatten().chain(others) {
            let said =
                format!("output `{name}` has `{}`, which only other kinds of output have", field.key());
            let problem = Problem::at(Kind::Conflict, field.key_place(), said).label("not here");
            t.report(problem.help(format!("leave `{}` out", field.key())));
        }
        if word == Some('e') {
            let Some(read) = e131::read(name, &t, &network, universe_field.as_ref(), rate.zip(wake)) else {
                complete = false;
                continue;
            };
            if let Some(OutputKind::E131(settings)) = read.first().map(|o| &o.kind) {
                e131::clashes(&t, settings, &outputs);
                e131::links(&t, settings);
            }
            outputs.extend(read.into_iter().map(|output| (output, t.place())));
            continue;
        }
        let universe = universe_field.map_or(Some(1), |f| f.count(1, 63_999, 1));
        let kind = match (word, port) {
            (Some('s'), _) => Some(OutputKind::Simulator),
            (Some('f'), Some(port)) => Some(OutputKind::Framed { port }),
            (Some('r'), Some(port)) => break_us.zip(mark_us).zip(slow).map(|((b, m), slow)| {
                OutputKind::Raw { port, break_us: b.round() as u32, mark_us: m.round() as u32, slow }
            }),
            _ => None,
        };
        let (Some(kind), Some(universe), Some(rate), Some(wake)) =
            (kind, universe.and_then(|u| u16::try_from(u).ok()), rate, wake)
        else {
            complete = false;
            continue;
        };
        let output = Output { name: name.to_owned(), kind, universe, rate, wake };
        for (other, place) in &outputs {
            port::clash(&t, (&output, t.place()), (other, *place));
        }
        outputs.push((output, t.place()));
    }
    complete.then(|| outputs.into_iter().map(|o| o.0).collect())
}

/// A whole number of frames a second.
fn whole_hertz(field: &Field<'_>, min: u32, max: u32) -> Option<u32> {
    let hertz = field.amount(&HERTZ, f64::from(min), f64::from(max))?;
    if hertz.fract() != 0.0 {
        let said = format!("`{}` of {} must be a whole number of hertz", field.key(), field.owner());
        field.wrong(Kind::OutOfRange, said, format!("write `{} = \"{:.0} Hz\"`", field.key(), hertz.floor()));
        return None;
    }
    Some(hertz as u32)
}

/// Frames a second of the engine.
pub(super) fn frame_rate(plan: &Table<'_>) -> Option<FrameClock> {
    let rate = plan
        .get("frame-rate")
        .map_or(Some(defaults::FRAME_RATE), |f| whole_hertz(&f, FrameClock::MIN_RATE, FrameClock::MAX_RATE));
    FrameClock::new(rate?)
}

/// Light from which a lamp counts as reaching a protected face: a plan may state less, never more.
pub(super) fn protect_stops(plan: &Table<'_>) -> Option<Stops> {
    let most = defaults::PROTECT_STOPS;
    let Some(field) = plan.get("protect-stops") else { return Some(Stops::clamped(most)) };
    let stops = field.stops()?;
    if stops.get() > most {
        let said = format!(
            "`protect-stops` of {} is {} stops; at most {most} is allowed",
            field.owner(),
            stops.get()
        );
        field.wrong(
            Kind::OutOfRange,
            said,
            "a plan may hold more lamps dark than the rule does, never fewer: write -8 or less",
        );
        return None;
    }
    Some(stops)
}

/// Frequency of the mains in hertz, 50 or 60; `Some(None)` where the plan does not say.
pub(super) fn mains(plan: &Table<'_>) -> Option<Option<f64>> {
    let Some(field) = plan.get("mains") else { return Some(None) };
    let hertz = field.amount(&HERTZ, 1.0, 1000.0)?;
    if !exposure::MAINS_HZ.contains(&hertz) {
        let said = format!("`mains` of {} is {hertz} Hz; mains have 50 Hz or 60 Hz", field.owner());
        field.wrong(
            Kind::OutOfRange,
            said,
            "write `mains = \"50 Hz\"` or `\"60 Hz\"`, or leave it out to judge both",
        );
        return None;
    }
    Some(Some(hertz))
}

/// Reads every `[circuit.ID]`.
pub(super) fn circuits(cx: &Cx<'_>, plan: &Table<'_>) -> Option<Vec<Circuit>> {
    let read = |(id, t): (&str, Table<'_>)| {
        names::check(cx, id, t.place(), "circuit", &[]);
        let volts = t.get("volts").map_or(Some(defaults::VOLTS), |f| f.amount(&VOLTS, 12.0, 480.0));
        let amps = t.get("breaker").map(|f| f.amount(&AMPS, 0.5, 400.0));
        let share = t.get("share").map_or(Some(Share::clamped(defaults::BREAKER_SHARE)), |f| f.share());
        let other = t.get("other").map_or(Some(Watts::clamped(0.0)), |f| f.watts());
        let over = t
            .get("over")
            .map_or(Some(defaults::OVER), |f| f.word(&[("refuse", Over::Refuse), ("lower", Over::Lower)]));
        t.finish();
        let amps = match amps {
            Some(amps) => Some(amps?),
            None => None,
        };
        Some(Circuit { id: id.to_owned(), volts: volts?, amps, share: share?, other: other?, over: over? })
    };
    let all: Vec<_> = plan.named("circuit", "circuit").into_iter().map(read).collect();
    all.into_iter().collect()
}

/// Reads `on-stop`.
pub(super) fn on_stop(plan: &Table<'_>) -> Option<OnStop> {
    let Some(field) = plan.get("on-stop") else { return Some(OnStop::Hold) };
    if let Some(t) = field.as_table("`on-stop`") {
        let fade = t.need("fade", "fade = \"5 s\"").and_then(|f| f.duration(0.0, 60.0));
        t.finish();
        return fade.map(OnStop::Fade);
    }
    field.word(&[("hold", OnStop::Hold), ("dark", OnStop::Fade(defaults::STOP_FADE))])
}

#[cfg(test)]
mod tests {
    use super::zero_stops;

    /// Source: practice.md, trade facts, "f/2.8 1/50 ISO 800 -> 122 lx (250), f/4 -> 250 lx";
    /// arithmetic of the ISO 2720 equation: 250 * 7.84 * 50 / 800 = 122.5 exactly.
    #[test]
    fn iso_800_at_f_2_8_and_a_50th_needs_122_5_lux() {
        assert!((zero_stops(800.0, 2.8, 0.0, 1.0 / 50.0, 250.0) - 122.5).abs() < 1e-9);
        assert!((zero_stops(800.0, 4.0, 0.0, 1.0 / 50.0, 250.0) - 250.0).abs() < 1e-9);
    }

    /// Source: ISO 5-1, density is log10 of the loss: 0.6 lets a quarter through to 0.5 %.
    #[test]
    fn a_density_of_0_6_asks_four_times_the_light() {
        let ratio = zero_stops(800.0, 2.8, 0.6, 0.02, 250.0) / zero_stops(800.0, 2.8, 0.0, 0.02, 250.0);
        assert!((ratio - 3.981_071_705_534_97).abs() < 1e-12);
    }
}

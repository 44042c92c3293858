//! Exposure help for a plan: what its cameras see, where their shutters catch light that swings, and what
//! would do where a look asks more light than its lamps have.

use serde::Serialize;

use super::assess::Assessment;
use crate::guards::Limit;
use crate::light::{exposure, photometry};
use crate::plan::{Camera, FixtureId, Level, Look, Marked, Plan};

/// What is to know about the exposure of a whole plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Help {
    /// Each camera, in the plan's order.
    pub cameras: Vec<CameraHelp>,
    /// Each modulation that a profile states, fastest first.
    pub pwm: Vec<PwmHelp>,
    /// Lamps of whose modulation nobody has said anything.
    pub pwm_unknown: Vec<String>,
}

/// One camera.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CameraHelp {
    /// Its id.
    pub camera: String,
    /// ISO speed.
    pub iso: f64,
    /// T-stop where given, else f-number.
    pub aperture: f64,
    /// Density of its neutral filters.
    pub nd: f64,
    /// Exposure time in seconds.
    pub shutter_s: f64,
    /// Its shutter's angle in degrees, where the frame rate is known.
    pub shutter_deg: Option<f64>,
    /// Illuminance that it calls 0 stops, in lux.
    pub zero_stops_lux: f64,
    /// The f-number that a meter at its ISO speed and exposure time shows for 0 stops; filters are not in it.
    pub meter: String,
    /// How much brighter it sees the same light than the first camera does, in stops.
    pub brighter_stops: f64,
    /// What light on the mains does to it: for the plan's mains, or for both where it states none.
    pub mains: Vec<MainsHelp>,
}

/// A shutter under one frequency of the mains.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MainsHelp {
    /// The mains in hertz.
    pub mains_hz: f64,
    /// Most that exposures of light swinging with the mains can differ, in stops; `null` without bound.
    pub swing_stops: Option<f64>,
    /// True if nobody sees that.
    pub steady: bool,
    /// The steady shutters next to the camera's: one below, one above, as far as there are.
    pub nearest: Vec<SteadyShutter>,
    /// All steady shutters within a frame, shortest first, 8 at most.
    pub all: Vec<SteadyShutter>,
}

/// A shutter over which light on the mains stands still.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SteadyShutter {
    /// Exposure time in seconds.
    pub seconds: f64,
    /// As a person writes it: `1/50`, `3/100`.
    pub said: String,
    /// As an angle at the camera's frame rate, where that is known.
    pub angle_deg: Option<f64>,
}

/// Lamps with one frequency of pulse-width modulation.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PwmHelp {
    /// The frequency in hertz, from their profiles.
    pub pwm_hz: f64,
    /// The lamps.
    pub fixtures: Vec<String>,
    /// The camera whose exposure catches most of it.
    pub camera: String,
    /// That exposure in seconds.
    pub shutter_s: f64,
    /// Most that its exposures can differ, in stops, over 2 % to both sides of the frequency and any dimming;
    /// `null`: some may get no light.
    pub swing_stops: Option<f64>,
    /// True if that may be seen.
    pub seen: bool,
}

/// A look's key as a meter shows it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct KeyReading {
    /// Illuminance that the key alone gives at what it is aimed at, in lux; planned.
    pub lux: f64,
    /// The f-number that a meter at the first camera's ISO speed and exposure time shows for it.
    pub meter: String,
}

/// What would do where a look asks more than its lamps have; each by itself is enough.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Cure {
    /// Stops by which the lamps that follow the exposure fall short at most; 0: none of them does.
    pub short_stops: f64,
    /// The marked ISO speed that would do for those; none where it is beyond what cameras have.
    pub iso: Option<f64>,
    /// The marked f-number (or T-stop) that would do for those; none where it is beyond what lenses have.
    pub aperture: Option<f64>,
    /// How that opening is marked, as the plan's is.
    #[serde(skip)]
    pub marked: Marked,
    /// Each short lamp with the distance in metres at which it would do, along its own line; none where it
    /// would stand nearer than people bear.
    pub nearer: Vec<(String, Option<f64>)>,
}

/// Nearest distance that is ever advised, in metres (judgement: nearer, a lamp is in the picture and hot).
const NEAREST_M: f64 = 0.3;
/// Greatest ISO speed and smallest f-number that are ever advised (judgement: few cameras and lenses have more).
const MOST_ISO: f64 = 102_400.0;
const WIDEST: f64 = 0.9;
/// Shortness in stops that is told of, as in [`Assessment::warnings`].
const TOLD_STOPS: f64 = 0.05;

/// Works out a plan's exposure help.
#[must_use]
pub fn help(plan: &Plan) -> Help {
    let mut known: Vec<(f64, Vec<String>)> = Vec::new();
    let mut pwm_unknown = Vec::new();
    for fixture in &plan.fixtures {
        let id = fixture.id.clone();
        let Some(hertz) = fixture.profile.pwm_hz else {
            pwm_unknown.push(id);
            continue;
        };
        match known.iter_mut().find(|(at, _)| *at == hertz) {
            Some((_, ids)) => ids.push(id),
            None => known.push((hertz, vec![id])),
        }
    }
    known.sort_by(|a, b| b.0.total_cmp(&a.0));
    let pwm = known.into_iter().filter_map(|(hertz, ids)| pwm(plan, hertz, ids)).collect();
    Help { cameras: plan.cameras.iter().map(|c| camera(plan, c)).collect(), pwm, pwm_unknown }
}

fn camera(plan: &Plan, camera: &Camera) -> CameraHelp {
    let its = &camera.exposure;
    let zero = its.zero_stops.get();
    let mains = plan.mains_hz.map_or(exposure::MAINS_HZ.to_vec(), |hertz| vec![hertz]);
    CameraHelp {
        camera: camera.id.clone(),
        iso: its.iso,
        aperture: its.aperture,
        nd: its.nd,
        shutter_s: its.shutter_s,
        shutter_deg: camera.fps.map(|fps| exposure::angle_of_seconds(its.shutter_s, fps)),
        zero_stops_lux: zero,
        meter: meter(camera, zero),
        brighter_stops: (plan.exposure.zero_stops.get() / zero).log2(),
        mains: mains.into_iter().map(|hertz| under_mains(camera, hertz)).collect(),
    }
}

/// What a meter at the camera's ISO speed and exposure time shows.
fn meter(camera: &Camera, lux: f64) -> String {
    let its = &camera.exposure;
    let f_number = exposure::meter_f_number(lux, its.iso, its.shutter_s, its.constant);
    exposure::FStop::new(f_number).to_string()
}

fn under_mains(camera: &Camera, mains_hz: f64) -> MainsHelp {
    let shutter = camera.shutter_s;
    let swing_stops = exposure::mains_swing_stops(mains_hz, shutter);
    let said = |pulses: u32| {
        // Pulses come 2 mains times a second; halves of the mains' periods cancel.
        let parts = (2.0 * mains_hz).round() as u32;
        if parts.is_multiple_of(pulses) {
            format!("1/{}", parts / pulses)
        } else {
            format!("{pulses}/{parts}")
        }
    };
    let list = |found: Vec<exposure::Steady>| {
        let shutter = |s: exposure::Steady| SteadyShutter {
            seconds: s.seconds,
            said: said(s.pulses),
            angle_deg: s.angle_deg,
        };
        found.into_iter().map(shutter).collect()
    };
    MainsHelp {
        mains_hz,
        swing_stops,
        steady: !exposure::is_seen(swing_stops),
        nearest: list(exposure::nearest_steady(mains_hz, shutter, camera.fps)),
        all: list(exposure::steady_shutters(mains_hz, camera.fps)),
    }
}

/// The camera with the shortest exposure catches most of a modulation.
fn pwm(plan: &Plan, pwm_hz: f64, fixtures: Vec<String>) -> Option<PwmHelp> {
    let camera = plan.cameras.iter().min_by(|a, b| a.shutter_s.total_cmp(&b.shutter_s))?;
    let swing_stops = exposure::pwm_swing_stops(pwm_hz, exposure::FREQUENCY_SPREAD, camera.shutter_s);
    Some(PwmHelp {
        pwm_hz,
        fixtures,
        camera: camera.id.clone(),
        shutter_s: camera.shutter_s,
        swing_stops,
        seen: exposure::is_seen(swing_stops),
    })
}

/// What a meter shows of a look's key, `found` being the look as assessed; `None` without a lit key.
#[must_use]
pub fn key_reading(plan: &Plan, look: &Look, found: &[Assessment]) -> Option<KeyReading> {
    let lux = found.iter().find(|a| Some(a.fixture) == look.key)?.sent_lux;
    (lux > 0.0).then(|| KeyReading { lux, meter: meter(&plan.cameras[0], lux) })
}

/// What would do where a look asks more than its lamps have; `None` where it does not.
///
/// `found`: the look as assessed. A target in lux or of-full does not follow the exposure: for it only the
/// distance helps. Distances keep to the disc law with the radius of the front that is seen.
#[must_use]
pub fn cure(plan: &Plan, look: &Look, found: &[Assessment]) -> Option<Cure> {
    let mut short_stops = 0.0_f64;
    let mut nearer = Vec::new();
    for lamp in found {
        let short = short_by(lamp);
        if short < TOLD_STOPS {
            continue;
        }
        let fixture = plan.fixture(lamp.fixture);
        if follows_exposure(look, lamp.fixture) {
            short_stops = short_stops.max(short);
        }
        let radius = fixture.radius_m.unwrap_or(0.0);
        let there = photometry::distance_for_stops(fixture.place.distance_m, radius, short);
        nearer.push((fixture.id.clone(), there.filter(|metres| *metres >= NEAREST_M)));
    }
    let by_camera = short_stops > 0.0;
    let its = &plan.exposure;
    (!nearer.is_empty()).then(|| Cure {
        short_stops,
        iso: Some(exposure::iso_for(its.iso, short_stops)).filter(|iso| by_camera && *iso <= MOST_ISO),
        aperture: Some(exposure::f_number_for(its.aperture, short_stops))
            .filter(|n| by_camera && *n >= WIDEST),
        marked: its.marked,
        nearer,
    })
}

/// Stops by which a lamp that is lit falls short of what it is asked.
fn short_by(lamp: &Assessment) -> f64 {
    let held = lamp.limits.has(Limit::Absent) || lamp.limits.has(Limit::Floor);
    if held || lamp.asked.lux <= 0.0 || lamp.allowed_lux <= 0.0 {
        return 0.0;
    }
    (lamp.asked.lux / lamp.allowed_lux).log2()
}

/// True if another exposure would ask this lamp for another light.
fn follows_exposure(look: &Look, id: FixtureId) -> bool {
    match look.target(id).map(|target| target.level) {
        Some(Level::Stops(_)) => true,
        Some(Level::ToKey(_)) => match look.key.filter(|key| *key != id) {
            Some(key) => matches!(look.target(key).map(|t| t.level), Some(Level::Stops(_)) | None),
            None => true,
        },
        Some(Level::Lux(_) | Level::OfFull(_)) | None => false,
    }
}

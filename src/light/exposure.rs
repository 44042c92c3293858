//! Exposure help: what a meter shows, which shutters stand still under light that swings, and which
//! exposure would do with the light that there is.
//!
//! Plain formulas on plain numbers, each with its source. What a plan's cameras and lamps make of them is
//! `engine::exposure`'s work.

use std::f64::consts::LN_2;
use std::fmt;

use super::flicker::{self, Waveform};

/// Swing between exposures, in stops, from which a person is warned: log2(1.01), one percent.
///
/// Judgement: even grey on a good monitor shows a little more than 1 % between lines or frames; the trade's
/// rule for pulse-width modulation (5 kHz at 1/50 s) is the same 1 %.
pub const SEEN_STOPS: f64 = 0.014_355_292_977_070_1;

/// Share by which a lamp's modulation may be off the frequency that its profile gives (judgement: makers
/// print two digits, and oscillators drift).
pub const FREQUENCY_SPREAD: f64 = 0.02;

/// Frequencies of the mains, in hertz.
pub const MAINS_HZ: [f64; 2] = [50.0, 60.0];

/// The f-number that an incident-light meter shows: N = √(E S t / C).
///
/// `lux` E, `iso` S, `shutter_s` t, `constant` C, all above 0. A neutral filter is not in it: a meter does not
/// know of the camera's. Source: ISO 2720, the incident-light equation, turned round.
#[must_use]
pub fn meter_f_number(lux: f64, iso: f64, shutter_s: f64, constant: f64) -> f64 {
    (lux * iso * shutter_s / constant).sqrt()
}

/// Exposure time in seconds of a shutter's angle in degrees at so many frames a second: angle / (360 fps).
///
/// Source: definition of the shutter angle, the open share of a frame's 360 degrees.
#[must_use]
pub fn seconds_of_angle(degrees: f64, fps: f64) -> f64 {
    degrees / 360.0 / fps
}

/// The way back: 360 fps t degrees, over 360 for an exposure longer than its frame.
#[must_use]
pub fn angle_of_seconds(seconds: f64, fps: f64) -> f64 {
    360.0 * fps * seconds
}

/// Full stops as they are engraved, from f/0.25 on; each is √2 of the one before.
const FULL_STOPS: [&str; 25] = [
    "0.25", "0.35", "0.5", "0.7", "1", "1.4", "2", "2.8", "4", "5.6", "8", "11", "16", "22", "32", "45",
    "64", "90", "128", "180", "256", "360", "512", "720", "1024",
];
/// Where f/1 is in them.
const F_1: i32 = 4;

/// An f-number as meters write it: a full stop and tenths of a stop beyond it, `f/2.8 +0.3`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FStop(f64);

impl FStop {
    /// Of an f-number above 0.
    #[must_use]
    pub const fn new(f_number: f64) -> Self {
        Self(f_number)
    }
}

impl fmt::Display for FStop {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let tenths = (20.0 * self.0.log2()).round();
        let (full, rest) = (tenths.div_euclid(10.0), tenths.rem_euclid(10.0));
        // Out of range casts stop at the ends, beyond the table.
        let engraved = usize::try_from(full as i32 + F_1).ok().and_then(|at| FULL_STOPS.get(at));
        match engraved {
            Some(stop) if rest == 0.0 => write!(f, "f/{stop}"),
            Some(stop) => write!(f, "f/{stop} +0.{rest:.0}"),
            None => write!(f, "f/{:.1e}", self.0),
        }
    }
}

/// An exposure over which light that follows the mains is always the same: a whole number of its pulses.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Steady {
    /// Pulses in the exposure, from 1; there are two in a period of the mains.
    pub pulses: u32,
    /// Exposure time in seconds.
    pub seconds: f64,
    /// The shutter's angle at the camera's frame rate, where that is known; at most 360 degrees.
    pub angle_deg: Option<f64>,
}

/// The exposure of so many pulses: n / (2 mains) seconds, 360 fps n / (2 mains) degrees.
///
/// Source: light of lamps on alternating current pulses twice a period; arithmetic.
#[must_use]
pub fn steady(mains_hz: f64, pulses: u32, fps: Option<f64>) -> Steady {
    let seconds = f64::from(pulses) / (2.0 * mains_hz);
    Steady { pulses, seconds, angle_deg: fps.map(|fps| angle_of_seconds(seconds, fps)) }
}

/// The steady exposures within a frame, shortest first, 8 at most; four where no frame rate is known (to 1/25 s
/// or 1/30 s).
#[must_use]
pub fn steady_shutters(mains_hz: f64, fps: Option<f64>) -> Vec<Steady> {
    let most = if fps.is_some() { 8 } else { 4 };
    (1..=most).map(|pulses| steady(mains_hz, pulses, fps)).filter(in_frame).collect()
}

/// True if an exposure fits into its frame, or nobody knows the frame.
fn in_frame(found: &Steady) -> bool {
    found.angle_deg.is_none_or(|angle| angle <= 360.0 * (1.0 + 1e-9))
}

/// The steady exposures next to `shutter_s`, below and above, as far as there are: one pulse at least, and
/// within the frame where `fps` is known. `mains_hz` and `shutter_s` above 0.
#[must_use]
pub fn nearest_steady(mains_hz: f64, shutter_s: f64, fps: Option<f64>) -> Vec<Steady> {
    let below = (2.0 * mains_hz * shutter_s).floor().max(0.0) as u32;
    [below, below.saturating_add(1)]
        .map(|pulses| steady(mains_hz, pulses, fps))
        .into_iter()
        .filter(|found| found.pulses > 0 && in_frame(found))
        .collect()
}

/// Stops between the most and the least exposure of light that follows the mains and goes down to dark in
/// each pulse; `None`: some exposures get none. A lamp that goes down less swings less.
///
/// Source: [`flicker::ripple`] of a sine at twice the mains.
#[must_use]
pub fn mains_swing_stops(mains_hz: f64, shutter_s: f64) -> Option<f64> {
    flicker::ripple(Waveform::Sine { modulation: 1.0 }, 2.0 * mains_hz, shutter_s).stops
}

/// Stops between the most and the least exposure under pulse-width modulation, the worst over a share
/// `spread` to both sides of `frequency_hz` and over all duties; `None`: some exposures may get no light.
///
/// With n the whole periods that an exposure spans at the lowest of those frequencies, the worst is
/// log2((n + 1) / n): a lamp dimmed low gives n pulses to one exposure and n + 1 to the next. About
/// 1.44 / (f t) stops. `frequency_hz`, `shutter_s` and `spread` above 0, `spread` under 1.
/// Source: closed form of [`flicker::ripple`], maximised; the test does it by brute force.
#[must_use]
pub fn pwm_swing_stops(frequency_hz: f64, spread: f64, shutter_s: f64) -> Option<f64> {
    let whole = (frequency_hz * (1.0 - spread) * shutter_s).floor();
    (whole >= 1.0).then(|| (1.0 / whole).ln_1p() / LN_2)
}

/// True if such a swing is worth a warning: [`SEEN_STOPS`] or more, or without bound.
#[must_use]
pub fn is_seen(swing_stops: Option<f64>) -> bool {
    swing_stops.is_none_or(|stops| stops >= SEEN_STOPS)
}

/// Stops under which a rounding to marked values may fall short: less than is ever told of a lamp.
const SLACK_STOPS: f64 = 0.05;
/// The steps of a decade of ISO speeds, as marked (ISO 3's R'10 rounded as cameras do; from memory).
const ISO_MARKS: [f64; 10] = [1.0, 1.25, 1.6, 2.0, 2.5, 3.2, 4.0, 5.0, 6.4, 8.0];

/// The lowest marked ISO speed, in thirds of a stop, that gives `stops` more exposure than `iso`.
#[must_use]
pub fn iso_for(iso: f64, stops: f64) -> f64 {
    let least = iso * (stops - SLACK_STOPS).exp2();
    let decade = 10_f64.powf(least.log10().floor());
    // The next decade's first step lies above whatever this decade holds.
    let marks = ISO_MARKS.iter().map(|mark| mark * decade).chain([10.0 * decade]);
    marks.into_iter().find(|mark| *mark >= least * (1.0 - 1e-9)).unwrap_or(least)
}

/// Thirds of a stop from f/0.5 to f/32, as they are engraved; each is 2^(1/6) of the one before.
const THIRDS: [f64; 37] = [
    0.5, 0.56, 0.63, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2, 2.5, 2.8, 3.2, 3.5, 4.0, 4.5,
    5.0, 5.6, 6.3, 7.1, 8.0, 9.0, 10.0, 11.0, 13.0, 14.0, 16.0, 18.0, 20.0, 22.0, 25.0, 29.0, 32.0,
];
/// Steps from f/0.5 to f/1.
const THIRD_OF_F_1: i32 = 6;

/// The smallest opening, in marked thirds of a stop, that gives `stops` more exposure than `f_number`; as an
/// exact number where no lens is marked.
#[must_use]
pub fn f_number_for(f_number: f64, stops: f64) -> f64 {
    let most = f_number * (0.5 * (SLACK_STOPS - stops)).exp2();
    let step = (6.0 * most.log2() + 1e-9).floor() as i32;
    let marked =
        usize::try_from(step.saturating_add(THIRD_OF_F_1)).ok().and_then(|at| THIRDS.get(at).copied());
    marked.unwrap_or(most)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Source: ISO 2720 by hand: 122.5 lx at ISO 800 and 1/50 s is f/2.8 (the engraving of 2^1.5 = 2.828);
    /// each stop of light is a stop of the meter, as meters write tenths.
    #[test]
    fn a_meter_shows_full_stops_and_tenths() {
        let shown = |lux: f64| FStop::new(meter_f_number(lux, 800.0, 0.02, 250.0)).to_string();
        assert_eq!(shown(122.5), "f/2.8");
        assert_eq!(shown(245.0), "f/4");
        assert_eq!(shown(122.5 * 0.3_f64.exp2()), "f/2.8 +0.3");
        assert_eq!(shown(122.5 * (-0.4_f64).exp2()), "f/2 +0.6");
        assert_eq!(FStop::new(1.0).to_string(), "f/1");
        assert_eq!(FStop::new(0.25).to_string(), "f/0.25");
        assert_eq!(FStop::new(1.39).to_string(), "f/1.4", "0.95 stop rounds up to the next full one");
        assert_eq!(FStop::new(1e-300).to_string(), "f/1.0e-300");
        assert_eq!(FStop::new(1e9).to_string(), "f/1.0e9");
    }

    /// Source: the trade's table "safe angles" (practice.md), angle = 360 x fps x n / (2 x mains). Tolerance: half
    /// the last printed digit.
    #[test]
    fn the_printed_safe_angles_are_steady() {
        for (mains, fps, printed) in [
            (50.0, 24.0, vec![86.4, 172.8, 259.2]),
            (50.0, 25.0, vec![90.0, 180.0, 270.0]),
            (50.0, 30.0, vec![108.0, 216.0]),
            (50.0, 50.0, vec![180.0, 360.0]),
            (50.0, 60.0, vec![216.0]),
            (60.0, 23.976, vec![71.9, 143.9, 215.8]),
            (60.0, 24.0, vec![72.0, 144.0, 216.0]),
            (60.0, 25.0, vec![75.0, 150.0, 225.0]),
            (60.0, 30.0, vec![90.0, 180.0, 270.0]),
            (60.0, 60.0, vec![180.0, 360.0]),
        ] {
            let all = steady_shutters(mains, Some(fps));
            assert!(all.len() >= printed.len() && all.iter().all(|s| s.angle_deg.unwrap() <= 360.0 + 1e-9));
            for (found, angle) in all.iter().zip(printed) {
                assert!((found.angle_deg.unwrap() - angle).abs() < 0.05, "{mains} Hz {fps}: {found:?}");
                assert!(!is_seen(mains_swing_stops(mains, found.seconds)), "{mains} Hz {fps}: {found:?}");
                // What is printed to a tenth of a degree is still steady.
                assert!(!is_seen(mains_swing_stops(mains, angle / 360.0 / fps)), "{mains} Hz {fps}: {angle}");
            }
        }
    }

    /// Source: arithmetic: 1/48 s (180 degrees at 24 frames) is 2.5 pulses at 60 Hz and 2.083 at 50 Hz.
    #[test]
    fn a_shutter_between_two_steady_ones_swings_and_is_told_both() {
        assert!(is_seen(mains_swing_stops(60.0, 1.0 / 48.0)) && is_seen(mains_swing_stops(50.0, 1.0 / 48.0)));
        let near = nearest_steady(60.0, 1.0 / 48.0, Some(24.0));
        let found: Vec<_> = near.iter().map(|s| (s.pulses, s.angle_deg.unwrap().round())).collect();
        assert_eq!(found, [(2, 144.0), (3, 216.0)]);
        let short: Vec<_> = nearest_steady(50.0, 1.0 / 500.0, None).iter().map(|s| s.seconds).collect();
        assert_eq!(short, [0.01], "less than one pulse is never steady");
        let full: Vec<_> = nearest_steady(60.0, 1.0 / 60.0, Some(60.0)).iter().map(|s| s.pulses).collect();
        assert_eq!(full, [2], "a third pulse has no room in the frame");
    }

    /// Source: the trade's rule (practice.md): 1.01 kHz at 1/50 s is warned of; 5 kHz at 1/50 s and 100 kHz at
    /// 1/1000 s are about 1 %; lamps of 25 kHz and up are made for cameras.
    #[test]
    fn slow_modulation_is_warned_of_and_fast_is_not() {
        let swing = |hertz, shutter| pwm_swing_stops(hertz, FREQUENCY_SPREAD, shutter);
        assert!(is_seen(swing(1010.0, 0.02)));
        assert!((swing(1010.0, 0.02).unwrap() - (20.0_f64 / 19.0).log2()).abs() < 1e-12);
        for (hertz, shutter) in [(5000.0, 0.02), (100_000.0, 0.001)] {
            let percent = (swing(hertz, shutter).unwrap().exp2() - 1.0) * 100.0;
            assert!((percent - 1.0).abs() < 0.05, "{hertz} {percent}");
        }
        assert!(!is_seen(swing(25_000.0, 0.02)) && is_seen(swing(900.0, 0.001)));
        assert!((SEEN_STOPS - 1.01_f64.log2()).abs() < 1e-15);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(60))]
        /// Source: brute force over frequencies and duties with the ripple that `shutter_ripple.csv` checks.
        #[test]
        fn no_frequency_and_duty_in_the_spread_swings_more_and_one_swings_as_much(
            hertz in 50.0..20_000.0_f64, shutter in 0.0005..0.05_f64,
        ) {
            let bound = pwm_swing_stops(hertz, FREQUENCY_SPREAD, shutter);
            let mut worst = Some(0.0_f64);
            for step in 0..=400 {
                let f = hertz * (1.0 - FREQUENCY_SPREAD + 2.0 * FREQUENCY_SPREAD * f64::from(step) / 400.0);
                for duty in [1e-6, 0.001, 0.01, 0.1, 0.3, 0.5, 0.7, 0.9, 0.99] {
                    let found = flicker::ripple(Waveform::Pulse { duty }, f, shutter).stops;
                    worst = worst.zip(found).map(|(a, b)| a.max(b));
                }
            }
            match (bound, worst) {
                (None, None) => {}
                (Some(bound), Some(worst)) => {
                    prop_assert!(worst <= bound + 1e-9, "{worst} {bound}");
                    prop_assert!(worst >= bound - 1e-3 * bound - 1e-9, "{worst} {bound}");
                }
                other => prop_assert!(false, "{other:?}"),
            }
        }

        #[test]
        fn a_marked_iso_or_aperture_reaches_what_is_missing_within_a_third(
            iso in 50.0..25_600.0_f64, f_number in 1.0..22.0_f64, stops in 0.05..6.0_f64,
        ) {
            let gained = (iso_for(iso, stops) / iso).log2();
            prop_assert!(gained >= stops - 0.051 && gained < stops + 0.36, "{gained} for {stops}");
            let marked = f_number_for(f_number, stops);
            let gained = 2.0 * (f_number / marked).log2();
            // Engravings are up to 0.14 stop (1.2 for 1.26) beside their exact values.
            prop_assert!(gained >= stops - 0.12 && gained < stops + 0.45, "{gained} for {stops}: {marked}");
        }
    }

    /// Source: marks of cameras and lenses in thirds of a stop (common practice).
    #[test]
    fn what_would_do_is_a_value_that_cameras_have() {
        assert_eq!(
            (iso_for(800.0, 0.6), iso_for(800.0, 1.0), iso_for(6400.0, 0.3)),
            (1250.0, 1600.0, 8000.0)
        );
        assert_eq!((iso_for(8000.0, 0.3), iso_for(100.0, 0.04)), (10_000.0, 100.0));
        assert_eq!(
            (f_number_for(2.8, 0.6), f_number_for(2.8, 1.0), f_number_for(11.0, 0.3)),
            (2.2, 2.0, 10.0)
        );
        assert_eq!(f_number_for(5.6, 1.0 / 3.0), 5.0);
    }
}

//! Heat, flashes and flicker.

use serde::Deserialize;

use crate::guards::flash::count as flashes;
use crate::guards::thermal::{self, Model};
use crate::light::flicker::{self as flickers, Waveform};
use crate::reckon::ReckonError;
use crate::reckon::fields::{Answer, check, not_negative, positive, ratio};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Heat {
    k_per_w: f64,
    time_constant_s: f64,
    ambient_c: f64,
    start_c: f64,
    steps: Option<Vec<Step>>,
    at_s: Option<Vec<f64>>,
    watts: Option<f64>,
    limit_c: Option<f64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Step {
    for_s: f64,
    watts: f64,
}

pub(super) fn heat(asked: Heat) -> Result<Answer, ReckonError> {
    let k_per_w = positive("k_per_w", asked.k_per_w)?;
    let time_constant_s = positive("time_constant_s", asked.time_constant_s)?;
    let ambient_c = celsius("ambient_c", asked.ambient_c)?;
    // A course has no limit in it.
    let body = |limit_c| Model::new(k_per_w, time_constant_s, limit_c);
    let start_c = celsius("start_c", asked.start_c)?;
    let mut answer = Answer::default();
    let course = asked.steps.is_some() || asked.at_s.is_some();
    let limit = asked.watts.is_some() || asked.limit_c.is_some();
    if let (Some(steps), Some(at_s)) = (asked.steps, asked.at_s) {
        let mut checked = Vec::with_capacity(steps.len());
        for Step { for_s, watts } in steps {
            checked.push(thermal::Step {
                for_s: not_negative("for_s", for_s)?,
                watts: not_negative("watts", watts)?,
            });
        }
        at_s.iter().try_for_each(|at| not_negative("at_s", *at).map(drop))?;
        answer =
            answer.numbers("celsius", &body(f64::INFINITY).course(ambient_c, start_c, &checked, &at_s))?;
    } else if course {
        return Err(ReckonError::Together("a course is `steps` and `at_s` together"));
    }
    if let (Some(watts), Some(limit_c)) = (asked.watts, asked.limit_c) {
        let watts = not_negative("watts", watts)?;
        let time = body(celsius("limit_c", limit_c)?).time_to_limit_s(ambient_c, start_c, watts);
        answer = answer.maybe("time_to_limit_s", time)?;
    } else if limit {
        return Err(ReckonError::Together("a time to a limit is `watts` and `limit_c` together"));
    }
    if course || limit {
        Ok(answer)
    } else {
        Err(ReckonError::Together("heat is asked by `steps` and `at_s`, or by `watts` and `limit_c`"))
    }
}

fn celsius(field: &'static str, found: f64) -> Result<f64, ReckonError> {
    check(field, found, (-273.15..=10_000.0).contains(&found), "between -273.15 and 10000 °C")
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Flash {
    rate_hz: f64,
    levels: Vec<f64>,
}

pub(super) fn flash(asked: Flash) -> Result<Answer, ReckonError> {
    let rate = asked.rate_hz;
    check("rate_hz", rate, (1.0..=1e6).contains(&rate), "between 1 and 1000000")?;
    let mut levels = Vec::with_capacity(asked.levels.len());
    for level in asked.levels {
        levels.push((ratio("levels", level)? * f64::from(flashes::FULL)).round() as u32);
    }
    // A second that ends inside a sample is taken with that sample: rather one change too many.
    let found = flashes::count(&levels, rate.ceil() as usize);
    Ok(Answer::default()
        .other("changes", found.changes)
        .other("flashes", found.flashes())
        .other("worst_changes", found.worst_changes)
        .other("worst_flashes", found.worst_flashes()))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Shutter {
    waveform: String,
    frequency_hz: f64,
    exposure_s: f64,
    modulation: Option<f64>,
    duty: Option<f64>,
}

pub(super) fn shutter(asked: &Shutter) -> Result<Answer, ReckonError> {
    let waveform = match (asked.waveform.as_str(), asked.modulation, asked.duty) {
        ("sine", Some(modulation), None) => Waveform::Sine { modulation: ratio("modulation", modulation)? },
        ("pwm", None, Some(duty)) => {
            Waveform::Pulse { duty: check("duty", duty, duty > 0.0 && duty <= 1.0, "above 0, at most 1")? }
        }
        _ => {
            return Err(ReckonError::Together(
                "a waveform is `sine` with `modulation`, or `pwm` with `duty`",
            ));
        }
    };
    let (frequency, exposure) =
        (positive("frequency_hz", asked.frequency_hz)?, positive("exposure_s", asked.exposure_s)?);
    let found = flickers::ripple(waveform, frequency, exposure);
    Answer::default().number("ripple", found.ratio)?.maybe("ripple_stops", found.stops)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Flicker {
    frequency_hz: f64,
    modulation_percent: f64,
}

pub(super) fn flicker(asked: &Flicker) -> Result<Answer, ReckonError> {
    let modulation = asked.modulation_percent;
    check("modulation_percent", modulation, (0.0..=100.0).contains(&modulation), "between 0 and 100 %")?;
    let found = flickers::risk(positive("frequency_hz", asked.frequency_hz)?, modulation);
    Ok(Answer::default()
        .maybe("low_risk_percent", found.low_risk_percent)?
        .maybe("no_effect_percent", found.no_effect_percent)?
        .other("region", found.region.name()))
}

//! Heat, flashes, shutters and flicker in words.

use super::super::sums::{Sum, Waveform};
use super::{Found, figure, stops};

pub(super) fn in_words(sum: &Sum, found: &Found) -> String {
    match sum {
        Sum::Heat { resistance, tau, room, watts, limit, after, .. } => {
            let mut said = Vec::new();
            if let Some(limit) = limit {
                let limit = figure(*limit);
                said.push(match found.get("time_to_limit_s") {
                    Some(0.0) => format!("at {limit} °C from the start"),
                    Some(seconds) => format!("{limit} °C after {}", time(seconds)),
                    None => format!("never reaches {limit} °C"),
                });
            }
            if let Some(after) = after {
                let celsius = found.0["celsius"][0].as_f64().unwrap_or(0.0);
                said.push(format!("{celsius:.1} °C after {}", time(*after)));
            }
            format!(
                "{}\n  T = Ts + (T0 - Ts) e^(-t / τ), Ts = Ta + P R = {} °C + {} W × {} K/W, τ = {}\n  \
                 one mass with one time constant; estimated, not measured: feel before you grip",
                said.join(" · "),
                figure(*room),
                figure(*watts),
                figure(*resistance),
                time(*tau),
            )
        }
        Sum::Flash { .. } => {
            let worst = found.at("worst_flashes");
            let verdict = if worst > 3.0 { "over the limit of three" } else { "within the limit of three" };
            let flashes = if worst == 1.0 { "flash" } else { "flashes" };
            format!(
                "{} {flashes} in the worst second, {verdict} · {} in all, by {} changes\n  \
                 a change is 10 % of full or more with its darker state under 80 %; two opposing ones are a flash\n  \
                 WCAG 2.3.1, ITU-R BT.1702; taken as if it filled the view; saturated red is stricter",
                figure(worst),
                found.show("flashes"),
                found.show("changes"),
            )
        }
        Sum::Shutter { waveform, .. } => {
            let swing = match found.get("ripple_stops") {
                Some(found) => format!("{} between the most and the least", stops(found)),
                None => String::from("some exposures get no light at all"),
            };
            let formula = match waveform {
                Waveform::Sine => "ripple = m |sin(π f t) / (π f t)|",
                Waveform::Pwm => "from the most and least lit time that an exposure can catch",
            };
            format!(
                "ripple {} ({swing})\n  {formula} · ripple = (most - least) / (most + least), over all starts",
                found.show("ripple")
            )
        }
        Sum::Flicker { .. } => {
            let limit =
                |field| found.get(field).map_or_else(|| String::from("any"), |p| format!("{} %", figure(p)));
            format!(
                "{}\n  low risk up to {}, no observable effect up to {}\n  \
                 IEEE 1789-2015, 8.1.1, figures from memory: read the standard before relying on them",
                found.0["region"].as_str().unwrap_or("unknown"),
                limit("low_risk_percent"),
                limit("no_effect_percent"),
            )
        }
        _ => String::new(),
    }
}

/// A time for a person: minutes from two of them on.
fn time(seconds: f64) -> String {
    if seconds >= 120.0 {
        format!("{} min", figure(seconds / 60.0))
    } else {
        format!("{} s", figure(seconds))
    }
}

//! The whole way of a light that moves: the most light that it can keep all along it.
//!
//! A lamp gives less light in some colours than in others, by its emitters, its ceiling and what else stands.
//! A light that asks for more than the weakest colour on its way would pump as it comes through there; so
//! the level is held to what that colour gives, from the start.

use super::{Conditions, forecast};
use crate::light::{Demand, Moving, motion, solve};
use crate::plan::{Fixture, Motion};

/// Points of the way that are looked at first, or a few more. The most light at a colour bends only where an
/// emitter comes in or out, of which there are few on a way.
const POINTS: u32 = 128;
/// So many of the places where it may be lowest are looked at closely.
const LOWEST: usize = 6;
/// Closer looks at each, two solutions each: 1/128 of the distance of two points.
const ROUNDS: u32 = 7;
/// More light than any lamp has, in lux: asks for its most.
const ALL_LUX: f64 = 1e9;

/// A target that keeps its level over the whole of its motion; one that stands still is given back as it is.
///
/// `now`: what stands of the lamp's limits; absence and the identity guard, which may end at any moment, are
/// left out. Costs about 220 solutions for the lamp (a millisecond), bounded; a lamp that prefers
/// `rendering` is taken at its mix of most light.
#[must_use]
pub fn steady(fixture: &Fixture, target: Moving, now: &Conditions) -> Moving {
    let Some(motion) = &target.motion else { return target };
    let now = Conditions { absent: false, protected: false, ..*now };
    let most_at = |along: f64| {
        let pose = motion::along(motion, target.base.colour, along);
        let reach = solve::reach(fixture, &Demand { lux: ALL_LUX, colour: pose.colour });
        let most = forecast(fixture, &reach, &now).lux();
        (most / pose.share, reach.full_lux * fixture.limits.floor.get())
    };
    if let Motion::Breath { .. } = motion {
        let (most_lux, least_lux) = most_at(0.0);
        return Moving { most_lux, least_lux, ..target };
    }
    // Points at each colour that a wander stands at: light is often least there.
    let points = POINTS.next_multiple_of(motion::corners(motion));
    // A flicker's way has ends; the others close.
    let steps = f64::from(if matches!(motion, Motion::Flicker(_)) { points - 1 } else { points });
    let at = |point: u32| most_at(f64::from(point) / steps);
    let all: Vec<(f64, f64)> = (0..points).map(at).collect();
    let lux = |point: u32| all[(point % points) as usize].0;
    let mut low: Vec<(f64, f64)> = (0..points).map(|p| lowest_after(p, points, lux)).collect();
    low.sort_by(|a, b| a.1.total_cmp(&b.1));
    let mut most = all.iter().map(|p| p.0).fold(f64::INFINITY, f64::min);
    let least = all.iter().map(|p| p.1).fold(0.0, f64::max);
    for (place, _) in low.into_iter().take(LOWEST) {
        let mut middle = place / steps;
        let (mut here, mut width) = (most_at(middle.rem_euclid(1.0)).0, 1.0 / steps);
        for _ in 0..ROUNDS {
            width /= 2.0;
            for side in [middle - width, middle + width] {
                let found = most_at(side.rem_euclid(1.0)).0;
                if found < here {
                    (here, middle) = (found, side);
                }
            }
        }
        most = most.min(here);
    }
    Moving { most_lux: most, least_lux: least, ..target }
}

/// Where between point `p` and the next it may be lowest, in points, and how low: where the lines on from both sides
/// meet, as they do in a corner that lies between the two, or at the point itself; infinite: at neither.
fn lowest_after(p: u32, points: u32, lux: impl Fn(u32) -> f64) -> (f64, f64) {
    let (here, next) = (lux(p), lux(p + 1));
    // By how much it goes down towards the other, on from both sides.
    let (on, back) = (here - lux(p + points - 1), next - lux(p + 2));
    let met = (next + back - here) / (on + back);
    let meet = on < 0.0 && back < 0.0 && (0.0..=1.0).contains(&met);
    let (share, least) = if meet {
        (met, here + on * met)
    } else {
        let lowest = here <= next && here <= lux(p + points - 1);
        (0.0, if lowest { here } else { f64::INFINITY })
    };
    (f64::from(p) + share, least)
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::light::Colour;
    use crate::plan::{Colours, Flicker, FlickerLike, Mixing, Plan, load};
    use crate::units::{Share, Stops};
    use proptest::prelude::*;

    fn coloured(plan: &Plan) -> impl Iterator<Item = &Fixture> {
        plan.fixtures.iter().filter(|f| {
            f.address().is_some() && !matches!(f.mode.mixing, Mixing::Dimmer) && f.emitters.len() > 1
        })
    }

    fn any_motion() -> impl Strategy<Value = Motion> {
        let minute = Duration::from_secs(60);
        let circle = (0.0..1.0, 0.0..360.0).prop_map(move |(depth, start_deg)| Motion::HueCircle {
            period: minute,
            depth: Share::clamped(depth),
            start_deg,
        });
        let colour = (0.15..0.55, 0.2..0.5)
            .prop_map(|(x, y)| crate::plan::ColourTarget::Xy(crate::units::Xy { x, y }));
        let wander = prop::collection::vec(colour, 1..=6).prop_map(move |through| Motion::Wander {
            period: minute,
            through: Colours::new(&through).expect("1 to 6"),
            phase: Share::NONE,
        });
        let flicker = (any::<bool>(), any::<u32>(), 0.0..3.0, 0.0..200.0).prop_map(
            move |(fire, seed, depth, drift_mired)| {
                Motion::Flicker(Flicker {
                    like: if fire { FlickerLike::Fire } else { FlickerLike::Screen },
                    seed,
                    every: Duration::from_secs(1),
                    period: minute,
                    depth: Stops::clamped(depth),
                    drift_mired,
                    phase: Share::NONE,
                })
            },
        );
        prop_oneof![2 => circle, 2 => wander, 1 => flicker]
    }

    proptest! {
        /// Source: brute force; 2000 moments of the motion, none of which the lamp may fall short at.
        #[test]
        fn a_steady_target_is_within_the_lamps_most_light_at_every_moment(
            index in 0..64_usize, motion in any_motion(), mired in 150.0..400.0, ceiling in 0.2..1.0,
            real in any::<bool>(),
        ) {
            let plan = load::demo();
            let all: Vec<_> = coloured(&plan).collect();
            let mut fixture = all[index % all.len()].clone();
            fixture.limits.ceiling = Share::clamped(ceiling);
            let now = Conditions { real_output: real, period_s: 1.0, absent: true, protected: true };
            let base = Demand { lux: 1e7, colour: Colour::White { mired, duv: 0.0 } };
            let steadied = steady(&fixture, Moving::new(base, Some(motion)), &now);
            let here = Conditions { absent: false, protected: false, ..now };
            for n in 0..2000 {
                let wanted = steadied.at(60.0 * f64::from(n) / 2000.0);
                let reach = solve::reach(&fixture, &wanted);
                let sent = forecast(&fixture, &reach, &here).lux();
                let short = (wanted.lux / sent).log2();
                // Past a corner of the gamut between two of the points that are looked at: a fifth of what is promised
                // (0.1 stop).
                prop_assert!(short < 0.02, "{short} stops short at moment {n}");
            }
        }
    }
}

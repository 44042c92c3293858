//! The whole way of a light that moves: the most light that it can keep all along it.
//!
//! A lamp gives less light in some colours than in others, by its emitters, its ceiling and what else stands.
//! A light that asks for more than the weakest colour on its way would pump as it comes through there; so
//! the level is held to what that colour gives, from the start.

use super::{Conditions, forecast};
use crate::light::{Demand, Moving, motion, solve};
use crate::plan::{Fixture, Motion};

/// Points of the way that are looked at first. The most light at a colour bends only at emitters' corners,
/// of which a circle has few; [`FINER`] then looks closely round the weakest.
const POINTS: u32 = 128;
/// Points each side of the weakest one, in each of two closer looks.
const FINER: u32 = 4;
/// More light than any lamp has, in lux: asks for its most.
const ALL_LUX: f64 = 1e9;

/// A target that keeps its level over the whole of its motion; one that stands still is given back as it is.
///
/// `now`: what stands of the lamp's limits; absence and the identity guard, which may end at any moment, are
/// left out. Costs about 150 solutions for the lamp (under a millisecond), bounded; a lamp that prefers
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
    let (mut most, mut least, mut weakest) = (f64::INFINITY, 0.0_f64, 0.0);
    let mut look = |along: f64| {
        let (here, floor) = most_at(along);
        least = least.max(floor);
        if here < most {
            (most, weakest) = (here, along);
        }
        weakest
    };
    for point in 0..=POINTS {
        look(f64::from(point) / f64::from(POINTS));
    }
    let mut width = 1.0 / f64::from(POINTS);
    for _ in 0..2 {
        let middle = look(0.0);
        for step in 1..=FINER {
            let off = width * f64::from(step) / f64::from(FINER + 1);
            look((middle - off).max(0.0));
            look((middle + off).min(1.0));
        }
        width /= f64::from(FINER + 1);
    }
    Moving { most_lux: most, least_lux: least, ..target }
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
            f.address().is_some()
                && !matches!(f.mode.mixing, Mixing::Dimmer)
                && f.emitters.len() > 1
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
                prop_assert!(short < 0.01, "{short} stops short at moment {n}");
            }
        }
    }
}

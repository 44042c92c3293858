//! The demand at some point of a fade. Knows no frames and no clock: progress is an argument.

use super::{Colour, Demand};

/// A fade from or to dark starts or ends this many stops under its lit end, or at the lamp's floor if
/// that is more; chosen because ten stops (1/1024) under a face's light no camera shows a step.
pub const DARK_SPAN_STOPS: f64 = 10.0;

/// The demand `progress` (0 to 1) of the way from `from` to `to`.
///
/// Light goes even in stops. Between dark and light it runs from the lit end to `floor_lux` (the
/// lamp's floor at the lit end's colour, in lux) or [`DARK_SPAN_STOPS`] under the lit end, whichever
/// is more, and cuts there; the lit end's colour is kept throughout. At 0 and 1 the ends are exact.
#[must_use]
pub fn between(from: &Demand, to: &Demand, progress: f64, floor_lux: f64) -> Demand {
    let p = progress;
    if p >= 1.0 || (p > 0.0 && from == to) {
        // A dark end keeps the colour that the lamp fades out in.
        let colour = if to.lux > 0.0 || from.lux <= 0.0 { to.colour } else { from.colour };
        return Demand { lux: to.lux, colour };
    }
    let colour = match (from.lux > 0.0, to.lux > 0.0) {
        (true, true) => from.colour.towards(to.colour, p),
        (true, false) => from.colour,
        (false, true) => to.colour,
        (false, false) => to.colour,
    };
    if p <= 0.0 {
        return Demand { lux: from.lux, colour };
    }
    let bottom = |lit: f64| lit.min(floor_lux.max(lit * (-DARK_SPAN_STOPS).exp2()));
    let lux = match (from.lux > 0.0, to.lux > 0.0) {
        (true, true) => even_in_stops(from.lux, to.lux, p),
        (true, false) => even_in_stops(from.lux, bottom(from.lux), p),
        (false, true) => even_in_stops(bottom(to.lux), to.lux, p),
        (false, false) => 0.0,
    };
    Demand { lux, colour }
}

/// `a` to `b`, both above 0, even in stops. Never outside the ends, whatever the rounding.
fn even_in_stops(a: f64, b: f64, p: f64) -> f64 {
    if a == b {
        return a;
    }
    let between = a * (b / a).powf(p);
    between.clamp(a.min(b), a.max(b))
}

/// The lit end's colour of a fade, for working out its floor.
#[must_use]
pub fn lit_colour(from: &Demand, to: &Demand) -> Colour {
    if to.lux > 0.0 { to.colour } else { from.colour }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn white(lux: f64, mired: f64) -> Demand {
        Demand { lux, colour: Colour::White { mired, duv: 0.0 } }
    }

    /// Source: arithmetic; halfway in stops is the geometric mean, halfway in mired the mean.
    #[test]
    fn halfway_is_the_geometric_mean_of_light_and_the_mean_of_mired() {
        let mid = between(&white(100.0, 200.0), &white(400.0, 300.0), 0.5, 0.0);
        assert!((mid.lux - 200.0).abs() < 1e-9);
        assert_eq!(mid.colour, Colour::White { mired: 250.0, duv: 0.0 });
    }

    #[test]
    fn ends_are_exact() {
        let (a, b) = (white(123.456, 178.57), white(7.89, 312.5));
        assert_eq!(between(&a, &b, 0.0, 0.0), a);
        assert_eq!(between(&a, &b, 1.0, 0.0), b);
    }

    #[test]
    fn a_fade_from_dark_starts_ten_stops_down_in_the_lit_ends_colour_and_a_higher_floor_wins() {
        let (dark, lit) = (white(0.0, 150.0), white(1024.0, 312.5));
        let first = between(&dark, &lit, 1e-9, 0.0);
        assert!((first.lux - 1.0).abs() < 1e-6, "{first:?}");
        assert_eq!(first.colour, lit.colour);
        assert!((between(&dark, &lit, 1e-9, 32.0).lux - 32.0).abs() < 1e-5);
        assert_eq!(between(&dark, &lit, 0.0, 0.0).lux, 0.0);
    }

    #[test]
    fn a_fade_to_dark_keeps_its_colour_then_cuts() {
        let (lit, dark) = (white(1024.0, 312.5), white(0.0, 150.0));
        let last = between(&lit, &dark, 1.0 - 1e-9, 0.0);
        assert!((last.lux - 1.0).abs() < 1e-6);
        assert_eq!(between(&lit, &dark, 1.0, 0.0), Demand { lux: 0.0, colour: lit.colour });
    }
}

//! Light in space: exposure, inverse square and cosine, beams, soft sources near by, contrast.
//!
//! Plain formulas on plain numbers, each with its source; units are in the names. Callers see to it
//! that distances and the like are above 0. This module knows no lamps' profiles and no rooms.

use crate::plan::Metres;

/// Illuminance in lux that a flat or domed incident-light meter calls correct.
///
/// E = C N² / (t S): `iso` S, the ISO speed; `f_number` N; `shutter_s` t, the exposure time in
/// seconds; `constant` C, 250 for a flat receptor, 320 to 340 for a dome. All above 0.
/// Source: ISO 2720, the incident-light equation (clause from memory).
#[must_use]
pub fn exposure_lux(iso: f64, f_number: f64, shutter_s: f64, constant: f64) -> f64 {
    constant * f_number * f_number / (shutter_s * iso)
}

/// How many times more light a neutral filter asks for. `density`: as marked, 0 or more.
///
/// 10^density. Source: ISO 5-1, density is the base-10 logarithm of the loss (from memory). Filters are
/// marked in steps of 0.3 for a stop, which by this is 0.997 stop.
#[must_use]
pub fn nd_factor(density: f64) -> f64 {
    10_f64.powf(density)
}

/// Illuminance in lux on a receptor turned to a point-like lamp. `distance_m` above 0.
///
/// E = I / d². Source: inverse-square law (CIE S 017, 17-21-099 from memory).
#[must_use]
pub fn inverse_square(candela: f64, distance_m: f64) -> f64 {
    candela / (distance_m * distance_m)
}

/// The distance in metres at which a lamp gives `stops` more (or, negative, less) light than at
/// `distance_m`; `None` where it would have to stand behind its own front.
///
/// `radius_m`: of its lit front, an even, matt disc on whose axis the receptor is; 0 for a point-like lamp.
/// Light goes as 1 / (d² + R²) ([`lux_at_distance`]), so d' = sqrt((d² + R²) 2^-stops - R²), which for a
/// point is d 2^(-stops/2). A large front gives at most log2(1 + d²/R²) stops more, however near.
/// Source: closed form of the cosine law over a disc; inverse-square law.
#[must_use]
pub fn distance_for_stops(distance_m: f64, radius_m: f64, stops: f64) -> Option<f64> {
    if radius_m == 0.0 {
        // The same, without squares that lose digits.
        return Some(distance_m * (-0.5 * stops).exp2());
    }
    let square = radius_m * radius_m;
    let wanted = (distance_m * distance_m + square) * (-stops).exp2() - square;
    (wanted > 0.0).then(|| wanted.sqrt())
}

/// Illuminance in lux at `distance_m` of a lamp that reads `lux_at_1m` at 1 m, receptor turned to it.
///
/// `radius_m`: of its lit front, taken as a uniform Lambertian disc on whose axis the receptor is
/// (E = E1 (1 + R²) / (d² + R²)); 0 for a point-like lamp.
#[must_use]
pub fn lux_at_distance(lux_at_1m: f64, radius_m: f64, distance_m: f64) -> f64 {
    let square = radius_m * radius_m;
    lux_at_1m * (1.0 + square) / (distance_m * distance_m + square)
}

/// Illuminance in lux on the axis of a uniform Lambertian disc, receptor parallel to it.
///
/// E = pi L R² / (d² + R²): `radius_m` R, `distance_m` d above 0, `luminance_cd_m2` L.
/// Source: closed form of the cosine law over a disc (textbook photometry).
#[must_use]
pub fn disc_lux(radius_m: f64, distance_m: f64, luminance_cd_m2: f64) -> f64 {
    let square = radius_m * radius_m;
    std::f64::consts::PI * luminance_cd_m2 * square / (distance_m * distance_m + square)
}

/// Stops by which the inverse-square law overstates such a disc's light: log2(1 + R²/d²).
#[must_use]
pub fn disc_point_law_stops(radius_m: f64, distance_m: f64) -> f64 {
    let ratio = radius_m / distance_m;
    (ratio * ratio).ln_1p() / std::f64::consts::LN_2
}

/// A point-like lamp in space.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointLamp {
    /// Where it is, in metres.
    pub position: Metres,
    /// Luminous intensity on its axis, in candela.
    pub candela: f64,
    /// Its beam; `None`: the same in all directions.
    pub beam: Option<Beam>,
}

/// A beam whose intensity falls off as a power of the cosine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beam {
    /// The point on its axis that the lamp is aimed at, in metres; not the lamp's own place.
    pub aim: Metres,
    /// Full angle at half intensity in degrees, above 0, below 180.
    pub full_angle_deg: f64,
}

impl PointLamp {
    /// Luminous intensity in candela towards `point`.
    ///
    /// I(a) = I0 cos(a)^n with n such that I(half the full angle) = I0 / 2; 0 from 90 degrees off the
    /// axis. The form is a common model, not any lamp's measurement.
    #[must_use]
    pub fn candela_towards(&self, point: Metres) -> f64 {
        let Some(beam) = self.beam else { return self.candela };
        let cosine = cosine_between(minus(beam.aim, self.position), minus(point, self.position));
        if cosine <= 0.0 {
            return 0.0;
        }
        let exponent = 0.5_f64.ln() / (0.5 * beam.full_angle_deg).to_radians().cos().ln();
        self.candela * cosine.powf(exponent)
    }

    /// Illuminance in lux at `point` on a small plane whose normal is `normal` (any length above 0).
    ///
    /// E = I cos(incidence) / d²; 0 from behind. The point must not be the lamp's own place.
    /// Source: inverse-square and cosine laws.
    #[must_use]
    pub fn lux_at(&self, point: Metres, normal: Metres) -> f64 {
        let way = minus(self.position, point);
        let incidence = cosine_between(way, normal);
        if incidence <= 0.0 { 0.0 } else { self.candela_towards(point) * incidence / dot(way, way) }
    }
}

/// Key against fill at a face, as ratios to 1 and in stops.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Contrast {
    /// Key alone to fill alone.
    pub key_to_fill: f64,
    /// Lit side (key + fill) to shadow side (fill): the usual lighting ratio.
    pub lit_to_shadow: f64,
}

/// The two lighting ratios, from key and fill measured one at a time; `None` without fill.
///
/// Source: definitions of lighting practice (common, no standard clause).
#[must_use]
pub fn contrast(key_lux: f64, fill_lux: f64) -> Option<Contrast> {
    (fill_lux > 0.0)
        .then(|| Contrast { key_to_fill: key_lux / fill_lux, lit_to_shadow: (key_lux + fill_lux) / fill_lux })
}

fn minus(a: Metres, b: Metres) -> Metres {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

fn dot(a: Metres, b: Metres) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

fn cosine_between(a: Metres, b: Metres) -> f64 {
    (dot(a, b) / (dot(a, a) * dot(b, b)).sqrt()).min(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: ISO 5-1 (from memory): density 1 lets a tenth through; 0.6 is called 2 stops in the trade,
    /// which is right to 0.01 stop.
    #[test]
    fn a_filter_of_density_0_6_takes_two_stops() {
        assert_eq!((nd_factor(0.0), nd_factor(1.0)), (1.0, 10.0));
        assert!((nd_factor(0.6).log2() - 2.0).abs() < 0.01);
    }

    /// Source: arithmetic of the inverse-square law; leaning in from 1.00 m to 0.90 m is
    /// 2 log2(1/0.9) = 0.304 stop.
    #[test]
    fn one_stop_less_is_1_41_times_the_distance() {
        assert!((distance_for_stops(1.5, 0.0, -1.0).unwrap() - 1.5 * 2.0_f64.sqrt()).abs() < 1e-15);
        let near = (inverse_square(100.0, 0.9) / inverse_square(100.0, 1.0)).log2();
        assert!(
            (distance_for_stops(1.0, 0.0, near).unwrap() - 0.9).abs() < 1e-15 && (near - 0.304).abs() < 5e-4
        );
    }

    /// Source: the closed form itself, there and back; at d = R a front gives half of its own luminous
    /// exitance, so that 1 stop more is at the front itself and further stops are nowhere.
    #[test]
    fn a_large_front_must_move_further_and_has_an_end() {
        for (distance, radius, stops) in
            [(1.5, 0.45, -1.0), (1.5, 0.45, 0.5), (2.0, 0.1, 3.0), (0.5, 0.0, -2.0)]
        {
            let there = distance_for_stops(distance, radius, stops).unwrap();
            let gain = lux_at_distance(1.0, radius, there) / lux_at_distance(1.0, radius, distance);
            assert!((gain.log2() - stops).abs() < 1e-12, "{distance} {radius} {stops}");
        }
        assert!(distance_for_stops(1.5, 0.45, 1.0).unwrap() < distance_for_stops(1.5, 0.0, 1.0).unwrap());
        assert_eq!(distance_for_stops(0.45, 0.45, 1.0), None);
        assert!(distance_for_stops(0.45, 0.45, 0.99).is_some());
    }

    #[test]
    fn a_reading_at_1_m_holds_at_1_m_whatever_the_front_and_goes_over_to_inverse_square() {
        assert_eq!(lux_at_distance(800.0, 0.45, 1.0), 800.0);
        assert_eq!(lux_at_distance(800.0, 0.0, 2.0), 200.0);
        // The same as the disc whose luminance the reading implies.
        let luminance = 800.0 * (1.0 + 0.45 * 0.45) / (std::f64::consts::PI * 0.45 * 0.45);
        let direct = disc_lux(0.45, 1.6, luminance);
        assert!((lux_at_distance(800.0, 0.45, 1.6) / direct - 1.0).abs() < 1e-14);
    }

    #[test]
    fn a_lamp_behind_the_plane_or_turned_away_gives_nothing() {
        let mut lamp = PointLamp { position: [0.0, 0.0, 2.0], candela: 100.0, beam: None };
        assert_eq!(lamp.lux_at([0.0; 3], [0.0, 0.0, 1.0]), 25.0);
        assert_eq!(lamp.lux_at([0.0; 3], [0.0, 0.0, -1.0]), 0.0);
        lamp.beam = Some(Beam { aim: [0.0, 0.0, 3.0], full_angle_deg: 40.0 });
        assert_eq!(lamp.lux_at([0.0; 3], [0.0, 0.0, 1.0]), 0.0);
    }
}

//! A head and shoulders by signed distances: neutral features, nobody's face.
//!
//! Own axes in metres: x to a side (both sides are alike), y along the nose, z up; the origin is where the plan puts the
//! face, between the eyes. Sizes are about those of the average adult: 0.23 m from chin to crown, 0.15 m wide, 0.19 m long
//! (common anthropometric tables, from memory; none is copied).

use super::solid::{Material, Solid};
use crate::guards::identity::reach::SKIN_REFLECTANCE;
use crate::plan::Metres;

/// What the parts return of the light, all grey: colour in a picture is the light's. Skin is that of the protection margin;
/// the rest is judgement.
const SKIN: Material = Material { reflectance: SKIN_REFLECTANCE, is_face: true, gloss: 0.02, mirror: 0.0 };
const EYE: Material = Material { reflectance: 0.4, is_face: true, gloss: 0.0, mirror: 0.03 };
const HAIR: Material = Material { reflectance: 0.075, is_face: false, gloss: 0.016, mirror: 0.0 };
const CLOTH: Material = Material { reflectance: 0.12, is_face: false, gloss: 0.0, mirror: 0.0 };
/// Reflectance of lips, brows, irises and of what is seen of the nose's inside.
const LIPS: f64 = 0.3;
const BROW: f64 = 0.13;
const IRIS: f64 = 0.06;
const NOSTRIL: f64 = 0.03;

/// Middle of an eyeball (x is mirrored), and its radius.
const EYE_AT: Metres = [0.0315, -0.0145, 0.0];
const EYE_M: f64 = 0.012;
/// Both sides meet in the middle over this width, so that no crease shows there.
const MIDDLE_M: f64 = 0.003;

/// So near to the garment everything is of its cloth.
const HEM_M: f64 = 0.003;

/// The head and shoulders.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Head;

impl Solid for Head {
    fn bounds(&self) -> (Metres, Metres) {
        ([-0.26, -0.26, -0.37], [0.26, 0.06, 0.145])
    }

    fn fine(&self) -> Option<(Metres, Metres)> {
        Some(([-0.095, -0.12, -0.125], [0.095, 0.036, 0.06]))
    }

    fn balls(&self) -> Vec<(Metres, f64)> {
        vec![([0.0, -0.085, 0.0], 0.155), ([0.0, -0.11, -0.2], 0.13), ([0.0, -0.12, -0.42], 0.33)]
    }

    fn distance(&self, p: Metres) -> f64 {
        let q = folded(p);
        let far = bound(q);
        // Far off a bound will do, and costs a tenth.
        if far > 0.05 {
            return far;
        }
        let skull = skull(q);
        // The collar closes round the neck without a gap.
        smooth(skin(q, skull).min(hair(q, skull).0).min(eye(q)), cloth(q), 0.003)
    }

    fn material(&self, p: Metres) -> Material {
        let q = folded(p);
        let skull = skull(q);
        let (hair, behind) = hair(q, skull);
        // The fillet between neck and collar is the collar's: a rim of skin would shine there.
        let parts = [(skin(q, skull), SKIN), (hair, HAIR), (eye(q), EYE), (cloth(q) - HEM_M, CLOTH)];
        let (_, found) = parts.into_iter().fold((f64::INFINITY, SKIN), |a, b| if b.0 < a.0 { b } else { a });
        let blend = |from: f64, to: f64, share: f64| from + (to - from) * share;
        // Cropped towards the line: skin shows through.
        let cropped = step(-0.006, 0.022, behind);
        if found == HAIR {
            return Material { reflectance: blend(SKIN.reflectance, HAIR.reflectance, cropped), ..HAIR };
        }
        if found == EYE {
            let off = minus(q, EYE_AT);
            // The iris is the front of the ball, 12 mm across.
            let iris = if off[1] > 0.0 { 1.0 - step(0.0052, 0.0064, off[0].hypot(off[2])) } else { 0.0 };
            return Material { reflectance: blend(EYE.reflectance, IRIS, iris), ..EYE };
        }
        if found == SKIN && q[1] > -0.04 {
            let lips = 1.0 - step(-0.0006, 0.0014, upper_lip(q).min(lower_lip(q)));
            let brow = brow(q);
            // Deeper than the grid of shadows tells.
            let nostril = 1.0 - step(0.0002, 0.0016, nostril(q));
            let bare = blend(blend(SKIN.reflectance, LIPS, lips), NOSTRIL, nostril);
            let reflectance = blend(blend(bare, BROW, brow), HAIR.reflectance, cropped);
            return Material { reflectance, ..SKIN };
        }
        if found == SKIN && q[2] > -0.07 && q[0] < 0.07 {
            return Material { reflectance: blend(SKIN.reflectance, HAIR.reflectance, cropped), ..SKIN };
        }
        found
    }
}

/// Both sides as one, smooth in the middle.
fn folded(p: Metres) -> Metres {
    [(p[0] * p[0] + MIDDLE_M * MIDDLE_M).sqrt() - MIDDLE_M, p[1], p[2]]
}

/// 0 up to `from`, 1 from `to` on, smooth between.
fn step(from: f64, to: f64, value: f64) -> f64 {
    let t = ((value - from) / (to - from)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// Never more than the distance, and cheap.
fn bound(q: Metres) -> f64 {
    let chest = box_of(q, [0.0, -0.12, -0.4], [0.25, 0.14, 0.22]);
    ball(q, [0.0, -0.085, 0.0], 0.15).min(ball(q, [0.0, -0.11, -0.2], 0.14)).min(chest)
}

/// How dark the brow is, 0 to 1: a bow over the eye that thins outwards.
fn brow(q: Metres) -> f64 {
    let along = (q[0] - 0.012) / 0.038;
    if !(-0.1..1.1).contains(&along) {
        return 0.0;
    }
    let middle = 0.0195 + 0.0075 * (along * 2.1).sin() - 0.002 * along;
    let half = 0.0036 - 0.0022 * along.clamp(0.0, 1.0);
    let ends = step(-0.1, 0.05, along) * (1.0 - step(0.85, 1.1, along));
    ends * (1.0 - step(half - 0.0012, half + 0.0016, (q[2] - middle).abs()))
}

/// The skull without the face.
fn skull(q: Metres) -> f64 {
    let crown = ellipsoid(q, [0.0, -0.095, 0.033], [0.0735, 0.0955, 0.0845]);
    let temples = ellipsoid(q, [0.0, -0.07, 0.022], [0.069, 0.07, 0.066]);
    let nape = ellipsoid(q, [0.0, -0.118, -0.02], [0.06, 0.06, 0.06]);
    smooth(smooth(crown, temples, 0.02), nape, 0.04)
}

fn upper_lip(q: Metres) -> f64 {
    // Down in the middle, up beside it, down to the corners.
    let bow = 0.0011 * (1.0 - (q[0] / 0.006).powi(2)).max(-1.0);
    ellipsoid(
        [q[0], q[1] + 8.0 * q[0] * q[0], q[2] + bow - 3.0 * q[0] * q[0]],
        [0.0, 0.0064, -0.0655],
        [0.0245, 0.0082, 0.0052],
    )
}

fn lower_lip(q: Metres) -> f64 {
    ellipsoid(
        [q[0], q[1] + 8.0 * q[0] * q[0], q[2] - 9.0 * q[0] * q[0]],
        [0.0, 0.0066, -0.0745],
        [0.021, 0.0085, 0.0056],
    )
}

fn nostril(q: Metres) -> f64 {
    ellipsoid(q, [0.0062, 0.0105, -0.0512], [0.0026, 0.0048, 0.0026])
}

/// Skull, face, ears and neck.
fn skin(q: Metres, skull: f64) -> f64 {
    let middle = ellipsoid(q, [0.0, -0.056, -0.026], [0.0615, 0.061, 0.082]);
    let mut d = smooth(skull, middle, 0.03);
    let jaw = capsule(q, [0.047, -0.078, -0.058], [0.012, -0.014, -0.0985], 0.0165);
    d = smooth(d, jaw, 0.036);
    d = smooth(d, capsule(q, [0.0, -0.0125, -0.1], [0.005, -0.013, -0.1], 0.0165), 0.028);
    // The neck, its cords, the slope to the shoulders.
    if q[2] < 0.02 {
        let neck = cone(q, [0.0, -0.104, -0.06], [0.0, -0.122, -0.22], 0.0535, 0.058);
        d = smooth(d, neck, 0.024);
        let cord = capsule(q, [0.054, -0.1, -0.07], [0.021, -0.073, -0.195], 0.006);
        d = smooth(d, cord, 0.024);
    }
    // Ears.
    if q[0] > 0.045 {
        let own = turn(minus(q, [0.0715, -0.099, -0.008]), 0.42);
        let own = [own[0], own[1] - 0.18 * own[2], own[2]];
        let outer = ellipsoid(own, [0.0; 3], [0.0085, 0.0165, 0.0305]);
        let shell = carved(outer, ellipsoid(own, [0.0085, 0.002, 0.004], [0.0068, 0.0105, 0.0205]), 0.004);
        let knob = ball(own, [0.002, 0.0125, -0.004], 0.0055);
        d = smooth(d, smooth(shell, knob, 0.005), 0.009);
    }
    // What follows lies 3 cm or more inside of this ball; from outside that bounds how near it can be.
    let outside = ball(q, [0.0, -0.012, -0.035], 0.108);
    if outside > 0.0 {
        return d.min(outside + 0.03);
    }
    // Cheek bones, and the brow over the eyes.
    d = smooth(d, ball(q, [0.0435, -0.028, -0.02], 0.0215), 0.028);
    d = smooth(d, capsule(q, [0.01, -0.0095, 0.0175], [0.043, -0.0215, 0.0165], 0.0105), 0.016);
    // The sockets.
    d = carved(d, ellipsoid(q, [0.0325, 0.0035, 0.0015], [0.0205, 0.0158, 0.0125]), 0.012);
    // The nose: bridge, tip, wings, nostrils.
    let bridge = cone(q, [0.0, -0.0045, 0.012], [0.0, 0.0165, -0.037], 0.0052, 0.008);
    d = smooth(d, bridge, 0.013);
    d = smooth(d, ball(q, [0.0, 0.0185, -0.0402], 0.0092), 0.008);
    d = smooth(d, ball(q, [0.0118, 0.0065, -0.0437], 0.0066), 0.0075);
    d = carved(d, nostril(q), 0.003);
    // The mouth: the swelling over the teeth, the groove over it, two lips.
    d = smooth(d, ellipsoid(q, [0.0, -0.0135, -0.0655], [0.029, 0.021, 0.0205]), 0.022);
    d = carved(d, capsule(q, [0.0, 0.0135, -0.053], [0.0, 0.0165, -0.0605], 0.0028), 0.006);
    let lips = smooth(upper_lip(q), lower_lip(q), 0.0012);
    d = smooth(d, lips, 0.004);
    // Lids: a shell round the ball, open in front between two arcs that meet at the corners.
    let off = minus(q, EYE_AT);
    let lids = length(off) - (EYE_M + 0.0016);
    let upper = 0.0046 - 21.0 * (off[0] + 0.0012).powi(2);
    let lower = -0.0045 + 19.0 * off[0] * off[0];
    let opening = (upper - off[2]).min(off[2] - lower);
    smooth(d, carved(lids, -opening, 0.001), 0.004)
}

/// Short hair: on the skull behind the hair line, thin at the line. Its distance, and how far behind the line a point is.
fn hair(q: Metres, skull: f64) -> (f64, f64) {
    // The line: level over the forehead, back at the temples, down before the ear, round it, and low at the nape.
    let peak = 0.005 * (-(q[0] / 0.022).powi(2)).exp();
    // Back at the temples, and down again beside them, towards the ear.
    let past = (q[0] - 0.05).max(0.0);
    let temple = -0.007 * (-((q[0] - 0.043) / 0.015).powi(2)).exp() + 1.1 * past * past / (past + 0.014);
    let front = 0.62 * (q[2] - 0.068) - 0.78 * (q[1] + 0.014) + temple + peak;
    let low = q[2] + 0.05 - 0.25 * (-0.11 - q[1]).max(0.0);
    let ear = length([(q[1] + 0.102) * 1.1, q[2] + 0.012, 0.0]) - 0.037;
    let mut inside = smooth(front, low, 0.02);
    if q[0] > 0.04 {
        inside = smooth(inside, ear, 0.02);
    }
    (skull - 0.0095 * step(-0.002, 0.055, inside) + (-inside).max(0.0), inside)
}

fn eye(q: Metres) -> f64 {
    ball(q, EYE_AT, EYE_M)
}

/// A plain round-necked garment.
fn cloth(q: Metres) -> f64 {
    if q[2] > -0.06 {
        return q[2] + 0.1;
    }
    let slope = cone(q, [0.02, -0.13, -0.196], [0.172, -0.135, -0.248], 0.05, 0.052);
    let chest = ellipsoid(q, [0.0, -0.12, -0.41], [0.205, 0.114, 0.2]);
    let arm = capsule(q, [0.186, -0.138, -0.28], [0.208, -0.138, -0.52], 0.05);
    let body = smooth(smooth(slope, chest, 0.05), arm, 0.04);
    // The collar: a band about the neck, cut level with its hem.
    let band = cone(q, [0.0, -0.119, -0.15], [0.0, -0.12, -0.27], 0.0565, 0.073);
    let cut = band.max(q[2] + 0.188 + 0.3 * (q[1] + 0.119)).max(-0.29 - q[2]);
    let hem = ring(q, [0.0, -0.119, -0.188], [0.0615, 0.0615], 0.0048);
    smooth(body, smooth(cut, hem, 0.004), 0.012)
}

fn minus(a: Metres, b: Metres) -> Metres {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

fn dot(a: Metres, b: Metres) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

fn length(a: Metres) -> f64 {
    dot(a, a).sqrt()
}

/// Turned about the upright, by an angle in radians.
fn turn([x, y, z]: Metres, by: f64) -> Metres {
    let (sin, cos) = by.sin_cos();
    [x * cos - y * sin, x * sin + y * cos, z]
}

fn ball(q: Metres, at: Metres, radius: f64) -> f64 {
    length(minus(q, at)) - radius
}

/// A bound of the distance to an ellipsoid, good near its surface. Source: the usual first-order estimate k0 (k0 - 1) / k1.
fn ellipsoid(q: Metres, at: Metres, half: Metres) -> f64 {
    let p = minus(q, at);
    let a = length([p[0] / half[0], p[1] / half[1], p[2] / half[2]]);
    let b = length([p[0] / (half[0] * half[0]), p[1] / (half[1] * half[1]), p[2] / (half[2] * half[2])]);
    if b < 1e-9 { -half[0].min(half[1]).min(half[2]) } else { a * (a - 1.0) / b }
}

fn capsule(q: Metres, a: Metres, b: Metres, radius: f64) -> f64 {
    cone(q, a, b, radius, radius)
}

/// A rod whose radius goes evenly from one end to the other.
fn cone(q: Metres, a: Metres, b: Metres, from: f64, to: f64) -> f64 {
    let (p, way) = (minus(q, a), minus(b, a));
    let along = (dot(p, way) / dot(way, way)).clamp(0.0, 1.0);
    let off = length([p[0] - along * way[0], p[1] - along * way[1], p[2] - along * way[2]]);
    off - (from + along * (to - from))
}

fn box_of(q: Metres, at: Metres, half: Metres) -> f64 {
    let p = minus(q, at);
    let out = [0, 1, 2].map(|i: usize| (p[i].abs() - half[i]).max(0.0));
    length(out)
}

/// An oval ring in a plane that dips towards the front.
fn ring(q: Metres, at: Metres, half: [f64; 2], radius: f64) -> f64 {
    let p = minus(q, at);
    let dip = p[2] + 0.3 * p[1];
    let (u, v) = (p[0] / half[0], p[1] / half[1]);
    let flat = (u.hypot(v) - 1.0) * half[0].min(half[1]);
    flat.hypot(dip) - radius
}

/// The union of two, its edge filled over a width. Source: the usual polynomial smooth minimum.
fn smooth(a: f64, b: f64, width: f64) -> f64 {
    let h = (width - (a - b).abs()).max(0.0) / width;
    a.min(b) - 0.25 * h * h * width
}

/// `a` without `b`, the edge rounded over a width.
fn carved(a: f64, b: f64, width: f64) -> f64 {
    -smooth(-a, b, width)
}

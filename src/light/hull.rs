//! The convex outline of some chromaticities in u'v': what lies inside, what is nearest, how far the edge is.
//!
//! Used for the emitters of a lamp (its gamut) and for the spectral locus (all colours there are).
//! This module knows no light and no drives.

use crate::units::Uv76;

/// A convex polygon of at most `N` corners, counter-clockwise; may be a segment, a point or empty.
///
/// Points in line but for rounding make a sliver: distances are right all the same.
#[derive(Debug, Clone, Copy)]
pub struct Hull<const N: usize> {
    corners: [Uv76; N],
    len: usize,
}

/// A point of a hull's outline and the edge it lies on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OnOutline {
    /// The point.
    pub at: Uv76,
    /// The edge's ends; equal for a hull that is a single point.
    pub edge: (Uv76, Uv76),
    /// Distance from the point asked about, in u'v'; negative when that lies inside.
    pub distance: f64,
}

impl<const N: usize> Hull<N> {
    /// The outline of `points`; those after the first `N` and those not finite are left out.
    #[must_use]
    pub fn of(points: impl IntoIterator<Item = Uv76>) -> Self {
        let zero = Uv76 { u: 0.0, v: 0.0 };
        let mut sorted = [zero; N];
        let mut count = 0;
        for p in points.into_iter().filter(|p| p.u.is_finite() && p.v.is_finite()).take(N) {
            sorted[count] = p;
            count += 1;
        }
        let sorted = &mut sorted[..count];
        sorted.sort_unstable_by(|a, b| a.u.total_cmp(&b.u).then(a.v.total_cmp(&b.v)));
        let mut hull = Self { corners: [zero; N], len: 0 };
        // Andrew's monotone chain: the lower side from left to right, then the upper side back. All
        // comparisons are exact: with a tolerance, points above each other but for rounding, which the
        // sorting may leave in any order, would hide a true corner.
        let mut kept = 0;
        for i in 0..count {
            if kept > 0 && sorted[kept - 1] == sorted[i] {
                continue;
            }
            sorted[kept] = sorted[i];
            kept += 1;
        }
        for &p in &sorted[..kept] {
            hull.drop_flat(p, 0);
            hull.push(p);
        }
        let turn = hull.len.saturating_sub(1);
        for i in (0..kept.saturating_sub(1)).rev() {
            // Corners of the lower side are there already; the first one only closes the outline.
            let below = hull.corners[..=turn].contains(&sorted[i]);
            if i == 0 || !below {
                hull.drop_flat(sorted[i], turn);
            }
            if !below {
                hull.push(sorted[i]);
            }
        }
        hull
    }

    /// Takes back the last corners, after index `keep`, that `next` would make flat or hollow.
    fn drop_flat(&mut self, next: Uv76, keep: usize) {
        while self.len >= keep + 2
            && left_of(self.corners[self.len - 2], self.corners[self.len - 1], next) <= 0.0
        {
            self.len -= 1;
        }
    }

    fn push(&mut self, p: Uv76) {
        self.corners[self.len] = p;
        self.len += 1;
    }

    /// The corners, counter-clockwise.
    #[must_use]
    pub fn corners(&self) -> &[Uv76] {
        &self.corners[..self.len]
    }

    /// The edges, counter-clockwise; one for a segment, none for a point.
    fn edges(&self) -> impl Iterator<Item = (Uv76, Uv76)> + '_ {
        let corners = self.corners();
        let count = match corners.len() {
            0 | 1 => 0,
            2 => 1,
            more => more,
        };
        (0..count).map(move |i| (corners[i], corners[(i + 1) % corners.len()]))
    }

    /// The point of the outline nearest to `target`; `None` for an empty hull.
    #[must_use]
    pub fn nearest(&self, target: Uv76) -> Option<OnOutline> {
        let first = *self.corners().first()?;
        let mut best = OnOutline { at: first, edge: (first, first), distance: first.distance(target) };
        let mut inside = self.len > 2;
        for (a, b) in self.edges() {
            let (du, dv) = (b.u - a.u, b.v - a.v);
            let along = ((target.u - a.u) * du + (target.v - a.v) * dv) / (du * du + dv * dv);
            let at = if along <= 0.0 {
                a
            } else if along >= 1.0 {
                b
            } else {
                a.towards(b, along)
            };
            let distance = at.distance(target);
            if distance < best.distance || best.edge.0 == best.edge.1 {
                best = OnOutline { at, edge: (a, b), distance };
            }
            inside &= left_of(a, b, target) >= 0.0;
        }
        if inside {
            best.distance = -best.distance;
        }
        Some(best)
    }

    /// How far the outline is from `from` in the direction (`du`, `dv`), in lengths of that vector.
    ///
    /// 0 when `from` does not lie inside, or the hull has no inside. Continuous in both arguments
    /// for points inside, because the hull is convex.
    #[must_use]
    pub fn exit(&self, from: Uv76, du: f64, dv: f64) -> f64 {
        if self.len < 3 {
            return 0.0;
        }
        let mut exit = f64::INFINITY;
        for (a, b) in self.edges() {
            // The outward normal of a counter-clockwise edge.
            let (nu, nv) = (b.v - a.v, a.u - b.u);
            let gap = nu * (a.u - from.u) + nv * (a.v - from.v);
            let speed = nu * du + nv * dv;
            if gap < 0.0 {
                return 0.0;
            }
            if speed > 0.0 {
                exit = exit.min(gap / speed);
            }
        }
        if exit.is_finite() { exit } else { 0.0 }
    }
}

/// Twice the area of the triangle a, b, p: positive when p is to the left of the way from a to b.
fn left_of(a: Uv76, b: Uv76, p: Uv76) -> f64 {
    (b.u - a.u) * (p.v - a.v) - (b.v - a.v) * (p.u - a.u)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn uv(u: f64, v: f64) -> Uv76 {
        Uv76 { u, v }
    }

    fn square() -> Hull<8> {
        Hull::of([
            uv(0.0, 0.0),
            uv(1.0, 1.0),
            uv(0.5, 0.5),
            uv(1.0, 0.0),
            uv(0.5, 0.0),
            uv(0.0, 1.0),
            uv(1.0, 1.0),
        ])
    }

    #[test]
    fn a_square_with_points_on_and_in_it_has_four_corners() {
        assert_eq!(square().corners(), [uv(0.0, 0.0), uv(1.0, 0.0), uv(1.0, 1.0), uv(0.0, 1.0)]);
    }

    #[test]
    fn the_nearest_point_is_signed_by_its_side() {
        let outside = square().nearest(uv(1.5, 0.25)).unwrap();
        assert_eq!((outside.at, outside.distance), (uv(1.0, 0.25), 0.5));
        let inside = square().nearest(uv(0.5, 0.25)).unwrap();
        assert_eq!((inside.at, inside.distance), (uv(0.5, 0.0), -0.25));
    }

    #[test]
    fn the_way_out_of_a_square_is_its_half_width_or_half_diagonal() {
        assert_eq!(square().exit(uv(0.5, 0.5), 1.0, 0.0), 0.5);
        assert!((square().exit(uv(0.5, 0.5), 0.6, 0.6) - 0.5 / 0.6).abs() < 1e-15);
        assert_eq!(square().exit(uv(2.0, 0.5), 1.0, 0.0), 0.0);
    }

    #[test]
    fn points_above_each_other_but_for_rounding_hide_no_corner() {
        let top = uv(0.179_999_999_999_999_97, 0.45);
        let column: Hull<8> = Hull::of([top, uv(0.18, 0.35), uv(0.18, 0.4), uv(0.4, 0.1)]);
        assert!(column.corners().contains(&uv(0.18, 0.35)) && column.corners().contains(&top));
    }

    #[test]
    fn as_many_corners_as_there_is_room_for_fit_whichever_way_they_bulge() {
        for bulge in [1.0, -1.0] {
            let bowl = (0..8).map(|i| f64::from(i) / 7.0).map(|u| uv(u, bulge * (u - 0.5) * (u - 0.5)));
            assert_eq!(Hull::<8>::of(bowl).corners().len(), 8);
        }
    }

    #[test]
    fn points_in_line_make_a_segment_and_equal_points_a_point() {
        let line: Hull<4> = Hull::of([uv(0.25, 0.5), uv(0.125, 0.25), uv(0.375, 0.75)]);
        assert_eq!(line.corners(), [uv(0.125, 0.25), uv(0.375, 0.75)]);
        let point: Hull<4> = Hull::of([uv(0.2, 0.4), uv(0.2, 0.4)]);
        assert_eq!(point.corners(), [uv(0.2, 0.4)]);
        assert_eq!(point.nearest(uv(0.2, 0.5)).unwrap().edge, (uv(0.2, 0.4), uv(0.2, 0.4)));
        assert!(Hull::<4>::of([]).nearest(uv(0.2, 0.4)).is_none());
    }
}

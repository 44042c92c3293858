//! Where labels go: near what they name, over nothing that matters, the same in every run.

/// An upright box on the page.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Box2 {
    /// Upper left corner.
    pub min: [f64; 2],
    /// Lower right corner.
    pub max: [f64; 2],
}

impl Box2 {
    /// A box round a point.
    #[must_use]
    pub fn round([x, y]: [f64; 2], [w, h]: [f64; 2]) -> Self {
        Self { min: [x - 0.5 * w, y - 0.5 * h], max: [x + 0.5 * w, y + 0.5 * h] }
    }

    /// The box round some points; empty and at the origin for none.
    #[must_use]
    pub fn of(points: &[[f64; 2]]) -> Self {
        let Some(first) = points.first() else { return Self { min: [0.0; 2], max: [0.0; 2] } };
        points.iter().fold(Self { min: *first, max: *first }, |b, p| Self {
            min: [0, 1].map(|i: usize| b.min[i].min(p[i])),
            max: [0, 1].map(|i: usize| b.max[i].max(p[i])),
        })
    }

    /// Its middle.
    #[must_use]
    pub fn middle(&self) -> [f64; 2] {
        [0, 1].map(|i: usize| 0.5 * (self.min[i] + self.max[i]))
    }

    /// Area that it shares with another, in square page units.
    #[must_use]
    pub fn shared(&self, other: &Self) -> f64 {
        let along = |i: usize| (self.max[i].min(other.max[i]) - self.min[i].max(other.min[i])).max(0.0);
        along(0) * along(1)
    }

    /// The point of it that is nearest to another point.
    #[must_use]
    pub fn nearest(&self, to: [f64; 2]) -> [f64; 2] {
        [0, 1].map(|i: usize| to[i].clamp(self.min[i], self.max[i]))
    }

    /// How far it is from another; 0 where they meet.
    fn apart(&self, other: &Self) -> f64 {
        let along = |i: usize| (self.min[i] - other.max[i]).max(other.min[i] - self.max[i]).max(0.0);
        along(0).hypot(along(1))
    }

    /// True for a wall: no more than a stroke wide.
    fn is_line(&self) -> bool {
        (self.max[0] - self.min[0]).min(self.max[1] - self.min[1]) < 10.0
    }

    fn area(&self) -> f64 {
        (self.max[0] - self.min[0]) * (self.max[1] - self.min[1])
    }
}

/// A label that wants a place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wanted {
    /// What it names: it stands beside this box, not on it.
    pub about: Box2,
    /// Its width and height.
    pub size: [f64; 2],
    /// Away from here, where it can choose: labels look outwards.
    pub away_from: [f64; 2],
}

/// Gap between a label and what it names, in page units, for each ring of places that is tried.
const GAPS: [f64; 6] = [3.0, 12.0, 26.0, 48.0, 76.0, 110.0];
/// Directions that are tried in each ring.
const WAYS: u32 = 16;
/// Rounds in which every label may move once more, the others standing.
const ROUNDS: usize = 4;

/// A place for each label inside `page`. `taken`: what should stay uncovered.
///
/// Each label takes the cheapest of 96 places: what it covers costs most, then distance, then looking
/// inwards. After the first round each may move again.
#[must_use]
pub fn placed(labels: &[Wanted], taken: &[Box2], page: &Box2) -> Vec<Box2> {
    let mut found: Vec<Option<Box2>> = vec![None; labels.len()];
    for _ in 0..ROUNDS {
        for (index, label) in labels.iter().enumerate() {
            let others: Vec<Box2> =
                found.iter().enumerate().filter(|(i, _)| *i != index).filter_map(|(_, b)| *b).collect();
            let mut best: Option<(f64, Box2)> = None;
            let rest: Vec<Box2> =
                labels.iter().enumerate().filter(|(i, _)| *i != index).map(|(_, l)| l.about).collect();
            for place in places(label) {
                let cost = cost(label, &place, taken, &others, page)
                    + confused(label.about.apart(&place), rest.iter().map(|r| r.apart(&place)));
                if best.is_none_or(|(least, _)| cost < least - 1e-9) {
                    best = Some((cost, place));
                }
            }
            found[index] = best.map(|(_, place)| place);
        }
    }
    found
        .into_iter()
        .zip(labels)
        .map(|(place, l)| place.unwrap_or(Box2::round(l.about.middle(), l.size)))
        .collect()
}

fn places(label: &Wanted) -> impl Iterator<Item = Box2> + use<'_> {
    let [x, y] = label.about.middle();
    let half = [0, 1].map(|i: usize| 0.5 * (label.about.max[i] - label.about.min[i] + label.size[i]));
    GAPS.iter().flat_map(move |gap| {
        (0..WAYS).map(move |way| {
            let (sin, cos) = (f64::from(way) * std::f64::consts::TAU / f64::from(WAYS)).sin_cos();
            // On the rim of the box round both, at this gap.
            let reach = ((half[0] + gap) / cos.abs().max(1e-9)).min((half[1] + gap) / sin.abs().max(1e-9));
            Box2::round([x + reach * cos, y + reach * sin], label.size)
        })
    })
}

/// Cost of standing nearly as close to what others name as to one's own: one reads it for theirs. `own` and `others` are distances.
fn confused(own: f64, others: impl Iterator<Item = f64>) -> f64 {
    others.map(|other| 0.1 * (own.min(40.0) + 8.0 - other).max(0.0)).sum()
}

fn cost(label: &Wanted, place: &Box2, taken: &[Box2], others: &[Box2], page: &Box2) -> f64 {
    let area = label.size[0] * label.size[1];
    let covered: f64 = taken.iter().map(|b| place.shared(b)).sum();
    // A line through a figure makes another figure of it.
    let struck = taken.iter().filter(|b| b.is_line() && place.shared(b) > 0.0).count();
    let clash: f64 = others.iter().map(|b| place.shared(b)).sum();
    let off_page = area - place.shared(page);
    let [x, y] = place.middle();
    let near = label.about.nearest([x, y]);
    let own = place.nearest(near);
    let far = (own[0] - near[0]).hypot(own[1] - near[1]);
    let [mx, my] = label.about.middle();
    let outwards = [mx - label.away_from[0], my - label.away_from[1]];
    let (long, turn) = (outwards[0].hypot(outwards[1]), (x - mx).hypot(y - my));
    let inwards = if long > 1e-9 && turn > 1e-9 {
        1.0 - (outwards[0] * (x - mx) + outwards[1] * (y - my)) / (long * turn)
    } else {
        0.0
    };
    40.0 * clash / area
        + 12.0 * covered / area
        + 3.0 * struck as f64
        + 200.0 * off_page / area
        + 0.03 * far
        + 0.25 * inwards
        + 1e-6 * place.area()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_of_things_in_one_spot_do_not_cover_each_other_or_the_things() {
        let page = Box2 { min: [0.0, 0.0], max: [600.0, 600.0] };
        let about = Box2::round([300.0, 300.0], [30.0, 20.0]);
        let labels = vec![Wanted { about, size: [90.0, 24.0], away_from: [300.0, 500.0] }; 8];
        let found = placed(&labels, &[about], &page);
        for (i, a) in found.iter().enumerate() {
            assert_eq!(a.shared(&about), 0.0);
            assert!((a.shared(&page) - 90.0 * 24.0).abs() < 1e-9);
            for b in &found[i + 1..] {
                assert_eq!(a.shared(b), 0.0, "{a:?} {b:?}");
            }
        }
        assert_eq!(found, placed(&labels, &[about], &page), "the same in every run");
    }
}

//! A ruler in stops: where a lamp's asked and sent light lie against the key.

/// The least that has a place, in stops to the key. Judgement: under it a lamp adds less than a sixtieth.
pub const LEAST: f64 = -6.0;
/// The most, in stops to the key.
pub const MOST: f64 = 2.0;
/// Asked and sent nearer than this are told as one, in stops. Judgement: what a meter shows.
const SAME: f64 = 0.1;
/// Stops from end to end.
const SPAN: u16 = 8;
/// Most columns for a stop: a longer way tells no more.
const WIDEST: u16 = 8;

/// A ruler of a width that has a whole number of columns for each stop.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ruler {
    per_stop: u16,
}

/// What stands in one column of a lamp's ruler.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    /// Nothing.
    Rail,
    /// A whole stop.
    Stop,
    /// The key's own light.
    Key,
    /// What is asked, where something else is sent.
    Asked,
    /// What is sent, or both.
    Sent,
    /// It lies farther down, or up.
    Below,
    /// It lies farther up.
    Above,
}

impl Mark {
    /// How it is drawn.
    #[must_use]
    pub const fn symbol(self) -> char {
        match self {
            Self::Rail => '·',
            Self::Stop => '┊',
            Self::Key => '│',
            Self::Asked => '○',
            Self::Sent => '●',
            Self::Below => '◂',
            Self::Above => '▸',
        }
    }
}

impl Ruler {
    /// The longest ruler that fits into `columns`; `None` under two columns for a stop.
    #[must_use]
    pub fn fitting(columns: u16) -> Option<Self> {
        let per_stop = (columns.saturating_sub(1) / SPAN).min(WIDEST);
        (per_stop >= 2).then_some(Self { per_stop })
    }

    /// Its columns.
    #[must_use]
    pub const fn width(self) -> u16 {
        self.per_stop * SPAN + 1
    }

    /// The column of a number of stops, from 0; `None`: it lies outside.
    #[must_use]
    pub fn column(self, stops: f64) -> Option<u16> {
        let column = ((stops - LEAST) * f64::from(self.per_stop)).round();
        (0.0..=f64::from(self.width() - 1)).contains(&column).then_some(column as u16)
    }

    /// A lamp's ruler, mark by mark; `None` for light that there is none of.
    #[must_use]
    pub fn marks(self, asked: Option<f64>, sent: Option<f64>) -> Vec<Mark> {
        let mut marks: Vec<Mark> = (0..self.width())
            .map(|column| match column {
                c if self.column(0.0) == Some(c) => Mark::Key,
                c if c % self.per_stop == 0 => Mark::Stop,
                _ => Mark::Rail,
            })
            .collect();
        let last = marks.len() - 1;
        // What is sent is drawn last: where both fall into one column it is as asked.
        let same = asked.zip(sent).is_some_and(|(asked, sent)| (asked - sent).abs() < SAME);
        for (stops, mark) in [(asked.filter(|_| !same), Mark::Asked), (sent, Mark::Sent)] {
            match stops.map(|s| (self.column(s), s)) {
                Some((Some(column), _)) => marks[usize::from(column)] = mark,
                Some((None, s)) if s < 0.0 => marks[0] = Mark::Below,
                Some((None, _)) => marks[last] = Mark::Above,
                None => {}
            }
        }
        marks
    }

    /// The figures over it: `-6`, `-4`, `-2`, `0` as `middle`, `+2`, each centred on its column as far as the ends
    /// allow.
    #[must_use]
    pub fn scale(self, middle: &str) -> String {
        let mut line = vec![' '; usize::from(self.width())];
        for (stops, label) in [(-6.0, "-6"), (-4.0, "-4"), (-2.0, "-2"), (0.0, middle), (2.0, "+2")] {
            let Some(column) = self.column(stops) else { continue };
            let width = label.chars().count();
            let from = (usize::from(column) + 1)
                .saturating_sub(width.div_ceil(2))
                .min(line.len().saturating_sub(width));
            for (place, letter) in line[from..].iter_mut().zip(label.chars()) {
                *place = letter;
            }
        }
        line.into_iter().collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drawn(marks: &[Mark]) -> String {
        marks.iter().map(|m| m.symbol()).collect()
    }

    #[test]
    fn each_stop_has_the_same_columns_and_the_key_is_three_quarters_along() {
        for columns in 17..120 {
            let ruler = Ruler::fitting(columns).expect("room");
            assert!(ruler.width() <= columns);
            let column = |s: f64| ruler.column(s).expect("on it");
            assert_eq!((column(LEAST), column(MOST)), (0, ruler.width() - 1));
            assert_eq!(column(0.0) * 8, (ruler.width() - 1) * 6);
        }
        assert_eq!(Ruler::fitting(16), None);
    }

    #[test]
    fn what_is_sent_as_asked_has_one_mark_and_what_is_not_has_two() {
        let ruler = Ruler::fitting(17).expect("room");
        assert_eq!(drawn(&ruler.marks(None, None)), "┊·┊·┊·┊·┊·┊·│·┊·┊");
        assert_eq!(drawn(&ruler.marks(Some(-2.0), Some(-2.1))), "┊·┊·┊·┊·●·┊·│·┊·┊");
        let fine = Ruler::fitting(65).expect("room");
        assert!(!drawn(&fine.marks(Some(-0.46), Some(-0.54))).contains('○'), "less than a meter shows");
        assert_eq!(drawn(&ruler.marks(Some(0.0), Some(-1.0))), "┊·┊·┊·┊·┊·●·○·┊·┊");
        assert_eq!(drawn(&ruler.marks(Some(1.0), None)), "┊·┊·┊·┊·┊·┊·│·○·┊");
    }

    #[test]
    fn light_off_the_ruler_is_told_at_its_ends() {
        let ruler = Ruler::fitting(17).expect("room");
        assert!(drawn(&ruler.marks(Some(-9.0), Some(-9.0))).starts_with('◂'));
        assert!(drawn(&ruler.marks(Some(3.0), Some(3.0))).ends_with('▸'));
        assert_eq!(ruler.scale("key"), "-6  -4  -2 key +2");
    }
}

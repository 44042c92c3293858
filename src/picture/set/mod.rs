//! The set from above and from the side, to scale, with a legend in words.
//!
//! Plain geometry of our own: a bar is a lit front, a wedge is a beam, a circle with a number is a lamp. What is said
//! in colour is said in words and numbers too. It draws where the plan puts things, not how they look.

mod facts;
mod grid;
mod legend;
mod map;
mod room;
mod said;
mod shapes;
mod view;
pub mod words;

use super::drawing::{Anchor, Drawing, Ink, Text, Weight};
use crate::plan::{LookId, Plan};

pub use facts::{Lamp, Lit};
pub use said::{LampSaid, Said, said};
pub use view::{above, above_lit, side};

/// Width of a page of the set in page units.
pub const PAGE: f64 = 780.0;
/// White space round a page.
const MARGIN: f64 = 26.0;
/// Greatest height of the view from above, in page units.
const ABOVE_MOST: f64 = 860.0;
/// Greatest height of the view from the side.
const SIDE_MOST: f64 = 470.0;

/// Colours of a page. Greys, so that a copy in black and white says the same.
mod inks {
    use crate::picture::Ink;

    pub const PAPER: Ink = Ink::hex(0x00ff_ffff);
    pub const FLOOR: Ink = Ink::hex(0x00d4_d4cf);
    pub const OUTSIDE: Ink = Ink::hex(0x00f3_f3f0);
    pub const GRID: Ink = Ink::hex(0x00b9_b9b3);
    pub const WALL: Ink = Ink::hex(0x0042_4246);
    pub const DARK: Ink = Ink::hex(0x001c_1c20);
    pub const SOFT: Ink = Ink::hex(0x005a_5a60);
    pub const WHITE: Ink = Ink::hex(0x00ff_ffff);
    pub const UNLIT: Ink = Ink::hex(0x00a6_a6a2);
    pub const SKIN: Ink = Ink::hex(0x00f6_f4ef);
    pub const CLOTH: Ink = Ink::hex(0x008d_8d92);
}

/// How lengths are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Lengths {
    /// `1.60 m`.
    #[default]
    Metres,
    /// `5 ft 3 in`.
    Feet,
}

impl Lengths {
    /// A length for a person, to a centimetre or an inch.
    #[must_use]
    pub fn said(self, metres: f64) -> String {
        match self {
            Self::Metres => format!("{metres:.2} m"),
            Self::Feet => {
                let sign = if metres < 0.0 { "-" } else { "" };
                match crate::words::feet_and_inches(metres) {
                    (0, inches) => format!("{sign}{inches} in"),
                    (feet, 0) => format!("{sign}{feet} ft"),
                    (feet, inches) => format!("{sign}{feet} ft {inches} in"),
                }
            }
        }
    }
}

/// What of a plan is drawn, and how.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct View {
    /// With the light of this look; `None`: where things stand, nothing lit.
    pub look: Option<LookId>,
    /// How lengths are written.
    pub lengths: Lengths,
    /// A face is protected: numbers stand for names.
    pub hidden: bool,
}

/// The whole page: both views, and every lamp in words.
#[must_use]
pub fn page(plan: &Plan, view: &View) -> Drawing {
    let (mut page, words) = pages(plan, view);
    let y = page.height - MARGIN;
    page.put(&words, [0.0, y - MARGIN]);
    page.height = y - MARGIN + words.height;
    page
}

/// The same as two pages, each with letters that are read on A4: both views, and the words.
#[must_use]
pub fn pages(plan: &Plan, view: &View) -> (Drawing, Drawing) {
    let lamps = facts::lamps(plan, view);
    let wide = PAGE - 2.0 * MARGIN;
    let (above, side) = (
        view::above_of(plan, view, &lamps, wide, ABOVE_MOST),
        view::side_of(plan, view, &lamps, wide, SIDE_MOST),
    );
    let legend = legend::legend(&said::of_lamps(plan, view, &lamps), wide);
    let names = facts::Names { plan, hidden: view.hidden };
    let (set, look) = (names.set(), view.look.map(|l| names.look(l)));
    let title = look.as_ref().map_or_else(|| set.clone(), |look| format!("{set}: {look}"));
    let mut page = Drawing::new(PAGE, 0.0, inks::PAPER, &format!("The set of {title}"));
    let mut y = MARGIN;
    let heading = |page: &mut Drawing, y: f64, said: &str, size: f64, weight: Weight, ink: Ink| {
        let at = [MARGIN, y + size];
        page.text(Text { at, said: said.to_owned(), size, weight, anchor: Anchor::Start, ink, halo: None });
    };
    heading(&mut page, y, &title, 34.0, Weight::Bold, inks::DARK);
    y += 48.0;
    if let Some(about) = names.about(view) {
        for line in super::font::lines(&about, 20.0, Weight::Regular, wide) {
            heading(&mut page, y, &line, 20.0, Weight::Regular, inks::SOFT);
            y += 27.0;
        }
    }
    y += 12.0;
    for (said, drawing) in [
        ("From above. The camera stands at 6 on the subject's clock.", &above),
        ("From the side, as seen from camera right.", &side),
    ] {
        heading(&mut page, y, said, 20.0, Weight::Bold, inks::DARK);
        y += 30.0;
        page.put(drawing, [MARGIN, y]);
        y += drawing.height + 22.0;
    }
    page.height = y + MARGIN;
    let high = (legend.height + 2.0 * MARGIN).ceil();
    let mut words = Drawing::new(PAGE, high, inks::PAPER, &format!("The set of {title} in words"));
    words.put(&legend, [MARGIN, MARGIN]);
    (page, words)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: 1 ft = 0.3048 m exactly, 12 in a foot.
    #[test]
    fn lengths_are_said_in_metres_or_in_feet_and_inches() {
        assert_eq!(Lengths::Metres.said(1.6), "1.60 m");
        assert_eq!(
            [0.3048, 1.6, -0.05, 1.8288].map(|m| Lengths::Feet.said(m)),
            ["1 ft", "5 ft 3 in", "-2 in", "6 ft"]
        );
    }
}

//! A drawing: shapes and words on a page, before anybody has decided on a file format.
//!
//! One list of items serves both ways out, so that SVG and PNG cannot differ.

use std::sync::Arc;

/// An opaque or see-through colour: sRGB, 0 to 255, and opacity, 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ink {
    /// Red, green, blue.
    pub rgb: [u8; 3],
    /// 0 is invisible, 1 covers what is under it.
    pub opacity: f64,
}

impl Ink {
    /// An opaque colour, as in `0xRRGGBB`.
    #[must_use]
    pub const fn hex(rgb: u32) -> Self {
        let [_, r, g, b] = rgb.to_be_bytes();
        Self { rgb: [r, g, b], opacity: 1.0 }
    }

    /// The same colour, covering less.
    #[must_use]
    pub const fn faint(self, opacity: f64) -> Self {
        Self { opacity, ..self }
    }
}

/// How a line is drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stroke {
    /// Its colour.
    pub ink: Ink,
    /// Its width in page units.
    pub width: f64,
    /// Lengths of dash and gap in page units; `None` is a whole line.
    pub dash: Option<(f64, f64)>,
}

impl Stroke {
    /// A whole line.
    #[must_use]
    pub const fn new(ink: Ink, width: f64) -> Self {
        Self { ink, width, dash: None }
    }

    /// The same line, dashed.
    #[must_use]
    pub const fn dashed(self, dash: f64, gap: f64) -> Self {
        Self { dash: Some((dash, gap)), ..self }
    }
}

/// One step of an outline, in page units: x to the right, y down.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Step {
    /// Begin here.
    Move([f64; 2]),
    /// Straight on to here.
    Line([f64; 2]),
    /// A cubic curve by two control points to the third.
    Curve([f64; 2], [f64; 2], [f64; 2]),
    /// Back to where this part began.
    Close,
}

/// An outline.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Path(pub Vec<Step>);

/// How far a quarter circle's control points lie from its ends, in radii. Source: the usual cubic
/// approximation, 4/3 (sqrt 2 - 1), 0.03 % off a circle.
const ROUND: f64 = 0.552_284_749_830_793_4;

impl Path {
    /// Straight lines from point to point; `closed` back to the first.
    #[must_use]
    pub fn along(points: &[[f64; 2]], closed: bool) -> Self {
        let mut steps: Vec<Step> = points
            .iter()
            .enumerate()
            .map(|(i, p)| if i == 0 { Step::Move(*p) } else { Step::Line(*p) })
            .collect();
        if closed {
            steps.push(Step::Close);
        }
        Self(steps)
    }

    /// A circle.
    #[must_use]
    pub fn circle([x, y]: [f64; 2], radius: f64) -> Self {
        Self::ellipse([x, y], [radius, 0.0], [0.0, radius])
    }

    /// An ellipse by its two half axes as vectors.
    #[must_use]
    pub fn ellipse([x, y]: [f64; 2], a: [f64; 2], b: [f64; 2]) -> Self {
        let at = |u: f64, v: f64| [x + u * a[0] + v * b[0], y + u * a[1] + v * b[1]];
        let k = ROUND;
        Self(vec![
            Step::Move(at(1.0, 0.0)),
            Step::Curve(at(1.0, k), at(k, 1.0), at(0.0, 1.0)),
            Step::Curve(at(-k, 1.0), at(-1.0, k), at(-1.0, 0.0)),
            Step::Curve(at(-1.0, -k), at(-k, -1.0), at(0.0, -1.0)),
            Step::Curve(at(k, -1.0), at(1.0, -k), at(1.0, 0.0)),
            Step::Close,
        ])
    }

    /// An upright rectangle by its upper left corner and its size.
    #[must_use]
    pub fn rect([x, y]: [f64; 2], [w, h]: [f64; 2]) -> Self {
        Self::along(&[[x, y], [x + w, y], [x + w, y + h], [x, y + h]], true)
    }
}

/// Which end of a line of text its place is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// Its beginning.
    Start,
    /// Its middle.
    Middle,
    /// Its end.
    End,
}

/// How heavy a text is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weight {
    /// As books are.
    Regular,
    /// Bold.
    Bold,
}

/// One line of text.
#[derive(Debug, Clone, PartialEq)]
pub struct Text {
    /// Where its base line is, at the end that `anchor` says.
    pub at: [f64; 2],
    /// What it says; one line, no control characters.
    pub said: String,
    /// Height of an em in page units.
    pub size: f64,
    /// How heavy.
    pub weight: Weight,
    /// Which end `at` is.
    pub anchor: Anchor,
    /// Its colour.
    pub ink: Ink,
    /// A rim of this colour, so wide, that keeps it readable over lines.
    pub halo: Option<(Ink, f64)>,
}

/// One thing on the page; later ones cover earlier ones.
#[derive(Debug, Clone, PartialEq)]
pub enum Item {
    /// An outline, filled, drawn along, or both.
    Shape {
        /// The outline.
        path: Path,
        /// What fills it.
        fill: Option<Ink>,
        /// What runs along it.
        stroke: Option<Stroke>,
    },
    /// Words.
    Words(Text),
    /// A picture, its upper left corner and its size on the page.
    Picture {
        /// The picture.
        pixels: Arc<Pixels>,
        /// Upper left corner.
        at: [f64; 2],
        /// Width and height on the page.
        size: [f64; 2],
        /// What it shows, for those who cannot see it.
        said: String,
    },
}

/// A page.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawing {
    /// Width in page units; one is a pixel at scale 1.
    pub width: f64,
    /// Height in page units.
    pub height: f64,
    /// What it is, in a line.
    pub title: String,
    /// The colour of the page.
    pub paper: Ink,
    /// What is on it, in order.
    pub items: Vec<Item>,
}

impl Drawing {
    /// An empty page.
    #[must_use]
    pub fn new(width: f64, height: f64, paper: Ink, title: &str) -> Self {
        Self { width, height, title: title.to_owned(), paper, items: Vec::new() }
    }

    /// Adds an outline.
    pub fn shape(&mut self, path: Path, fill: Option<Ink>, stroke: Option<Stroke>) {
        self.items.push(Item::Shape { path, fill, stroke });
    }

    /// Adds a straight line.
    pub fn line(&mut self, from: [f64; 2], to: [f64; 2], stroke: Stroke) {
        self.shape(Path::along(&[from, to], false), None, Some(stroke));
    }

    /// Adds a line of text.
    pub fn text(&mut self, text: Text) {
        self.items.push(Item::Words(text));
    }

    /// Puts another drawing on this one, its upper left corner at `at`.
    pub fn put(&mut self, other: &Self, at: [f64; 2]) {
        let moved = |p: [f64; 2]| [p[0] + at[0], p[1] + at[1]];
        self.items.extend(other.items.iter().cloned().map(|item| match item {
            Item::Shape { path, fill, stroke } => {
                let steps = path.0.into_iter().map(|step| match step {
                    Step::Move(p) => Step::Move(moved(p)),
                    Step::Line(p) => Step::Line(moved(p)),
                    Step::Curve(a, b, c) => Step::Curve(moved(a), moved(b), moved(c)),
                    Step::Close => Step::Close,
                });
                Item::Shape { path: Path(steps.collect()), fill, stroke }
            }
            Item::Words(text) => Item::Words(Text { at: moved(text.at), ..text }),
            Item::Picture { pixels, at, size, said } => Item::Picture { pixels, at: moved(at), size, said },
        }));
    }
}

/// A finished picture: rows from the top, three bytes a pixel, sRGB.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pixels {
    /// Pixels a row.
    pub width: u32,
    /// Rows.
    pub height: u32,
    /// Red, green, blue; `3 * width * height` of them.
    pub rgb: Vec<u8>,
}

impl Pixels {
    /// The three bytes of one pixel; black outside of the picture.
    #[must_use]
    pub fn at(&self, x: u32, y: u32) -> [u8; 3] {
        let index = 3 * (y as usize * self.width as usize + x as usize);
        match self.rgb.get(index..index + 3) {
            Some(&[r, g, b]) if x < self.width => [r, g, b],
            _ => [0; 3],
        }
    }
}

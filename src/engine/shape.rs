//! The way of one lamp's mix from shape to shape, for lamps that prefer `rendering`.
//!
//! It runs beside the fade of light and colour: at each moment the lamp takes the mix nearest to the
//! blend, so it may be late or come to nothing without a change of light or colour.

use crate::light::Shape;
use crate::units::FrameNumber;

/// Frames over which a mix that was found late is led in, for each frame of a second. Judgement: light and
/// colour stand while it moves, so nothing is to be seen; this keeps emitters from jumping.
pub(super) const LATE_SHARE_OF_SECOND: f64 = 0.5;

/// A shape on its way to another.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct ShapeFade {
    pub from: Shape,
    pub to: Shape,
    pub start: FrameNumber,
    /// Frames that it takes.
    pub frames: u64,
    /// True while `to` only stands in for a shape that has not been searched for yet.
    pub wanted: bool,
}

impl ShapeFade {
    /// The shape at frame `n`.
    pub fn at(&self, n: FrameNumber) -> Shape {
        if self.over(n) {
            return self.to;
        }
        let progress = n.saturating_sub(self.start) as f64 / self.frames.max(1) as f64;
        self.from.towards(&self.to, progress)
    }

    /// True if the shape stands from frame `n` on.
    pub fn over(&self, n: FrameNumber) -> bool {
        n >= self.start + self.frames
    }

    /// The shape that was wanted has been found at frame `n`: it is led in until the fade's own end, or over
    /// `least` frames.
    pub fn found(&mut self, shape: Shape, n: FrameNumber, least: u64) {
        let end = (self.start + self.frames).max(n + least);
        // A fade that has not begun has gone nowhere yet.
        if n > self.start {
            *self = Self { from: self.at(n), start: n, frames: end - n, ..*self };
        }
        (self.to, self.wanted) = (shape, false);
    }
}

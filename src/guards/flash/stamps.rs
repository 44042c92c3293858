//! The newest few changes of a counter, each by the frame at which its end was reached.

use crate::units::FrameNumber;

/// The frames of the newest `N` changes. No more are needed: with `N` of them inside a second nothing may
/// be added.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Stamps<const N: usize> {
    /// Oldest first; only the last `len` count.
    frames: [FrameNumber; N],
    len: usize,
}

impl<const N: usize> Stamps<N> {
    /// None yet.
    pub const NONE: Self = Self { frames: [0; N], len: 0 };

    /// As many as can be, all at `now`: what is taken where the past is not known.
    pub fn full(now: FrameNumber) -> Self {
        Self { frames: [now; N], len: N }
    }

    /// A new change ends at `now`.
    pub fn push(&mut self, now: FrameNumber) {
        self.frames.rotate_left(1);
        self.len = (self.len + 1).min(N);
        if let Some(last) = self.frames.last_mut() {
            *last = now;
        }
    }

    /// The newest change goes on: it ends at `now` instead.
    pub fn extend(&mut self, now: FrameNumber) {
        if let Some(last) = self.frames.last_mut().filter(|_| self.len > 0) {
            *last = now;
        }
    }

    /// Changes in the `window` frames that end with `now`, `N` at most.
    pub fn within(&self, now: FrameNumber, window: u64) -> usize {
        self.frames[N - self.len..].iter().filter(|frame| now < **frame + window).count()
    }

    /// If `most` changes (1 to `N`) lie in the `window` frames that end with `now`: the first frame at which
    /// one of them has left.
    pub fn full_until(&self, most: usize, now: FrameNumber, window: u64) -> Option<FrameNumber> {
        let free = self.frames.get(N.checked_sub(most)?)? + window;
        (self.len >= most && now < free).then_some(free)
    }
}

//! Values under the range in which a lamp's light is clean.

use super::curve;
use crate::plan::{Channel, Drives, Fixture};

/// A lit channel whose value lies under its clean range.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Unclean {
    /// Index of the channel in the mode.
    pub channel: usize,
    /// The value sent.
    pub value: u16,
    /// Least clean value.
    pub clean_from: u16,
}

/// The channel of `slots` (the lamp's footprint) that is farthest under its clean range, if one is.
#[must_use]
pub fn unclean(fixture: &Fixture, slots: &[u8]) -> Option<Unclean> {
    let found = fixture.mode.channels.iter().enumerate().filter_map(|(index, channel)| {
        let light = matches!(channel.drives, Drives::Intensity | Drives::Emitter(_));
        let value = value_in(channel, slots)?;
        let clean_from = curve::clean_value(&channel.curve, channel.bits);
        let lit = curve::of_value(&channel.curve, channel.bits, value) > 0.0;
        (light && lit && value < clean_from).then_some(Unclean { channel: index, value, clean_from })
    });
    found.max_by_key(|u| u.clean_from - u.value)
}

/// The value of a channel in its lamp's slots; `None` where they are too few.
#[must_use]
pub fn value_in(channel: &Channel, slots: &[u8]) -> Option<u16> {
    let at = usize::from(channel.offset);
    let bytes = slots.get(at..at + usize::from(channel.bits.slots()))?;
    Some(bytes.iter().fold(0, |value, byte| value << 8 | u16::from(*byte)))
}

//! What a guard did, and why.

use crate::plan::FixtureId;

/// Why a lamp shows less than, or other than, it was asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Limit {
    /// The lamp has not so much light at that colour.
    Reach,
    /// The lamp cannot give that colour.
    Colour,
    /// The plan's or the profile's ceiling.
    Ceiling,
    /// Under the least light that the lamp may show: sent zero.
    Floor,
    /// Its greatest rise a second; it gets there later.
    Rise,
    /// Its heat is not known, and the output is real: half its electrical power.
    HeatUnknown,
    /// Its body, or that of another white lamp of the look, is estimated to come to its limit.
    Heat,
    /// A person said that it is not here.
    Absent,
    /// Its circuit's breaker, or its battery's greatest power, shared out over the lamps on it.
    Circuit,
    /// One flash too many in a second at a face or a wall; it goes on in a moment.
    Flash,
    /// It reaches a face that is protected.
    Protect,
    /// It may have been dark, so it comes up softly.
    SoftStart,
}

impl Limit {
    /// Stable word for status and logs.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Reach => "reach",
            Self::Colour => "colour",
            Self::Ceiling => "ceiling",
            Self::Floor => "floor",
            Self::Rise => "rise",
            Self::HeatUnknown => "heat-unknown",
            Self::Heat => "heat",
            Self::Absent => "absent",
            Self::Circuit => "circuit",
            Self::Flash => "flash",
            Self::Protect => "protect",
            Self::SoftStart => "soft-start",
        }
    }

    const ALL: [Self; 12] = [
        Self::Reach,
        Self::Colour,
        Self::Ceiling,
        Self::Floor,
        Self::Rise,
        Self::HeatUnknown,
        Self::Heat,
        Self::Absent,
        Self::Circuit,
        Self::Flash,
        Self::Protect,
        Self::SoftStart,
    ];
}

/// A few limits at once; no allocation, since one is made for each lamp and frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct LimitSet(u16);

impl LimitSet {
    /// None.
    pub const NONE: Self = Self(0);

    /// This set with `limit`.
    #[must_use]
    pub const fn with(self, limit: Limit) -> Self {
        Self(self.0 | 1 << limit as u8)
    }

    /// True if `limit` is in it.
    #[must_use]
    pub const fn has(self, limit: Limit) -> bool {
        self.0 & (1 << limit as u8) != 0
    }

    /// The limits in it.
    pub fn iter(self) -> impl Iterator<Item = Limit> {
        Limit::ALL.into_iter().filter(move |l| self.has(*l))
    }
}

/// A guard that has begun or ceased to hold a lamp.
#[derive(Debug, Clone, PartialEq)]
pub struct Intervention {
    /// The lamp.
    pub fixture: FixtureId,
    /// Which limit.
    pub limit: Limit,
    /// True when it begins, false when it ends.
    pub begins: bool,
}

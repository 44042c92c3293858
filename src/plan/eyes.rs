//! What a lamp's light may do to eyes, as far as somebody stated it.

/// Risk group of a lamp by its photobiological hazard. Source: IEC 62471:2006, 6.1 (clause from memory);
/// the times in [`Self::caution`] are as the summary of IEC TR 62778 gives them for blue light.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum RiskGroup {
    /// No hazard: over 10 000 s.
    Exempt,
    /// Low: over 100 s.
    Low,
    /// Moderate: over 0.25 s; looking away by reflex protects.
    Moderate,
    /// High: at once.
    High,
}

impl RiskGroup {
    /// The word for it in plans: `RG0` to `RG3`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Exempt => "RG0",
            Self::Low => "RG1",
            Self::Moderate => "RG2",
            Self::High => "RG3",
        }
    }

    /// What people at the lamp are to be told; `None` where nothing is.
    #[must_use]
    pub const fn caution(self) -> Option<&'static str> {
        match self {
            Self::Exempt | Self::Low => None,
            Self::Moderate => Some("do not stare into it"),
            Self::High => Some("do not look into it at all: not a lamp to sit in front of"),
        }
    }
}

/// What is known of a lamp for eyes.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Eyes {
    /// Its risk group; `None`: unknown, so nobody should stare into it.
    pub risk_group: Option<RiskGroup>,
    /// The least distance from its lit front to a face, in metres.
    pub least_distance_m: Option<f64>,
}

impl Eyes {
    /// These figures over others: what is stated here holds.
    #[must_use]
    pub fn over(self, other: Self) -> Self {
        Self {
            risk_group: self.risk_group.or(other.risk_group),
            least_distance_m: self.least_distance_m.or(other.least_distance_m),
        }
    }
}

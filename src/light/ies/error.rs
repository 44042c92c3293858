//! What keeps a text from being an LM-63 file.

use super::{LONGEST, MOST_ANGLES};
use crate::words::{self, number};

/// Why a text is no LM-63 file that can be used, with its line.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("line {line}: {fault}")]
pub struct IesError {
    /// The line, from 1.
    pub line: usize,
    /// What is wrong there.
    pub fault: IesFault,
}

/// What can be wrong with an LM-63 file.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum IesFault {
    /// More than [`LONGEST`] bytes.
    #[error("the file has {0} bytes; at most {LONGEST} are read")]
    TooLong(usize),
    /// The first line names a form of the standard that is not known.
    #[error("`{}` names no known form of LM-63", words::short(.0))]
    Form(String),
    /// No line begins with `TILT=`.
    #[error("the file ends without a line `TILT=`")]
    NoTilt,
    /// `TILT=` names a file, or nothing.
    #[error("`TILT={}`; only TILT=NONE and TILT=INCLUDE are read", words::short(.0))]
    Tilt(String),
    /// The file ends before this number.
    #[error("the file ends where {0} should stand")]
    Ends(What),
    /// No number, or none that is finite.
    #[error("{what}: `{}` is no number", words::short(.found))]
    NotANumber {
        /// What should stand there.
        what: What,
        /// What does.
        found: String,
    },
    /// Two commas with nothing between.
    #[error("nothing stands between two commas")]
    Commas,
    /// A number outside of what is allowed.
    #[error("{what} is {}, allowed is {allowed}", number(*.found))]
    OutOfRange {
        /// What stands there.
        what: What,
        /// Its value.
        found: f64,
        /// What would do.
        allowed: &'static str,
    },
    /// Type A or type B photometry.
    #[error("photometric type {0}; only type C (1) is read")]
    Type(char),
    /// Angles that do not rise.
    #[error("{what}: {} follows {}; they must rise", number(*.found), number(*.before))]
    Order {
        /// Which angles.
        what: What,
        /// The angle.
        found: f64,
        /// The one before it.
        before: f64,
    },
    /// Horizontal angles that stand for no known symmetry.
    #[error(
        "horizontal angles from {} to {}; allowed are 0 alone, 0 to 90, 0 to 180, 90 to 270, and 0 to above 180",
        number(*.first),
        number(*.last)
    )]
    Turn {
        /// The first.
        first: f64,
        /// The last.
        last: f64,
    },
    /// Something stands after the last candela value.
    #[error("`{}` follows the last candela value that the counts announce", words::short(.0))]
    More(String),
}

/// The numbers of an LM-63 file by name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[expect(missing_docs, reason = "the names are the standard's")]
pub enum What {
    TiltGeometry,
    TiltCount,
    TiltAngle,
    TiltFactor,
    Lamps,
    Lumens,
    Multiplier,
    VerticalCount,
    HorizontalCount,
    PhotometricType,
    Units,
    Size,
    BallastFactor,
    BallastLampFactor,
    Watts,
    VerticalAngle,
    HorizontalAngle,
    Candela,
}

impl std::fmt::Display for What {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::TiltGeometry => "lamp-to-luminaire geometry",
            Self::TiltCount => "number of tilt angles",
            Self::TiltAngle => "tilt angle",
            Self::TiltFactor => "tilt factor",
            Self::Lamps => "number of lamps",
            Self::Lumens => "lumens per lamp",
            Self::Multiplier => "candela multiplier",
            Self::VerticalCount => "number of vertical angles",
            Self::HorizontalCount => "number of horizontal angles",
            Self::PhotometricType => "photometric type",
            Self::Units => "units type",
            Self::Size => "size of the luminous opening",
            Self::BallastFactor => "ballast factor",
            Self::BallastLampFactor => "ballast-lamp photometric factor",
            Self::Watts => "input watts",
            Self::VerticalAngle => "vertical angle",
            Self::HorizontalAngle => "horizontal angle",
            Self::Candela => "candela value",
        })
    }
}

impl IesError {
    /// One next step.
    #[must_use]
    pub fn hint(&self) -> String {
        String::from(match &self.fault {
            IesFault::TooLong(_) => "check that it is the right file; most have some kilobytes",
            IesFault::Form(_) => {
                "known are IESNA91, IESNA:LM-63-1995, IESNA:LM-63-2002, IES:LM-63-2019 and no such line"
            }
            IesFault::NoTilt => "check that it is an LM-63 file (.ies), saved whole",
            IesFault::Tilt(_) => {
                "write TILT=NONE if the lamp does not mind how it hangs, else TILT=INCLUDE with the tilt file's \
                 lines after it"
            }
            IesFault::Type(_) => "ask the maker for a file of type C",
            IesFault::OutOfRange { what: What::VerticalCount | What::HorizontalCount, .. } => {
                return format!("keep to {MOST_ANGLES} angles; a step of a degree is plenty");
            }
            IesFault::Ends(_) | IesFault::More(_) => {
                "compare the two numbers of angles in the file with the angles and values that follow"
            }
            IesFault::NotANumber { .. } | IesFault::Commas => {
                "numbers stand apart by blanks, line ends or one comma; take the maker's file as it came"
            }
            IesFault::OutOfRange { .. } | IesFault::Order { .. } | IesFault::Turn { .. } => {
                "take the maker's file as it came, or ask for one that keeps to LM-63"
            }
        })
    }
}

//! What a person calls a take: slate and take (`4/3`), or its log number (`n12`), which never repeats.

use std::fmt;
use std::str::FromStr;

/// A take's name as typed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum TakeName {
    /// Slate and take; a slate that began anew has several of one name.
    Slate {
        /// The slate.
        slate: String,
        /// The take, from 1.
        take: u32,
    },
    /// Its log number.
    Number {
        /// From 1.
        number: u64,
        /// The first digits of the log that it comes from, where that is another machine's: `n12@7f3a`.
        origin: Option<String>,
    },
}

/// What is no take's name.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is no take: write slate and take, such as 4/3, or its log number, such as n12")]
pub struct WrongTakeName(pub String);

impl FromStr for TakeName {
    type Err = WrongTakeName;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let wrong = || WrongTakeName(crate::words::short(text));
        let number = |digits: &str| -> Option<u64> {
            let plain =
                !digits.is_empty() && digits.len() <= 18 && digits.bytes().all(|b| b.is_ascii_digit());
            plain.then(|| digits.parse().ok()).flatten().filter(|n| *n > 0)
        };
        if let Some((slate, take)) = text.split_once('/') {
            let good = (1..=20).contains(&slate.len())
                && slate.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-');
            let take = number(take).and_then(|take| u32::try_from(take).ok());
            return match take.filter(|_| good) {
                Some(take) => Ok(Self::Slate { slate: slate.to_owned(), take }),
                None => Err(wrong()),
            };
        }
        let rest = text.strip_prefix('n').ok_or_else(wrong)?;
        let (digits, origin) = rest.split_once('@').map_or((rest, None), |(n, at)| (n, Some(at)));
        let hex = |at: &&str| {
            (4..=16).contains(&at.len()) && at.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'))
        };
        if origin.is_some_and(|at| !hex(&at)) {
            return Err(wrong());
        }
        let number = number(digits).ok_or_else(wrong)?;
        Ok(Self::Number { number, origin: origin.map(str::to_owned) })
    }
}

impl fmt::Display for TakeName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Slate { slate, take } => write!(f, "{slate}/{take}"),
            Self::Number { number, origin: None } => write!(f, "n{number}"),
            Self::Number { number, origin: Some(origin) } => write!(f, "n{number}@{origin}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slate_and_take_and_log_number_are_told_apart() {
        for text in ["4/3", "27A/1", "n12", "n12@7f3a", "n/2"] {
            assert_eq!(text.parse::<TakeName>().map(|n| n.to_string()), Ok(text.to_owned()));
        }
        assert_eq!("n12".parse(), Ok(TakeName::Number { number: 12, origin: None }));
    }

    #[test]
    fn anything_else_is_refused_with_what_is_allowed() {
        for text in
            ["", "4", "4/", "/3", "4/0", "4/x", "n", "n0", "n-1", "n12@", "n12@xyzw", "é/1", "4/99999999999"]
        {
            assert!(text.parse::<TakeName>().is_err(), "{text}");
        }
        let said = "four".parse::<TakeName>().unwrap_err().to_string();
        assert_eq!(
            said,
            "`four` is no take: write slate and take, such as 4/3, or its log number, such as n12"
        );
    }
}

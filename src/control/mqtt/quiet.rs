//! How often the log tells of the same kind of refusal: at once, and then once a minute with a count. Pure.

use std::collections::BTreeMap;
use std::time::Duration;

/// Least time between two lines of one kind.
const APART: Duration = Duration::from_secs(60);

/// What has been told of each kind. Kinds are words of our own, so that there are few.
#[derive(Debug, Default)]
pub(super) struct Quiet {
    told: BTreeMap<&'static str, (Duration, u64)>,
}

impl Quiet {
    /// How many were passed over since the last line, where this one is to be told; `None` where it is not.
    pub(super) fn tells(&mut self, kind: &'static str, at: Duration) -> Option<u64> {
        match self.told.get_mut(kind) {
            Some((last, passed)) if at < *last + APART => {
                *passed += 1;
                None
            }
            Some(entry) => {
                let passed = entry.1;
                *entry = (at, 0);
                Some(passed)
            }
            None => {
                self.told.insert(kind, (at, 0));
                Some(0)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flood_of_one_kind_is_a_line_a_minute_and_hides_no_other_kind() {
        let mut quiet = Quiet::default();
        let lines: Vec<_> =
            (0..180_000_u64).filter_map(|ms| quiet.tells("busy", Duration::from_millis(ms))).collect();
        assert_eq!(lines, [0, 59_999, 59_999]);
        assert_eq!(quiet.tells("retained", Duration::from_secs(180)), Some(0));
    }
}

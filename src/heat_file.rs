//! The heat of a set's bodies between two starts: what stands in `heat.json`, and how long ago it was.
//!
//! Text and arithmetic alone; the daemon reads the file, the files thread writes it. What cannot be read
//! counts as unknown, and unknown is hot.

use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::clock::{Clock, SystemClock};
use crate::engine::{HeatStart, KeptBody};

/// The file in a set's state folder.
pub const NAME: &str = "heat.json";
/// Longest text that is taken, in bytes: some hundred bodies have a tenth of it.
pub const LONGEST: u64 = 1_000_000;
/// Layout of the file.
const VERSION: u32 = 1;
/// Before this the wall clock was never set. Judgement: this program is no older.
const CLOCK_SET_AFTER: &str = "2026-01-01T00:00:00Z";

/// When something happens, by both clocks.
#[derive(Debug, Clone, PartialEq)]
pub struct When {
    /// Wall time.
    pub wall: jiff::Timestamp,
    /// Random id of the boot; empty where it is not known.
    pub boot_id: String,
    /// Time since that boot, suspension included.
    pub since_boot: Duration,
}

impl When {
    /// Now, by the machine's clocks.
    #[must_use]
    pub fn now(clock: SystemClock, boot_id: &str) -> Self {
        Self { wall: clock.wall(), boot_id: boot_id.to_owned(), since_boot: clock.since_boot() }
    }
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Kept {
    version: u32,
    /// RFC 3339, UTC.
    written: String,
    boot_id: String,
    since_boot_s: f64,
    bodies: Vec<KeptBody>,
}

/// Why a file cannot be taken.
#[derive(Debug, thiserror::Error)]
pub enum HeatFileError {
    /// Not this layout at all.
    #[error("it is not what lampkeep writes: {0}")]
    Shape(#[from] serde_json::Error),
    /// Of another version.
    #[error("it is of version {0}, this lampkeep reads {VERSION}")]
    Version(u32),
    /// A number that cannot be.
    #[error("{0} has a temperature or power that cannot be")]
    Figure(String),
}

/// The file's text.
#[must_use]
pub fn text(bodies: &[KeptBody], now: &When) -> String {
    let kept = Kept {
        version: VERSION,
        written: now.wall.to_string(),
        boot_id: now.boot_id.clone(),
        since_boot_s: now.since_boot.as_secs_f64(),
        bodies: bodies.to_vec(),
    };
    // Numbers and strings alone: this cannot fail, and an empty text would count as unknown.
    serde_json::to_string_pretty(&kept).unwrap_or_default() + "\n"
}

/// Reads the file's text at `now`.
///
/// Errors: another layout or version, or figures that cannot be.
pub fn read(text: &str, now: &When) -> Result<HeatStart, HeatFileError> {
    let kept: Kept = serde_json::from_str(text)?;
    if kept.version != VERSION {
        return Err(HeatFileError::Version(kept.version));
    }
    for body in &kept.bodies {
        let (celsius, over_k) = (body.estimate.celsius, body.estimate.over_k);
        let warm = (-100.0..=1000.0).contains(&celsius) && (0.0..=1000.0).contains(&over_k);
        let watts = [body.last_w, body.standby_w].iter().all(|w| (0.0..=1e6).contains(w));
        if !(warm && watts) {
            return Err(HeatFileError::Figure(crate::words::short(&body.lamp)));
        }
    }
    let gap_s = gap_s(&kept, now);
    Ok(HeatStart { bodies: kept.bodies, gap_s })
}

/// Seconds since it was written. Within one boot the machine's own clock tells; across boots the wall
/// clock does, unless it is unset or behind.
fn gap_s(kept: &Kept, now: &When) -> Option<f64> {
    let same_boot = !kept.boot_id.is_empty() && kept.boot_id == now.boot_id;
    if same_boot {
        let gap = now.since_boot.as_secs_f64() - kept.since_boot_s;
        return (gap >= 0.0).then_some(gap);
    }
    let set = CLOCK_SET_AFTER.parse::<jiff::Timestamp>().ok()?;
    let written = kept.written.parse::<jiff::Timestamp>().ok().filter(|w| *w >= set)?;
    let gap = now.wall.duration_since(written).as_secs_f64();
    (gap >= 0.0).then_some(gap)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::guards::thermal::Estimate;

    fn at(wall: &str, boot_id: &str, since_boot: u64) -> When {
        When {
            wall: wall.parse().unwrap(),
            boot_id: boot_id.to_owned(),
            since_boot: Duration::from_secs(since_boot),
        }
    }

    fn body(celsius: f64) -> KeptBody {
        KeptBody {
            lamp: "B3".to_owned(),
            estimate: Estimate { celsius, over_k: 0.0 },
            last_w: 60.0,
            standby_w: 2.0,
        }
    }

    #[test]
    fn what_is_written_is_read_again_exactly() {
        let then = at("2026-05-04T10:00:00Z", "a", 100);
        let bodies = [body(61.234_567_890_123)];
        let start = read(&text(&bodies, &then), &at("2026-05-04T10:00:30Z", "b", 5)).unwrap();
        assert_eq!(start, HeatStart { bodies: bodies.to_vec(), gap_s: Some(30.0) });
    }

    #[test]
    fn within_one_boot_the_wall_clock_may_jump() {
        let kept = text(&[body(60.0)], &at("2026-05-04T10:00:00Z", "a", 100));
        for wall in ["2020-01-01T00:00:00Z", "2030-01-01T00:00:00Z"] {
            assert_eq!(read(&kept, &at(wall, "a", 107)).unwrap().gap_s, Some(7.0));
        }
    }

    #[test]
    fn a_clock_that_was_unset_or_is_behind_tells_no_gap() {
        let gap = |written: &str, now: &str| {
            read(&text(&[body(60.0)], &at(written, "a", 100)), &at(now, "b", 5)).unwrap().gap_s
        };
        assert_eq!(gap("2026-05-04T10:00:00Z", "2026-05-04T09:59:59Z"), None, "behind");
        assert_eq!(gap("1970-01-01T00:00:09Z", "2026-05-04T10:00:00Z"), None, "it was not set then");
        assert_eq!(gap("2026-05-04T10:00:00Z", "1970-01-01T00:00:09Z"), None, "it is not set now");
    }

    #[test]
    fn what_lampkeep_did_not_write_is_refused() {
        let now = at("2026-05-04T10:00:00Z", "a", 100);
        let good = text(&[body(60.0)], &now);
        for bad in [
            String::new(),
            "{}".to_owned(),
            good.replace("\"version\": 1", "\"version\": 2"),
            good.replace("60.0,\n", "6000.0,\n"),
            good[..good.len() / 2].to_owned(),
        ] {
            assert!(read(&bad, &now).is_err(), "{bad}");
        }
    }
}

//! What a set keeps between two starts: what stands in its `state.json`, and how long ago that was.
//!
//! Text and arithmetic alone; the daemon reads the file, the files thread writes it. It is strict: a file of
//! another layout or version, cut short, too long, or with a figure that cannot be is not taken in part,
//! but counts as unknown: hot and dark.

use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::clock::{Clock, SystemClock};
use crate::engine::{Kept, Start};
use crate::words::fitted;

/// The file in a set's state folder.
pub const NAME: &str = "state.json";
/// Longest text that is taken, in bytes: a thousand lamps and slates have a quarter of it.
pub const LONGEST: u64 = 4_000_000;
/// Layout of the file.
const VERSION: u32 = 1;
/// Longest word on a file that cannot be taken, in characters: it may quote the file.
const LONGEST_SAID: usize = 300;
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
struct File {
    version: u32,
    /// RFC 3339, UTC.
    written: String,
    boot_id: String,
    since_boot_s: f64,
    state: Kept,
}

/// The version alone, of whatever layout.
#[derive(Debug, Deserialize)]
struct Versioned {
    version: u32,
}

/// Why a file cannot be taken.
#[derive(Debug, thiserror::Error)]
pub enum StateFileError {
    /// More than any set has.
    #[error("it is longer than {LONGEST} bytes")]
    TooLong,
    /// Not this layout at all.
    #[error("it is not what lampkeep writes: {}", fitted(.0.to_string(), LONGEST_SAID))]
    Shape(#[from] serde_json::Error),
    /// Of another version.
    #[error("it is of version {0}, this lampkeep reads {VERSION}")]
    Version(u32),
    /// A figure or a text that cannot be.
    #[error("{0}")]
    Impossible(String),
}

/// The file's text.
#[must_use]
pub fn text(kept: &Kept, now: &When) -> String {
    let mut state = kept.clone();
    if let Some(take) = &mut state.take {
        let rolled = jiff::SignedDuration::try_from_secs_f64(take.rolled_s).unwrap_or_default();
        take.started = now.wall.checked_sub(rolled).map_or_else(|_| String::new(), |at| at.to_string());
    }
    let file = File {
        version: VERSION,
        written: now.wall.to_string(),
        boot_id: now.boot_id.clone(),
        since_boot_s: now.since_boot.as_secs_f64(),
        state,
    };
    // Numbers and strings alone: this cannot fail, and an empty text would count as unknown.
    serde_json::to_string(&file).unwrap_or_default() + "\n"
}

/// Reads the file's bytes at `now`.
///
/// Errors: too long, another layout or version, or figures that cannot be.
pub fn read(bytes: &[u8], now: &When) -> Result<Start, StateFileError> {
    if bytes.len() as u64 > LONGEST {
        return Err(StateFileError::TooLong);
    }
    let Versioned { version } = serde_json::from_slice(bytes)?;
    if version != VERSION {
        return Err(StateFileError::Version(version));
    }
    let file: File = serde_json::from_slice(bytes)?;
    file.state.possible().map_err(StateFileError::Impossible)?;
    let same_boot = !file.boot_id.is_empty() && file.boot_id == now.boot_id;
    let gap_s = gap_s(&file, same_boot, now);
    Ok(Start { kept: Some(file.state), gap_s, alive_s: None, same_boot, fault: None })
}

/// Seconds since it was written. Within one boot the machine's own clock tells; across boots the wall
/// clock does, unless it is unset or behind.
fn gap_s(file: &File, same_boot: bool, now: &When) -> Option<f64> {
    if same_boot {
        let gap = now.since_boot.as_secs_f64() - file.since_boot_s;
        return (gap >= 0.0).then_some(gap);
    }
    let set = CLOCK_SET_AFTER.parse::<jiff::Timestamp>().ok()?;
    let written = file.written.parse::<jiff::Timestamp>().ok().filter(|w| *w >= set)?;
    let gap = now.wall.duration_since(written).as_secs_f64();
    (gap >= 0.0).then_some(gap)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::KeptBody;
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

    fn kept(celsius: f64) -> Kept {
        Kept { bodies: vec![body(celsius)], ..Kept::default() }
    }

    #[test]
    fn what_is_written_is_read_again_exactly() {
        let then = at("2026-05-04T10:00:00Z", "a", 100);
        let kept = kept(61.234_567_890_123);
        let start = read(text(&kept, &then).as_bytes(), &at("2026-05-04T10:00:30Z", "b", 5)).unwrap();
        assert_eq!(start, Start { kept: Some(kept), gap_s: Some(30.0), ..Start::default() });
    }

    #[test]
    fn within_one_boot_the_wall_clock_may_jump() {
        let kept = text(&kept(60.0), &at("2026-05-04T10:00:00Z", "a", 100));
        for wall in ["2020-01-01T00:00:00Z", "2030-01-01T00:00:00Z"] {
            let start = read(kept.as_bytes(), &at(wall, "a", 107)).unwrap();
            assert_eq!((start.gap_s, start.same_boot), (Some(7.0), true));
        }
    }

    #[test]
    fn a_clock_that_was_unset_or_is_behind_tells_no_gap() {
        let gap = |written: &str, now: &str| {
            let text = text(&kept(60.0), &at(written, "a", 100));
            read(text.as_bytes(), &at(now, "b", 5)).unwrap().gap_s
        };
        assert_eq!(gap("2026-05-04T10:00:00Z", "2026-05-04T09:59:59Z"), None, "behind");
        assert_eq!(gap("1970-01-01T00:00:09Z", "2026-05-04T10:00:00Z"), None, "it was not set then");
        assert_eq!(gap("2026-05-04T10:00:00Z", "1970-01-01T00:00:09Z"), None, "it is not set now");
    }

    /// Where the kernel tells no boot id, no two starts are of one boot.
    #[test]
    fn an_unknown_boot_is_never_the_same_one() {
        let kept = text(&kept(60.0), &at("2026-05-04T10:00:00Z", "", 100));
        assert!(!read(kept.as_bytes(), &at("2026-05-04T10:00:07Z", "", 107)).unwrap().same_boot);
    }

    #[test]
    fn a_take_is_written_with_the_wall_time_of_its_start() {
        let take = crate::engine::KeptTake {
            name: "4/3".to_owned(),
            number: 7,
            started: String::new(),
            rolled_s: 90.0,
            darkened: false,
            why: Vec::new(),
        };
        let kept = Kept { take: Some(take), ..kept(60.0) };
        let text = text(&kept, &at("2026-05-04T10:00:00Z", "a", 100));
        assert!(text.contains(r#""started":"2026-05-04T09:58:30Z""#), "{text}");
    }

    #[test]
    fn what_lampkeep_did_not_write_is_refused() {
        let now = at("2026-05-04T10:00:00Z", "a", 100);
        let good = text(&kept(60.0), &now);
        assert!(read(good.as_bytes(), &now).is_ok());
        for bad in [
            String::new(),
            "{}".to_owned(),
            good.replace("\"version\":1", "\"version\":2"),
            good.replace(":60.0,", ":6000.0,"),
            good.replace("\"slates\"", "\"plates\""),
            good.replace("\"again\":null", "\"again\":null,\"again\":null"),
            good[..good.len() / 2].to_owned(),
            "[".repeat(100_000),
            good.replace("\"version\":1", &format!("\"version\":\"{}\"", "\u{7f}".repeat(900))),
            " ".repeat(LONGEST as usize) + &good,
        ] {
            let said = read(bad.as_bytes(), &now).expect_err("refused").to_string();
            assert!(said.chars().count() < 400 && !said.contains(char::is_control), "{said}");
        }
        let newer = good.replace("\"version\":1", "\"version\":2").replace("slates", "plates");
        let said = read(newer.as_bytes(), &now).unwrap_err().to_string();
        assert_eq!(said, "it is of version 2, this lampkeep reads 1", "not what is strange about it");
    }
}

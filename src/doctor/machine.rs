//! What the system grants this user, and what the kernel's log tells.

use std::io::Read;
use std::os::unix::fs::OpenOptionsExt;
use std::time::Duration;

use super::kernel_log::{self, WITHIN};
use super::{Finding, Weight, in_two};
use crate::clock::{Clock, SystemClock};
use crate::control::ClockStatus;
use crate::engine::say;
use crate::wire::realtime;

/// Most records of the kernel's log that are read: it keeps some thousands.
const MOST_RECORDS: usize = 100_000;

/// Real-time priority and locked memory, for this user: a service may be granted more.
#[must_use]
pub fn permissions() -> Vec<Finding> {
    let why = |kind, result: Result<(), String>| {
        let (said, cure) = in_two(&result.err()?.replacen(": set ", "; set ", 1));
        Some(Finding::new(kind, Weight::Weakens, format!("for this user {said}"), cure))
    };
    let priority = why("no-real-time", realtime::priority_permitted().map(|_| ()));
    priority.into_iter().chain(why("memory-not-locked", realtime::memory_permitted())).collect()
}

/// What the machine's wall clock is worth: recalls for an instant start by it, and stamps are its.
#[must_use]
pub fn wall_clock(clock: SystemClock) -> Option<Finding> {
    of_clock(&ClockStatus::of(clock.kernel(), clock.wall().as_second()))
}

/// A finding where something is the matter with it. No light waits for the time of day, so that only one that was
/// never set is to be mended.
fn of_clock(state: &ClockStatus) -> Option<Finding> {
    let (said, cure) = in_two(state.said.as_deref()?);
    let (kind, weight) = match (state.unset, state.synchronised) {
        (true, _) => ("clock-unset", Weight::Weakens),
        (_, Some(_)) => ("clock-not-synchronised", Weight::Note),
        (_, None) => ("clock-unknown", Weight::Note),
    };
    let why = "a recall --at would start when others do not";
    Some(Finding::new(kind, weight, format!("{said}: {why}"), cure))
}

/// What the kernel's log tells of USB and of the supply in the last hour.
#[must_use]
pub fn machine() -> Vec<Finding> {
    let records = match records() {
        Ok(records) => records,
        Err(why) => {
            let said = format!("the kernel's log cannot be read ({why}): resets of USB would stand there");
            return vec![Finding::new("kernel-log-closed", Weight::Note, said, "look with `sudo dmesg`")];
        }
    };
    let Some(now) = since_start() else { return Vec::new() };
    let told = kernel_log::told(records.iter().map(String::as_str), now);
    told.into_iter()
        .map(|told| {
            let times = if told.times == 1 { "once".to_owned() } else { format!("{} times", told.times) };
            let said = format!(
                "{} {times} in the last {}, {} ago: {}",
                told.trouble.said(),
                say::span(WITHIN.as_secs_f64()),
                say::span(told.last.as_secs_f64().floor()),
                told.line
            );
            Finding::new(told.trouble.word(), Weight::Weakens, said, told.trouble.cure())
        })
        .collect()
}

/// Records of the kernel's log, as many as there are.
fn records() -> std::io::Result<Vec<String>> {
    let nonblock = i32::try_from(rustix::fs::OFlags::NONBLOCK.bits()).unwrap_or(0);
    let mut log = std::fs::OpenOptions::new().read(true).custom_flags(nonblock).open("/dev/kmsg")?;
    let mut records = Vec::new();
    // One record a read, 8 KiB at most (the kernel's documentation of /dev/kmsg).
    let mut record = [0; 8192];
    while records.len() < MOST_RECORDS {
        match log.read(&mut record) {
            Ok(0) => break,
            Ok(n) => records.push(String::from_utf8_lossy(&record[..n]).into_owned()),
            Err(e) if e.kind() == std::io::ErrorKind::WouldBlock => break,
            // Overwritten while it was read: the next read gives what is there now.
            Err(e) if e.raw_os_error() == Some(rustix::io::Errno::PIPE.raw_os_error()) => {}
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
    Ok(records)
}

/// Time since the machine's start, as the kernel's log counts it.
fn since_start() -> Option<Duration> {
    let text = std::fs::read_to_string("/proc/uptime").ok()?;
    let seconds: f64 = text.split_whitespace().next()?.parse().ok()?;
    Duration::try_from_secs_f64(seconds).ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::KernelClock;

    #[test]
    fn a_clock_is_a_finding_by_what_is_the_matter_with_it() {
        let kernel = |state| Some(KernelClock { state, status: 0, offset: 0.0, max_error_us: 900.0 });
        let kind = |kernel, unix_s| of_clock(&ClockStatus::of(kernel, unix_s)).map(|f| (f.kind, f.weight));
        // Source: adjtimex(2): 5 is TIME_ERROR. 2026-11-25 and 1970-01-02 in Unix seconds.
        assert_eq!(kind(kernel(0), 1_795_636_800), None);
        assert_eq!(kind(kernel(5), 1_795_636_800), Some(("clock-not-synchronised", Weight::Note)));
        assert_eq!(kind(None, 1_795_636_800), Some(("clock-unknown", Weight::Note)));
        assert_eq!(kind(kernel(0), 86_400), Some(("clock-unset", Weight::Weakens)));
    }
}

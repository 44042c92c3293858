//! What the machine's wall clock is worth, as the kernel tells it.
//!
//! Machines that start a fade together at an instant each go by their own clock, and nothing of ours
//! compares them: whether something sets this one right is all that can be known here.

use serde::{Deserialize, Serialize};

use crate::clock::KernelClock;

/// The clock is not synchronised (`STA_UNSYNC`). Source: Linux, `include/uapi/linux/timex.h`.
const STA_UNSYNC: i32 = 0x0040;
/// The kernel's own loop is steered (`STA_PLL`): its offset means something. Same source.
const STA_PLL: i32 = 0x0001;
/// Offsets are in nanoseconds, not microseconds (`STA_NANO`). Same source.
const STA_NANO: i32 = 0x2000;
/// What adjtimex(2) returns for a clock that is not synchronised (`TIME_ERROR`). Same source.
const TIME_ERROR: i32 = 5;
/// A clock that shows an earlier instant was never set: 2020-01-01T00:00:00Z in Unix seconds. Judgement:
/// machines without a battery for their clock wake in 1970, or at the date of their image's files.
const SET_SINCE: i64 = 1_577_836_800;

/// The machine's wall clock.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct ClockStatus {
    /// True if something sets it right, false if nothing does; `null` where the kernel does not tell.
    pub synchronised: Option<bool>,
    /// What the kernel is still to correct, in milliseconds, positive where the clock is behind; `null` where it
    /// is steered by other means than the kernel's own loop, which leave no such figure.
    pub offset_ms: Option<f64>,
    /// Greatest error by the kernel's account, in milliseconds; `null` where it is not synchronised.
    pub error_ms: Option<f64>,
    /// True if it was never set: it shows a year before 2020.
    pub unset: bool,
    /// What is the matter, with one next step; `null` when nothing is.
    pub said: Option<String>,
}

impl ClockStatus {
    /// True for a wall time, in Unix seconds, that a clock which was never set shows.
    #[must_use]
    pub const fn is_unset(unix_s: i64) -> bool {
        unix_s < SET_SINCE
    }

    /// The state by what adjtimex(2) tells (`None`: refused) and what the clock shows, in Unix seconds.
    #[must_use]
    pub fn of(kernel: Option<KernelClock>, unix_s: i64) -> Self {
        let unset = Self::is_unset(unix_s);
        let synchronised =
            kernel.map(|k| k.state != TIME_ERROR && k.state >= 0 && k.status & STA_UNSYNC == 0);
        let scale = |k: &KernelClock| if k.status & STA_NANO != 0 { 1e-6 } else { 1e-3 };
        let steered = kernel.filter(|k| k.status & STA_PLL != 0 && synchronised == Some(true));
        let known = kernel.filter(|_| synchronised == Some(true));
        let cure = "have a time service set it (`timedatectl set-ntp true`)";
        let said = match (unset, synchronised) {
            (true, _) => Some(format!("this machine's clock was never set; {cure}")),
            (_, Some(false)) => {
                Some(format!("nothing keeps this machine's clock right, it may be seconds off; {cure}"))
            }
            (_, None) => Some(
                "the kernel does not tell whether this machine's clock is kept right; look at its time service"
                    .to_owned(),
            ),
            (false, Some(true)) => None,
        };
        Self {
            synchronised,
            offset_ms: steered.map(|k| k.offset * scale(&k)),
            error_ms: known.map(|k| k.max_error_us / 1000.0),
            unset,
            said,
        }
    }

    /// Where the kernel does not tell, as in the service's sandbox: what a time service tells itself (`set_right`: it
    /// has lately set the clock right). How far it may be off is then not known.
    #[must_use]
    pub fn or_by(mut self, set_right: impl FnOnce() -> bool) -> Self {
        if self.synchronised.is_none() && !self.unset && set_right() {
            self.synchronised = Some(true);
            self.said = None;
        }
        self
    }

    /// Why an instant may come at another moment here than elsewhere; `None`: no reason is known.
    #[must_use]
    pub fn doubt(&self) -> Option<&'static str> {
        match (self.unset, self.synchronised) {
            (true, _) => Some("this machine's clock was never set"),
            (_, Some(false)) => Some("this machine's clock is not synchronised"),
            (_, None) => Some("whether this machine's clock is synchronised is not known"),
            (false, Some(true)) => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2026-11-25T20:00:00Z, by `date -u -d`.
    const NOW: i64 = 1_795_636_800;

    fn kernel(state: i32, status: i32) -> KernelClock {
        KernelClock { state, status, offset: -1.5e6, max_error_us: 21_500.0 }
    }

    /// Source: adjtimex(2): `STA_UNSYNC` and `TIME_ERROR` say that the clock is not synchronised.
    #[test]
    fn a_clock_is_synchronised_when_neither_the_state_nor_the_bit_says_otherwise() {
        assert_eq!(ClockStatus::of(Some(kernel(0, STA_PLL)), NOW).synchronised, Some(true));
        assert_eq!(ClockStatus::of(Some(kernel(TIME_ERROR, 0)), NOW).synchronised, Some(false));
        assert_eq!(ClockStatus::of(Some(kernel(0, STA_UNSYNC)), NOW).synchronised, Some(false));
        assert_eq!(ClockStatus::of(None, NOW).synchronised, None);
        // A leap second that is announced or under way (TIME_INS to TIME_WAIT, 1 to 4) is no fault.
        for state in 1..5 {
            assert_eq!(ClockStatus::of(Some(kernel(state, STA_PLL)), NOW).synchronised, Some(true));
        }
    }

    /// Source: adjtimex(2): `offset` is in microseconds, with `STA_NANO` in nanoseconds; `maxerror` in
    /// microseconds.
    #[test]
    fn offset_and_error_are_told_in_milliseconds_and_only_where_they_mean_something() {
        let nano = ClockStatus::of(Some(kernel(0, STA_PLL | STA_NANO)), NOW);
        assert_eq!((nano.offset_ms, nano.error_ms), (Some(-1.5), Some(21.5)));
        let micro = ClockStatus::of(Some(kernel(0, STA_PLL)), NOW);
        assert_eq!(micro.offset_ms, Some(-1500.0));
        // Services that steer it by frequency and slewing leave the loop's offset at zero.
        assert_eq!(ClockStatus::of(Some(kernel(0, STA_NANO)), NOW).offset_ms, None);
        let wild = ClockStatus::of(Some(kernel(TIME_ERROR, STA_PLL)), NOW);
        assert_eq!((wild.offset_ms, wild.error_ms), (None, None));
    }

    #[test]
    fn a_time_service_is_believed_only_where_the_kernel_does_not_tell() {
        let told = ClockStatus::of(None, NOW).or_by(|| true);
        assert_eq!(
            (told.synchronised, told.error_ms, &told.said, told.doubt()),
            (Some(true), None, &None, None)
        );
        assert_eq!(ClockStatus::of(None, NOW).or_by(|| false), ClockStatus::of(None, NOW));
        let wild = kernel(TIME_ERROR, 0);
        assert_eq!(ClockStatus::of(Some(wild), NOW).or_by(|| true).synchronised, Some(false));
        assert!(ClockStatus::of(None, 86_400).or_by(|| true).said.is_some(), "never set");
    }

    #[test]
    fn a_clock_that_was_never_set_is_said_whatever_the_kernel_tells() {
        let unset = ClockStatus::of(Some(kernel(0, STA_PLL)), 86_400);
        assert!(unset.unset && unset.said.unwrap().contains("never set"));
        assert!(!ClockStatus::of(None, SET_SINCE).unset);
        assert_eq!(ClockStatus::of(Some(kernel(0, 0)), NOW).said, None);
    }
}

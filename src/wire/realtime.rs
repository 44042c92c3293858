//! Real-time priority and locked memory: asked for, used where permitted, and told where not.
//!
//! Neither makes a frame right or wrong. Without them a busy machine sends some frames milliseconds late
//! (docs/wire.md), and memory that was swapped out has to be fetched first.

use std::num::NonZeroU64;
use std::sync::OnceLock;

use rustix::mm::{MlockAllFlags, mlockall};
use rustix::process::{Resource, getrlimit};

use super::os;
use crate::control::RealTimeStatus;

/// Priority asked for, in the class `SCHED_FIFO`. Chosen: over everything that has none, and under 50, which
/// the kernel gives its own interrupt threads, those of the serial ports among them (from memory).
pub const PRIORITY: u8 = 40;
/// Priority of the engine's thread: a frame that is worked out late goes out a period late. Chosen: under the
/// senders, which must never wait for it.
pub const ENGINE_PRIORITY: u8 = 30;
/// Priority of the doors' thread: a request that waits for a processor acts a frame later. Chosen: under the engine,
/// which must never wait for a request.
pub const DOORS_PRIORITY: u8 = 20;
/// Bit of the capability to lock memory without limit. Source: Linux, include/uapi/linux/capability.h.
const CAP_IPC_LOCK: u32 = 14;

/// Whether the memory of this process is locked, once that was asked.
static MEMORY: OnceLock<Result<(), String>> = OnceLock::new();

/// Gives the calling thread [`PRIORITY`], or the most that its limit permits; returns what it has now.
///
/// Errors: why not, with one next step. The thread is then as it was.
pub fn take_priority() -> Result<u8, String> {
    take(PRIORITY)
}

/// Gives the calling thread [`ENGINE_PRIORITY`]; as [`take_priority`].
pub fn take_engine_priority() -> Result<u8, String> {
    take(ENGINE_PRIORITY)
}

/// Gives the calling thread [`DOORS_PRIORITY`]; as [`take_priority`].
pub fn take_doors_priority() -> Result<u8, String> {
    take(DOORS_PRIORITY)
}

/// Puts the calling thread back among those without priority.
pub fn give_up_priority() {
    // Never refused; if it were, the thread would be as it was.
    let _ = os::set_plain();
}

fn take(priority: u8) -> Result<u8, String> {
    let refused = match os::set_fifo(priority.into()) {
        Ok(()) => return Ok(priority),
        Err(errno) => errno,
    };
    // A user may be permitted less.
    let limit = getrlimit(Resource::Rtprio).current.unwrap_or(0).min(u64::from(priority));
    match u8::try_from(limit) {
        Ok(less) if less > 0 && os::set_fifo(less.into()).is_ok() => Ok(less),
        _ => Err(format!(
            "real-time priority is not permitted ({refused}): set LimitRTPRIO={PRIORITY} for the service, or \
             `rtprio {PRIORITY}` for the user in /etc/security/limits.d"
        )),
    }
}

/// Whether a thread of this process may have real-time priority, and which; tried on a thread that ends at once.
///
/// Errors: as [`take_priority`].
pub fn priority_permitted() -> Result<u8, String> {
    let tried = std::thread::Builder::new().name("real-time?".into()).spawn(take_priority);
    let ended = |_| "the try of real-time priority ended early; restart lampkeep".to_owned();
    tried.map_err(|e| format!("no thread to try real-time priority on ({e})"))?.join().map_err(ended)?
}

/// Whether this process may lock all its memory, now and to come.
///
/// A limit in bytes is not enough: what is asked of memory later would fail at that limit, and a program
/// that is refused memory ends. Errors: why not, with one next step.
pub fn memory_permitted() -> Result<(), String> {
    let Some(limit) = getrlimit(Resource::Memlock).current else { return Ok(()) };
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    if capable(&status, CAP_IPC_LOCK) {
        return Ok(());
    }
    Err(format!(
        "memory is not locked (its limit is {} kB): set LimitMEMLOCK=infinity for the service, or `memlock \
         unlimited` for the user in /etc/security/limits.d",
        limit / 1024
    ))
}

/// Locks the memory of this process for good: all that it has, its whole program text included, and of what it
/// will have each page from its first use on. A second call only tells.
///
/// Not all of what it will have at once: that would keep the stacks of threads whole, 2 MiB each.
/// Errors: as [`memory_permitted`]. Then nothing is locked.
pub fn lock_memory() -> Result<(), String> {
    let lock = || {
        memory_permitted()?;
        mlockall(MlockAllFlags::CURRENT)
            .and_then(|()| mlockall(MlockAllFlags::FUTURE | MlockAllFlags::ONFAULT))
            .map_err(|errno| format!("memory is not locked ({errno}): give the machine more memory"))
    };
    MEMORY.get_or_init(lock).clone()
}

/// Whether memory was locked, without asking for it.
fn memory_locked() -> Result<(), String> {
    MEMORY.get().cloned().unwrap_or_else(|| Err("memory is locked by `lampkeep run` alone".to_owned()))
}

/// Makes the calling thread wake as near to its deadlines as it may: no slack on its sleeps (50 µs by
/// default), and real-time priority where that is permitted. Returns what it got.
///
/// `spin`: it will spin the last of each wait away, where it has the priority for that.
pub(super) fn steady_thread(spin: bool) -> RealTimeStatus {
    // Refused, the thread is only somewhat later.
    let _ = rustix::thread::set_current_timer_slack(Some(NonZeroU64::MIN));
    told(take_priority(), memory_locked(), spin)
}

/// Does `work` at plain priority, then takes `priority` again: what may take long must not stand in the way of
/// other senders' frames.
pub(super) fn plainly<T>(priority: Option<u8>, work: impl FnOnce() -> T) -> T {
    let Some(priority) = priority else { return work() };
    // Refused either way, frames go out all the same.
    let _ = os::set_plain();
    let done = work();
    let _ = os::set_fifo(priority.into());
    done
}

/// The two answers as status tells them.
fn told(priority: Result<u8, String>, memory: Result<(), String>, spin: bool) -> RealTimeStatus {
    let spins = spin && priority.is_ok();
    let mut why_not = Vec::new();
    if spin && !spins {
        why_not.push("`wake = \"spin\"` sleeps instead, since it needs real-time priority".to_owned());
    }
    let (priority, memory_locked) =
        (priority.map_err(|why| why_not.push(why)).ok(), memory.map_err(|why| why_not.push(why)).is_ok());
    let said = (!why_not.is_empty()).then(|| why_not.join("; "));
    RealTimeStatus { priority, memory_locked, spins, said }
}

/// Asks for both once, at the daemon's start, and says once in the log what is in force.
pub fn ask() {
    let got = told(priority_permitted(), lock_memory(), false);
    match (got.priority, got.said) {
        (Some(priority), None) => {
            tracing::info!(priority, "real-time priority and locked memory are in force")
        }
        (priority, said) => tracing::warn!(
            priority,
            memory_locked = got.memory_locked,
            "frames may be late when the machine is busy: {}",
            said.unwrap_or_default()
        ),
    }
}

/// True if the effective capabilities in a process's status file hold this one. Source: proc(5), `CapEff`.
fn capable(status: &str, capability: u32) -> bool {
    let set = status.lines().find_map(|line| line.strip_prefix("CapEff:"));
    set.and_then(|hex| u64::from_str_radix(hex.trim(), 16).ok()).is_some_and(|set| set >> capability & 1 == 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: capabilities(7): CAP_IPC_LOCK is bit 14, 0x4000.
    #[test]
    fn the_capability_to_lock_memory_is_read_from_a_processs_status() {
        let status = |set: &str| format!("Name:\tx\nCapPrm:\tffffffffffffffff\nCapEff:\t{set}\n");
        assert!(capable(&status("0000000000004000"), CAP_IPC_LOCK));
        assert!(capable(&status("000001ffffffffff"), CAP_IPC_LOCK));
        assert!(!capable(&status("0000000000000000"), CAP_IPC_LOCK));
        assert!(!capable(&status("ffffffffffffbfff"), CAP_IPC_LOCK));
        assert!(!capable("", CAP_IPC_LOCK));
    }

    #[test]
    fn what_is_not_permitted_is_told_with_its_cure() {
        let all = told(Ok(40), Ok(()), true);
        assert_eq!((all.priority, all.memory_locked, all.spins, all.said), (Some(40), true, true, None));
        let none = told(Err("no priority".to_owned()), Err("no lock".to_owned()), true);
        assert_eq!((none.priority, none.memory_locked, none.spins), (None, false, false));
        let said = none.said.unwrap();
        assert!(said.contains("sleeps instead") && said.ends_with("no priority; no lock"), "{said}");
    }

    /// Root is given everything, others what their limits say: both are answers, and the same twice.
    #[test]
    fn asking_twice_gives_the_same_answer() {
        assert_eq!(priority_permitted(), priority_permitted());
        if let Err(said) = priority_permitted() {
            assert!(said.contains("LimitRTPRIO=40"), "{said}");
        }
    }
}

//! The few system calls that no crate offers safely: break on and off, what waits in a port's output
//! queue, and real-time priority.

use std::os::fd::BorrowedFd;

use rustix::io::Errno;
use rustix::ioctl::{Getter, NoArg, Opcode, ioctl};

// Source: Linux, include/uapi/asm-generic/ioctls.h.
#[cfg(any(
    target_arch = "mips",
    target_arch = "mips64",
    target_arch = "powerpc",
    target_arch = "powerpc64",
    target_arch = "sparc",
    target_arch = "sparc64"
))]
compile_error!("the ioctl numbers in wire/os.rs are those of asm-generic; this architecture has its own");

const TIOCOUTQ: Opcode = 0x5411;
const TIOCSBRK: Opcode = 0x5427;
const TIOCCBRK: Opcode = 0x5428;

/// Pulls the line to break until [`clear_break`]. Errors: as the driver gives them.
pub fn set_break(port: BorrowedFd<'_>) -> Result<(), Errno> {
    #[expect(unsafe_code, reason = "TIOCSBRK takes no argument and touches no memory of ours (tty_ioctl(4))")]
    unsafe {
        ioctl(port, NoArg::<TIOCSBRK>::new())
    }
}

/// Lets the line go back to mark.
pub fn clear_break(port: BorrowedFd<'_>) -> Result<(), Errno> {
    #[expect(unsafe_code, reason = "TIOCCBRK takes no argument and touches no memory of ours (tty_ioctl(4))")]
    unsafe {
        ioctl(port, NoArg::<TIOCCBRK>::new())
    }
}

/// Bytes written to the port that have not left it, as far as its driver knows.
pub fn output_queued(port: BorrowedFd<'_>) -> Result<usize, Errno> {
    #[expect(unsafe_code, reason = "TIOCOUTQ writes one int, which is what the getter holds (tty_ioctl(4))")]
    let queued = unsafe { ioctl(port, Getter::<TIOCOUTQ, i32>::new()) }?;
    Ok(usize::try_from(queued).unwrap_or(0))
}

/// Puts the calling thread into the real-time class `SCHED_FIFO` with this priority, 1 to 99. Threads that it starts
/// have none.
///
/// Errors: `PERM` where this user may not.
pub fn set_fifo(priority: i32) -> Result<(), Errno> {
    set_class(libc::SCHED_FIFO, priority)
}

/// Puts the calling thread back among those without real-time priority. Errors: none that is known.
/// Threads that it starts have none either: who may not raise a priority may not take that back.
pub fn set_plain() -> Result<(), Errno> {
    set_class(libc::SCHED_OTHER, 0)
}

fn set_class(class: i32, priority: i32) -> Result<(), Errno> {
    let class = class | libc::SCHED_RESET_ON_FORK;
    // The system call itself, as not every C library carries it out (sched_setscheduler(2)); thread 0 is
    // the calling one.
    #[expect(
        unsafe_code,
        reason = "the kernel reads one struct sched_param, which is one int, and keeps nothing"
    )]
    let done = unsafe { libc::syscall(libc::SYS_sched_setscheduler, 0, class, &raw const priority) };
    if done == 0 {
        return Ok(());
    }
    Err(Errno::from_io_error(&std::io::Error::last_os_error()).unwrap_or(Errno::PERM))
}

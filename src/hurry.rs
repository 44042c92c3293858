//! Real-time priority for the doors' thread, as long as it takes little of the processor.
//!
//! A request that waits until some other program's turn is over comes a frame later, or two. With priority it does
//! not wait; but a flood of requests must not take the machine from everything else on it, so a thread that is
//! busy is plain for a while. The light depends on neither: the engine and the senders stand above.

use std::time::Duration;

use rustix::time::{ClockId, clock_gettime};

use crate::wire::realtime;

/// How often the thread's processor time is read.
const EVERY: Duration = Duration::from_millis(100);
/// Share of a processor that the thread may take with priority. Judgement: thousands of requests a second stay
/// under it, and three quarters are left where there is only one processor.
const MOST: f64 = 0.25;
/// How long a thread that took more goes on without. Chosen: ten readings, so that a flood has priority for a
/// tenth of the time at most.
const PLAIN_FOR: Duration = Duration::from_secs(1);

/// Takes priority for the calling thread, and gives it up for a while whenever the thread is busy; never ends.
/// Where priority is not permitted it ends at once: the log and `status` say so of the senders already.
///
/// To be polled on the thread that it is for. Threads that this one starts later have no priority.
pub async fn doors() {
    loop {
        if realtime::take_doors_priority().is_err() {
            return;
        }
        let mut before = used();
        loop {
            let since = tokio::time::Instant::now();
            tokio::time::sleep(EVERY).await;
            let now = used();
            if is_busy(now.saturating_sub(before), since.elapsed()) {
                break;
            }
            before = now;
        }
        realtime::give_up_priority();
        tokio::time::sleep(PLAIN_FOR).await;
    }
}

/// True if so much processor time in so much time is more than may be had with priority.
fn is_busy(used: Duration, within: Duration) -> bool {
    used.as_secs_f64() > MOST * within.max(EVERY).as_secs_f64()
}

/// Processor time of the calling thread. Source: clock_gettime(2), `CLOCK_THREAD_CPUTIME_ID`.
fn used() -> Duration {
    let time = clock_gettime(ClockId::ThreadCPUTime);
    Duration::new(u64::try_from(time.tv_sec).unwrap_or(0), u32::try_from(time.tv_nsec).unwrap_or(0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quarter_of_a_processor_is_the_most_with_priority() {
        let ms = Duration::from_millis;
        assert!(!is_busy(ms(25), ms(100)) && is_busy(ms(26), ms(100)));
        // Woken late it has had more time to use; woken early, as a clock may, it has not.
        assert!(!is_busy(ms(26), ms(110)) && !is_busy(ms(24), ms(50)));
    }

    #[test]
    fn what_a_thread_uses_is_counted_and_what_it_sleeps_is_not() {
        use crate::clock::{Clock, SystemClock};
        let clock = SystemClock::start();
        let before = used();
        clock.sleep_until(clock.now() + Duration::from_millis(20));
        let slept = used().saturating_sub(before);
        // Work until more has been used, which ends however busy the machine is.
        let mut worked = 0_u64;
        while used().saturating_sub(before) <= slept + Duration::from_millis(5) {
            worked = worked.wrapping_add(1);
        }
        assert!(worked > 0 && slept < Duration::from_millis(20));
    }
}

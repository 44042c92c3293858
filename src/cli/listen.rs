//! Threads that listen to a terminal in its raw mode, and to the signals that end a command.

use std::time::Duration;

use tokio::signal::unix::{SignalKind, signal};

use crate::clock::{Clock, SystemClock};

/// Starts both. `bytes`: what the terminal sends, with its moment on `clock`; false when nobody listens any more.
/// `end`: a signal came, or the terminal is gone.
///
/// Errors: a thread or a signal's handler cannot be made.
pub(super) fn listen(
    clock: SystemClock,
    bytes: impl Fn(Vec<u8>, Duration) -> bool + Send + 'static,
    end: impl Fn() + Clone + Send + 'static,
) -> std::io::Result<()> {
    let gone = end.clone();
    std::thread::Builder::new().name("keys".into()).spawn(move || {
        let mut buffer = [0_u8; 256];
        loop {
            match rustix::io::read(rustix::stdio::stdin(), &mut buffer) {
                Ok(0) => return gone(),
                Ok(count) => {
                    if !bytes(buffer[..count].to_vec(), clock.now().elapsed()) {
                        return;
                    }
                }
                Err(e) if e == rustix::io::Errno::INTR || e == rustix::io::Errno::AGAIN => {
                    clock.sleep_until(clock.now() + Duration::from_millis(1));
                }
                // The terminal is gone.
                Err(_) => return gone(),
            }
        }
    })?;
    signals(end)
}

/// Starts the second alone. `end`: a signal came that ends a command: the terminal hung up, Ctrl-C, or it is to stop.
///
/// Errors: the thread or a signal's handler cannot be made.
pub(super) fn signals(end: impl FnOnce() + Send + 'static) -> std::io::Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let [mut hangup, mut interrupt, mut quit, mut terminate] = {
        let _entered = runtime.enter();
        [
            signal(SignalKind::hangup())?,
            signal(SignalKind::interrupt())?,
            signal(SignalKind::quit())?,
            signal(SignalKind::terminate())?,
        ]
    };
    std::thread::Builder::new().name("signals".into()).spawn(move || {
        runtime.block_on(async move {
            tokio::select! {
                _ = hangup.recv() => {}
                _ = interrupt.recv() => {}
                _ = quit.recv() => {}
                _ = terminate.recv() => {}
            }
        });
        end();
    })?;
    Ok(())
}

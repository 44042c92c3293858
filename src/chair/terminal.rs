//! A terminal in its raw mode, and back in every way of ending: at the end, at a panic, at a signal that
//! the loop is told of.

use std::io::{IsTerminal, Write};
use std::sync::{Mutex, PoisonError};

use rustix::termios::{
    InputModes, LocalModes, OptionalActions, SpecialCodeIndex, Termios, tcgetattr, tcgetwinsize, tcsetattr,
};

/// The other screen, without a cursor, and the way back.
const OPENS: &str = "\x1b[?1049h\x1b[?25l";
const CLOSES: &str = "\x1b[?25h\x1b[?1049l";

/// What the terminal was, while it is not.
static BEFORE: Mutex<Option<Termios>> = Mutex::new(None);

/// Standard input and output as a raw terminal. Gives them back when dropped.
#[derive(Debug)]
pub struct Terminal(());

impl Terminal {
    /// Insists that standard input and output are a terminal.
    ///
    /// Errors: they are not, in words.
    pub fn possible() -> Result<(), String> {
        if std::io::stdin().is_terminal() && std::io::stdout().is_terminal() {
            return Ok(());
        }
        Err("a chair needs a terminal to hear its buttons from and to be read on: run it in one, not in a pipe \
             or a service"
            .to_owned())
    }

    /// Takes the terminal: keys come at once and are not shown, Ctrl-C is a key.
    ///
    /// Errors: standard input or output is none, or it is taken already.
    pub fn take() -> Result<Self, String> {
        Self::possible()?;
        let input = std::io::stdin();
        let before = tcgetattr(&input).map_err(|e| format!("the terminal cannot be read: {e}"))?;
        let mut raw = before.clone();
        // Lines still end as usual on the way out: output modes stay.
        raw.local_modes.remove(LocalModes::ICANON | LocalModes::ECHO | LocalModes::ISIG | LocalModes::IEXTEN);
        raw.input_modes.remove(InputModes::IXON | InputModes::ICRNL | InputModes::INLCR | InputModes::IGNCR);
        raw.special_codes[SpecialCodeIndex::VMIN] = 1;
        raw.special_codes[SpecialCodeIndex::VTIME] = 0;
        {
            let mut kept = BEFORE.lock().unwrap_or_else(PoisonError::into_inner);
            if kept.is_some() {
                return Err("the terminal is taken already".to_owned());
            }
            *kept = Some(before);
        }
        let taken = Self(());
        let others = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |why| {
            // First: what a panic says is to be read.
            give_back();
            others(why);
        }));
        tcsetattr(&input, OptionalActions::Flush, &raw)
            .map_err(|e| format!("the terminal cannot be set: {e}"))?;
        show(OPENS);
        Ok(taken)
    }

    /// Columns and lines, at least 20 and 5.
    #[must_use]
    pub fn size(&self) -> (usize, usize) {
        tcgetwinsize(std::io::stdout()).map_or((80, 24), |s| {
            let or = |n: u16, usual: usize| if n == 0 { usual } else { usize::from(n) };
            (or(s.ws_col, 80).max(20), or(s.ws_row, 24).max(5))
        })
    }

    /// Shows a picture in place of the one before, without a flicker. False when the terminal is gone.
    #[must_use]
    pub fn show(&self, picture: &str) -> bool {
        // Each line cleared to its end, then the rest of the screen.
        show(&format!("\x1b[H{}\x1b[J", picture.replace('\n', "\x1b[K\n")))
    }

    /// Sends bytes as they are. False when the terminal is gone.
    #[must_use]
    pub fn send(&self, bytes: &str) -> bool {
        show(bytes)
    }

    /// Rings its bell.
    pub fn ring(&self) {
        show("\x07");
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        give_back();
    }
}

fn show(text: &str) -> bool {
    let mut out = std::io::stdout().lock();
    out.write_all(text.as_bytes()).and_then(|()| out.flush()).is_ok()
}

/// The terminal as it was. Twice does nothing more.
fn give_back() {
    // A panic in here would never end: a lock that is held means that it is being given back.
    let Ok(mut before) = BEFORE.try_lock() else { return };
    if let Some(before) = before.take() {
        // Not by the standard library's lock, which whoever panics may hold.
        let _ = rustix::io::write(rustix::stdio::stdout(), CLOSES.as_bytes());
        // It may be gone: then there is nothing to give back.
        let _ = tcsetattr(rustix::stdio::stdin(), OptionalActions::Now, &before);
    }
}

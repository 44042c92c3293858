//! What holds of what the command line reads from a daemon, whatever answers there: the answer, the status in it, its
//! text, and the picture of `status --follow` with its keys.

use std::time::Duration;

use lampkeep::chair::keys::Key;
use lampkeep::cli::show;
use lampkeep::control::Status;
use lampkeep::control::client::{read_answer, read_status};
use lampkeep::follow::{Act, Desk, draw, paint};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::said;

/// Width and height of windows.
const WINDOWS: [(u16, u16); 7] = [(80, 24), (0, 0), (1, 1), (17, 3), (40, 10), (100, 34), (250, 70)];

/// Reads the lines of `input` as a daemon's and looks whether everything holds that must. Panics where something does
/// not.
pub fn hold(input: &[u8]) {
    let mut desk = Desk::default();
    let mut now = Duration::ZERO;
    let mut shown = None;
    for (index, line) in input.split(|b| *b == b'\n').take(8).enumerate() {
        now += Duration::from_secs(2);
        let key = Key::of(&[b"nprdyq"[index % 6]]).expect("a key");
        let _ = desk.key(&key, now);
        let answer = match read_answer(line) {
            Ok(answer) => answer,
            Err(why) => {
                said::is_fit(&why, usize::MAX, true);
                desk.lost(why);
                shown = Some(pictures(&desk, now, shown.as_ref()));
                continue;
            }
        };
        desk.answered(Act::ALL[index % 4].0, Ok(answer.clone()), now);
        match read_status(answer) {
            Ok(status) => {
                text(&status, line.len());
                desk.status(Box::new(status), now);
            }
            Err(why) => desk.lost(why),
        }
        shown = Some(pictures(&desk, now, shown.as_ref()));
    }
}

/// Nothing in it steers the terminal, and it is in proportion to what came.
fn text(status: &Status, came: usize) {
    let most = 65_536 + 40 * came;
    said::is_fit(&show::headline(&status.now), most, false);
    said::is_fit(&show::status(status), most, true);
}

/// Two windows each time: one of the usual size, and each of the others in turn.
fn pictures(desk: &Desk, now: Duration, before: Option<&Buffer>) -> Buffer {
    let mut last = None;
    for (width, height) in [WINDOWS[now.as_secs() as usize / 2 % WINDOWS.len()], WINDOWS[0]] {
        let mut buffer = Buffer::empty(Rect::new(0, 0, width, height));
        draw(desk, now, &mut buffer);
        for cell in buffer.content() {
            assert!(!cell.symbol().chars().any(char::is_control), "{:?}", cell.symbol());
        }
        for colour in [true, false] {
            let _ = paint::bytes(before, &buffer, colour);
        }
        last = Some(buffer);
    }
    last.expect("there are windows")
}

//! Teaching the buttons, one after another.

use std::time::Duration;

use super::buttons::{Button, Buttons};
use super::keys::Key;
use super::seat::REPEAT;

/// The key that leaves a button out. A pedal or remote hardly ever sends it.
const LEAVES_OUT: &[u8] = b"\t";

/// How far a lesson is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// It goes on.
    More,
    /// All buttons were taught or left out.
    Learned(Buttons),
    /// Ctrl-C: nothing is kept.
    Left,
}

/// A lesson.
#[derive(Debug, Default)]
pub struct Lesson {
    buttons: Buttons,
    /// Index into [`Button::ALL`].
    at: usize,
    /// When a key was last pressed.
    last: Option<Duration>,
    /// What is said of the key before.
    said: String,
}

impl Lesson {
    /// A lesson that begins by saying why it is needed, if there is a reason to be said.
    #[must_use]
    pub fn after(fault: Option<String>) -> Self {
        Self { said: fault.unwrap_or_default(), ..Self::default() }
    }

    /// Takes a key that was pressed at `now`. All that comes within [`REPEAT`] of the key before is ignored: a
    /// pedal that is held, that bounces, or that types a whole word.
    pub fn key(&mut self, key: Key, now: Duration) -> Outcome {
        if key.leaves() {
            return Outcome::Left;
        }
        let repeat = self.last.is_some_and(|last| now < last.saturating_add(REPEAT));
        self.last = Some(now);
        let Some(button) = Button::ALL.get(self.at).copied().filter(|_| !repeat) else {
            return Outcome::More;
        };
        if key.bytes() == LEAVES_OUT {
            let start = self.buttons.key(Button::TakeStart).cloned();
            self.said = match start.filter(|_| button == Button::TakeEnd) {
                // A take that is started from the chair can be ended from it.
                Some(key) => {
                    let _ = self.buttons.teach(Button::TakeEnd, key);
                    "take end: the button of take start ends it too".to_owned()
                }
                None => format!("{}: left out", button.said()),
            };
            self.at += 1;
        } else {
            let name = key.name();
            match self.buttons.teach(button, key) {
                Ok(()) => {
                    self.said = format!("{}: {name}", button.said());
                    self.at += 1;
                }
                Err(other) => {
                    self.said =
                        format!("{name} is the button for {} already: press another one", other.said());
                }
            }
        }
        if self.at < Button::ALL.len() {
            return Outcome::More;
        }
        if self.buttons.is_empty() {
            *self = Self {
                last: self.last,
                said: "no button was pressed: once more".to_owned(),
                ..Self::default()
            };
            return Outcome::More;
        }
        Outcome::Learned(std::mem::take(&mut self.buttons))
    }

    /// The button that is asked for, and what is said of the one before.
    #[must_use]
    pub fn asks(&self) -> (Option<Button>, &str) {
        (Button::ALL.get(self.at).copied(), &self.said)
    }
}

#[cfg(test)]
mod tests {
    use super::super::buttons::Press;
    use super::*;

    fn press(lesson: &mut Lesson, bytes: &[u8], at_ms: u64) -> Outcome {
        lesson.key(Key::of(bytes).unwrap(), Duration::from_millis(at_ms))
    }

    #[test]
    fn six_keys_teach_six_buttons() {
        let mut lesson = Lesson::default();
        for (n, key) in [b"1", b"2", b"3", b"4", b"5"].into_iter().enumerate() {
            assert_eq!(press(&mut lesson, key, n as u64 * 1000), Outcome::More);
        }
        let Outcome::Learned(buttons) = press(&mut lesson, b"6", 5000) else { panic!("learned") };
        assert_eq!(buttons.pressed(&Key::of(b"5").unwrap()), Some(Press::Of(Button::Retake)));
        assert_eq!(buttons.said(), "next 1 · previous 2 · take start 3 · take end 4 · retake 5 · dark 6");
    }

    #[test]
    fn a_button_pressed_for_two_things_is_said_and_a_held_one_is_one_press() {
        let mut lesson = Lesson::default();
        press(&mut lesson, b"a", 0);
        // Held: thirty a second for two seconds.
        for n in 0..60 {
            press(&mut lesson, b"a", 300 + n * 33);
        }
        assert_eq!(lesson.asks(), (Some(Button::Previous), "next: a"));
        press(&mut lesson, b"a", 4000);
        let (button, said) = lesson.asks();
        assert_eq!(
            (button, said),
            (Some(Button::Previous), "a is the button for next already: press another one")
        );
        press(&mut lesson, b"b", 4699);
        assert_eq!(lesson.asks().0, Some(Button::Previous), "within 0.7 s of the key before");
        press(&mut lesson, b"b", 5400);
        assert_eq!(lesson.asks().0, Some(Button::TakeStart));
    }

    #[test]
    fn tab_leaves_a_button_out_and_take_end_left_out_is_take_starts() {
        let mut lesson = Lesson::default();
        for (n, key) in [&b"\t"[..], b"\t", b"t", b"\t", b"\t"].into_iter().enumerate() {
            press(&mut lesson, key, n as u64 * 1000);
        }
        let Outcome::Learned(buttons) = press(&mut lesson, b"\t", 9000) else { panic!("learned") };
        assert_eq!(buttons.said(), "take start and end t");
        let mut lesson = Lesson::default();
        for n in 0..6 {
            assert_eq!(press(&mut lesson, b"\t", n * 1000), Outcome::More);
        }
        assert_eq!(lesson.asks(), (Some(Button::Next), "no button was pressed: once more"));
        assert_eq!(press(&mut lesson, &[3], 6000), Outcome::Left);
    }
}

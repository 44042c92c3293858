//! Which key is which button, as a person has taught it, and the file that keeps it.

use serde::{Deserialize, Serialize};

use super::keys::Key;

/// What can be done from the chair.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Button {
    /// The next look of the order.
    Next,
    /// The look before.
    Previous,
    /// A take starts.
    TakeStart,
    /// It ends.
    TakeEnd,
    /// It ends, not to be used, and the next one starts.
    Retake,
    /// Everything fades out.
    Dark,
}

impl Button {
    /// All of them, in the order in which they are taught.
    pub const ALL: [Self; 6] =
        [Self::Next, Self::Previous, Self::TakeStart, Self::TakeEnd, Self::Retake, Self::Dark];

    /// What it is called.
    #[must_use]
    pub const fn said(self) -> &'static str {
        match self {
            Self::Next => "next",
            Self::Previous => "previous",
            Self::TakeStart => "take start",
            Self::TakeEnd => "take end",
            Self::Retake => "retake",
            Self::Dark => "dark",
        }
    }
}

/// What a press asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Press {
    /// That button.
    Of(Button),
    /// The start of a take, or the end of the one that rolls: one key for both.
    Take,
}

/// Keys by button.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Buttons(Vec<(Button, Key)>);

/// The file's layout.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Text {
    version: u32,
    buttons: Vec<Line>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Line {
    button: Button,
    /// Bytes in hex, separated by spaces.
    key: String,
    /// For people; not read.
    #[serde(default)]
    name: String,
}

impl Buttons {
    /// Teaches a button. Errors: the button that the key is already, where one key cannot be both.
    ///
    /// One key may start a take and end it; nothing else is two things.
    pub fn teach(&mut self, button: Button, key: Key) -> Result<(), Button> {
        let take = |b: Button| matches!(b, Button::TakeStart | Button::TakeEnd);
        let other = self.0.iter().find(|(b, k)| *k == key && *b != button && !(take(*b) && take(button)));
        if let Some((other, _)) = other {
            return Err(*other);
        }
        self.0.retain(|(b, _)| *b != button);
        self.0.push((button, key));
        self.0.sort();
        Ok(())
    }

    /// The key of a button.
    #[must_use]
    pub fn key(&self, button: Button) -> Option<&Key> {
        self.0.iter().find(|(b, _)| *b == button).map(|(_, key)| key)
    }

    /// True when none was taught.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// What a key asks for; `None`: it is no button.
    #[must_use]
    pub fn pressed(&self, key: &Key) -> Option<Press> {
        let is = |button| self.key(button) == Some(key);
        if is(Button::TakeStart) && is(Button::TakeEnd) {
            return Some(Press::Take);
        }
        self.0.iter().find(|(_, k)| k == key).map(|(button, _)| Press::Of(*button))
    }

    /// All in one line for a person: `next Page Down · take start and end b`.
    #[must_use]
    pub fn said(&self) -> String {
        let both =
            self.key(Button::TakeStart).is_some() && self.key(Button::TakeStart) == self.key(Button::TakeEnd);
        let told = self.0.iter().filter(|(b, _)| !(both && *b == Button::TakeEnd));
        let told = told.map(|(button, key)| match button {
            Button::TakeStart if both => format!("take start and end {}", key.name()),
            _ => format!("{} {}", button.said(), key.name()),
        });
        told.collect::<Vec<_>>().join(" · ")
    }

    /// The text of the file that keeps them.
    #[must_use]
    pub fn text(&self) -> String {
        let line = |(button, key): &(Button, Key)| Line {
            button: *button,
            key: key.bytes().iter().map(|b| format!("{b:02x}")).collect::<Vec<_>>().join(" "),
            name: key.name(),
        };
        let text = Text { version: 1, buttons: self.0.iter().map(line).collect() };
        let mut text = serde_json::to_string_pretty(&text).unwrap_or_default();
        text.push('\n');
        text
    }

    /// Buttons from the file's text. Errors: what is wrong with it, in words.
    pub fn read(text: &str) -> Result<Self, String> {
        let text: Text = serde_json::from_str(text).map_err(|e| crate::words::short(&e.to_string()))?;
        if text.version != 1 {
            return Err(format!("version {} is not known", text.version));
        }
        let mut buttons = Self::default();
        for Line { button, key, .. } in text.buttons {
            let byte = |b: &str| u8::from_str_radix(b, 16).ok().filter(|_| b.len() == 2);
            let bytes: Option<Vec<u8>> = key.split(' ').map(byte).collect();
            let key = bytes.and_then(|bytes| Key::of(&bytes)).filter(|key| !key.leaves());
            let Some(key) = key else { return Err(format!("the key of {} is none", button.said())) };
            let taught = buttons.key(button).is_none().then(|| buttons.teach(button, key));
            match taught {
                Some(Ok(())) => {}
                Some(Err(other)) => {
                    return Err(format!("{} and {} have the same key", other.said(), button.said()));
                }
                None => return Err(format!("{} is there twice", button.said())),
            }
        }
        if buttons.is_empty() { Err("it has no button".to_owned()) } else { Ok(buttons) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn key(bytes: &[u8]) -> Key {
        Key::of(bytes).unwrap()
    }

    fn taught() -> Buttons {
        let mut buttons = Buttons::default();
        buttons.teach(Button::Next, key(b"\x1b[6~")).unwrap();
        buttons.teach(Button::TakeStart, key(b"b")).unwrap();
        buttons.teach(Button::TakeEnd, key(b"b")).unwrap();
        buttons
    }

    #[test]
    fn one_key_may_start_and_end_a_take_and_nothing_else_is_two_things() {
        let mut buttons = taught();
        assert_eq!(buttons.pressed(&key(b"b")), Some(Press::Take));
        assert_eq!(buttons.pressed(&key(b"\x1b[6~")), Some(Press::Of(Button::Next)));
        assert_eq!(buttons.pressed(&key(b"x")), None);
        assert_eq!(buttons.teach(Button::Dark, key(b"\x1b[6~")), Err(Button::Next));
        assert_eq!(buttons.teach(Button::Dark, key(b"b")), Err(Button::TakeStart));
        assert_eq!(buttons.said(), "next Page Down · take start and end b");
    }

    #[test]
    fn what_is_written_is_read_back_and_anything_else_is_refused_with_its_reason() {
        assert_eq!(Buttons::read(&taught().text()), Ok(taught()));
        let of = |lines: &str| format!(r#"{{"version":1,"buttons":[{lines}]}}"#);
        for (text, why) in [
            (String::from("{"), "EOF"),
            (String::from(r#"{"version":2,"buttons":[]}"#), "version 2"),
            (of(""), "no button"),
            (of(r#"{"button":"next","key":"3"}"#), "the key of next"),
            (of(r#"{"button":"next","key":"03"}"#), "the key of next"),
            (of(r#"{"button":"next","key":"62"},{"button":"dark","key":"62"}"#), "the same key"),
            (of(r#"{"button":"next","key":"62"},{"button":"next","key":"63"}"#), "twice"),
            (of(r#"{"button":"strobe","key":"62"}"#), "unknown variant"),
        ] {
            let error = Buttons::read(&text).unwrap_err();
            assert!(error.contains(why), "{text}: {error}");
        }
    }
}

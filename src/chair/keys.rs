//! What a terminal sends, cut into the keys that were pressed.

use std::time::Duration;

/// An escape byte followed by nothing for this long is the escape key. Judgement: the bytes of one key come
/// together, over a slow line within some milliseconds; a person's next key takes a tenth of a second.
pub const ESC_WITHIN: Duration = Duration::from_millis(50);
/// Longest sequence that is taken for one key. The longest usual ones have eight bytes.
const LONGEST: usize = 32;
/// Ctrl-C as a terminal in its raw mode sends it.
const INTERRUPT: u8 = 0x03;
const ESC: u8 = 0x1b;

/// The bytes that one press of a key sends.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Key(Vec<u8>);

impl Key {
    /// A key by its bytes, one to 32; `None` for others.
    #[must_use]
    pub fn of(bytes: &[u8]) -> Option<Self> {
        (1..=LONGEST).contains(&bytes.len()).then(|| Self(bytes.to_vec()))
    }

    /// Its bytes.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        &self.0
    }

    /// True for Ctrl-C, which always leaves.
    #[must_use]
    pub fn leaves(&self) -> bool {
        self.0 == [INTERRUPT]
    }

    /// What is printed on it, as far as that is known; else its bytes in hex.
    #[must_use]
    pub fn name(&self) -> String {
        if let Some((_, name)) = NAMES.iter().find(|(bytes, _)| *bytes == self.0) {
            return (*name).to_owned();
        }
        match std::str::from_utf8(&self.0) {
            Ok(text) if text.chars().count() == 1 && !text.chars().any(char::is_control) => text.to_owned(),
            _ => match self.0.as_slice() {
                [control @ 1..=26] => format!("Ctrl-{}", char::from(control + b'A' - 1)),
                bytes => bytes.iter().map(|b| format!("{b:02x}")).collect::<Vec<_>>().join(" "),
            },
        }
    }
}

/// Keys that pedals and remotes send. Source: ECMA-48 for the forms; the numbers are those of common terminals,
/// from memory, and only name a key: what is learned are its bytes.
const NAMES: &[(&[u8], &str)] = &[
    (b"\r", "Enter"),
    (b"\n", "Enter"),
    (b"\t", "Tab"),
    (b" ", "Space"),
    (b"\x7f", "Backspace"),
    (b"\x1b", "Esc"),
    (b"\x1b[A", "Up"),
    (b"\x1b[B", "Down"),
    (b"\x1b[C", "Right"),
    (b"\x1b[D", "Left"),
    (b"\x1b[H", "Home"),
    (b"\x1b[1~", "Home"),
    (b"\x1b[F", "End"),
    (b"\x1b[4~", "End"),
    (b"\x1b[2~", "Insert"),
    (b"\x1b[3~", "Delete"),
    (b"\x1b[5~", "Page Up"),
    (b"\x1b[6~", "Page Down"),
    (b"\x1bOP", "F1"),
    (b"\x1bOQ", "F2"),
    (b"\x1bOR", "F3"),
    (b"\x1bOS", "F4"),
    (b"\x1b[[A", "F1"),
    (b"\x1b[[B", "F2"),
    (b"\x1b[[C", "F3"),
    (b"\x1b[[D", "F4"),
    (b"\x1b[[E", "F5"),
    (b"\x1b[15~", "F5"),
    (b"\x1b[17~", "F6"),
    (b"\x1b[18~", "F7"),
    (b"\x1b[19~", "F8"),
    (b"\x1b[20~", "F9"),
    (b"\x1b[21~", "F10"),
    (b"\x1b[23~", "F11"),
    (b"\x1b[24~", "F12"),
];

/// Cuts what comes into keys, also where a key comes in parts.
#[derive(Debug, Default)]
pub struct Splitter {
    kept: Vec<u8>,
    /// When the last of them came.
    since: Duration,
}

impl Splitter {
    /// Takes bytes that came at `now`, and gives the keys that are whole.
    pub fn take(&mut self, bytes: &[u8], now: Duration) -> Vec<Key> {
        self.kept.extend_from_slice(bytes);
        self.since = now;
        let mut keys = Vec::new();
        while let Some(length) = first_key(&self.kept) {
            let rest = self.kept.split_off(length);
            keys.push(Key(std::mem::replace(&mut self.kept, rest)));
        }
        keys
    }

    /// When to ask again with [`Self::pass`]; `None` while nothing is begun.
    #[must_use]
    pub fn due(&self) -> Option<Duration> {
        (!self.kept.is_empty()).then(|| self.since.saturating_add(ESC_WITHIN))
    }

    /// The key that was begun, once nothing more has come of it.
    pub fn pass(&mut self, now: Duration) -> Option<Key> {
        let due = self.due()?;
        (now >= due).then(|| Key(std::mem::take(&mut self.kept)))
    }
}

/// Bytes of the first key; `None`: none, or one that has only begun.
///
/// Source: ECMA-48, 5.4: a control sequence is `ESC [`, parameters and intermediates from 0x20 to 0x3f, and a
/// final byte from 0x40 to 0x7e. The Linux console sends F1 to F5 as `ESC [ [` and a letter; `ESC O` takes
/// one letter; `ESC` before any other character is that with Alt held.
fn first_key(bytes: &[u8]) -> Option<usize> {
    match bytes {
        [] | [ESC] | [ESC, b'['] | [ESC, b'O'] | [ESC, b'[', b'['] => None,
        [ESC, ESC, ..] => Some(1),
        [ESC, b'[', b'[', ..] => Some(4),
        [ESC, b'[', rest @ ..] => {
            let end = rest.iter().position(|b| !(0x20..=0x3f).contains(b));
            match end {
                Some(at) if (0x40..=0x7e).contains(&rest[at]) && at + 3 <= LONGEST => Some(at + 3),
                // No sequence after all: what came is one key, and another begins.
                Some(at) => Some((at + 2).min(LONGEST)),
                None if rest.len() + 2 >= LONGEST => Some(LONGEST),
                None => None,
            }
        }
        [ESC, b'O', _, ..] => Some(3),
        [ESC, rest @ ..] => character(rest).map(|n| n + 1),
        rest => character(rest),
    }
}

/// Bytes of the first character; one byte where it is no UTF-8, `None` where it has only begun.
fn character(bytes: &[u8]) -> Option<usize> {
    let length = match bytes.first()? {
        0xc2..=0xdf => 2,
        0xe0..=0xef => 3,
        0xf0..=0xf4 => 4,
        _ => return Some(1),
    };
    let there = &bytes[..length.min(bytes.len())];
    if there[1..].iter().any(|b| b & 0xc0 != 0x80) {
        return Some(1);
    }
    (there.len() == length).then_some(length)
}

#[cfg(test)]
mod tests {
    use super::*;

    const MS: Duration = Duration::from_millis(1);

    fn keys(bytes: &[u8]) -> Vec<String> {
        let mut splitter = Splitter::default();
        let mut keys = splitter.take(bytes, Duration::ZERO);
        keys.extend(splitter.pass(ESC_WITHIN));
        keys.iter().map(Key::name).collect()
    }

    #[test]
    fn a_burst_is_cut_into_its_keys() {
        assert_eq!(keys(b"b\x1b[6~\x1b[5~ \x1bOP\r"), ["b", "Page Down", "Page Up", "Space", "F1", "Enter"]);
        assert_eq!(keys("é.\u{1f3ac}".as_bytes()), ["é", ".", "\u{1f3ac}"]);
        assert_eq!(keys(b"\x1b[[Aq\x1b[1;5C"), ["F1", "q", "1b 5b 31 3b 35 43"]);
        assert_eq!(keys(b"\x1b"), ["Esc"]);
        assert_eq!(keys(b"\x1b\x1b[A"), ["Esc", "Up"]);
        assert_eq!(keys(b"\x1bx"), ["1b 78"]);
        assert_eq!(keys(&[0x03, 0xff, b'\t']), ["Ctrl-C", "ff", "Tab"]);
    }

    #[test]
    fn a_key_that_comes_byte_by_byte_is_one_key_and_an_escape_alone_is_told_by_time() {
        let mut splitter = Splitter::default();
        for (n, byte) in b"\x1b[15".iter().enumerate() {
            assert!(splitter.take(&[*byte], MS * n as u32).is_empty());
            assert_eq!(splitter.pass(MS * n as u32), None);
        }
        assert_eq!(splitter.take(b"~", 5 * MS)[0].name(), "F5");
        assert_eq!(splitter.due(), None);
        assert!(splitter.take(b"\x1b", 10 * MS).is_empty());
        assert_eq!(splitter.pass(59 * MS), None);
        assert_eq!(splitter.pass(60 * MS).map(|k| k.name()).as_deref(), Some("Esc"));
    }

    /// Whatever comes, every byte is in one key, in order, and none is longer than the longest.
    #[test]
    fn no_byte_is_lost_whatever_comes() {
        let mut state = 7_u32;
        for _ in 0..2000 {
            let mut splitter = Splitter::default();
            let (mut sent, mut got) = (Vec::<u8>::new(), Vec::new());
            for _ in 0..20 {
                let mut chunk = Vec::new();
                for _ in 0..9 {
                    state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    let byte = (state >> 24) as u8;
                    chunk.push(match byte % 4 {
                        0 => ESC,
                        1 => b'[',
                        2 => b'0' + byte % 10,
                        _ => byte,
                    });
                }
                sent.extend(&chunk);
                got.extend(splitter.take(&chunk, Duration::ZERO));
            }
            got.extend(splitter.pass(ESC_WITHIN));
            assert!(got.iter().all(|k| (1..=LONGEST).contains(&k.bytes().len())));
            let joined: Vec<u8> = got.iter().flat_map(|k| k.bytes().to_vec()).collect();
            assert_eq!(joined, sent);
        }
    }
}

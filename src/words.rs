//! Words for people that several places need: the nearest known name, and outside text made safe.

use std::borrow::Cow;

/// The known name nearest to `word`, if one is near enough to be meant.
///
/// Distance: Damerau-Levenshtein (strsim), at most a third of the longer word, at least one edit. Words whose lengths
/// differ by more than that are not compared: the cost grows with both lengths, and outside text may be long.
pub fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let long = word.chars().count();
    let mut lower = None;
    known
        .into_iter()
        .filter_map(|k| {
            let known_long = k.chars().count();
            let most = (known_long.max(long) / 3).max(1);
            if known_long.abs_diff(long) > most {
                return None;
            }
            let lower = lower.get_or_insert_with(|| word.to_lowercase());
            let distance = strsim::damerau_levenshtein(lower, &k.to_lowercase());
            (distance <= most).then_some((distance, k))
        })
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, k)| k)
}

/// Outside text for a message: control characters shown as `·`, cut at 80 characters.
#[must_use]
pub fn short(text: &str) -> String {
    let mut out: String = text.chars().take(80).map(|c| if c.is_control() { '·' } else { c }).collect();
    if text.chars().nth(80).is_some() {
        out.push('…');
    }
    out
}

/// A text as XML and HTML may hold it, in quotes too. Control characters but line ends and tabs are left out, and what XML has no
/// character for.
#[must_use]
pub fn markup(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\n' | '\t' => out.push(c),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => {}
            c => out.push(c),
        }
    }
    out
}

/// A place on a clock's face, to the nearest five minutes of it: 7.52 hours are `7:30`. Whatever number comes in, a place
/// comes out.
#[must_use]
pub fn clock_face(hours: f64) -> String {
    let minutes = (hours * 12.0).round().rem_euclid(144.0) as u32 * 5 % 720;
    format!("{}:{:02}", if minutes < 60 { 12 } else { minutes / 60 }, minutes % 60)
}

/// A length without its sign in whole feet and inches, to the nearest inch. 1 in = 25.4 mm exactly (international inch).
#[must_use]
pub fn feet_and_inches(metres: f64) -> (u64, u64) {
    let inches = (metres.abs() / 0.0254).round() as u64;
    (inches / 12, inches % 12)
}

/// A number from outside as a person would write it: no 300 digits for 1e300.
#[must_use]
pub fn number(number: f64) -> String {
    let size = number.abs();
    if size == 0.0 || (1e-6..1e15).contains(&size) { number.to_string() } else { format!("{number:e}") }
}

/// Outside text as it may be shown on a terminal or in a log: control characters but line ends and tabs are `·`.
#[must_use]
pub fn shown(text: &str) -> Cow<'_, str> {
    let steers = |c: char| c.is_control() && !matches!(c, '\n' | '\t');
    if text.contains(steers) { text.replace(steers, "·").into() } else { text.into() }
}

/// A message about outside text: control characters are `·`, and of more than `most` characters the rest is cut.
#[must_use]
pub fn fitted(text: String, most: usize) -> String {
    if text.len() <= most && !text.contains(char::is_control) {
        return text;
    }
    let mut chars = text.chars().map(|c| if c.is_control() { '·' } else { c });
    let mut out: String = chars.by_ref().take(most).collect();
    if chars.next().is_some() {
        out.pop();
        out.push('…');
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_name_breaks_a_page() {
        assert_eq!(markup("<a&b>\"\u{1b}\u{fffe}\n"), "&lt;a&amp;b&gt;&quot;\n");
    }

    /// Source: docs/plan-reference.md: `7:30` is half past seven on the clock's face; 12 in a foot, 1 in = 25.4 mm.
    #[test]
    fn clocks_and_feet_are_said_to_the_nearest_mark() {
        assert_eq!(
            [7.52, 0.0, 11.99, -1.0, f64::NAN].map(clock_face),
            ["7:30", "12:00", "12:00", "11:00", "12:00"]
        );
        assert_eq!([1.5, -0.3048, 0.0].map(feet_and_inches), [(4, 11), (1, 0), (0, 0)]);
    }

    #[test]
    fn a_message_is_cut_and_what_is_shown_cannot_steer_a_terminal() {
        assert_eq!(shown("a\u{1b}[31m\n\tb\u{9b}\r"), "a·[31m\n\tb··");
        assert_eq!(fitted("é\u{7}b".into(), 3), "é·b");
        assert_eq!(fitted("äöüß".into(), 3), "äö…");
        assert_eq!(fitted("quay".into(), 4), "quay");
        assert_eq!([number(-0.5), number(4.2e-280), number(1e300)], ["-0.5", "4.2e-280", "1e300"]);
    }

    #[test]
    fn a_slip_finds_its_word_and_nonsense_finds_none() {
        assert_eq!(nearest("quay-dsuk", ["quay-dusk", "split"]), Some("quay-dusk"));
        assert_eq!(nearest("kelvn", ["kelvin", "lux"]), Some("kelvin"));
        assert_eq!(nearest("zzzzzz", ["kelvin", "lux"]), None);
    }

    /// A hundred thousand comparisons of a request's longest word would take minutes if each were worked out.
    #[test]
    fn a_word_far_longer_than_any_known_one_costs_nothing() {
        let long = "quay-dusk".repeat(1800);
        for _ in 0..10_000 {
            assert_eq!(nearest(&long, ["quay-dusk"; 10]), None);
        }
    }

    #[test]
    fn outside_text_is_cut_and_cannot_steer_a_terminal() {
        assert_eq!(short("a\u{1b}[31mb\n"), "a·[31mb·");
        assert_eq!(short(&"x".repeat(500)).chars().count(), 81);
    }
}

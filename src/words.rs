//! Words for people that several places need: the nearest known name, and outside text made safe.

/// The known name nearest to `word`, if one is near enough to be meant.
///
/// Distance: Damerau-Levenshtein (strsim), at most a third of the longer word, at least one edit.
pub fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let lower = word.to_lowercase();
    known
        .into_iter()
        .map(|k| (strsim::damerau_levenshtein(&lower, &k.to_lowercase()), k))
        .filter(|(distance, k)| *distance <= (k.chars().count().max(word.chars().count()) / 3).max(1))
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_finds_its_word_and_nonsense_finds_none() {
        assert_eq!(nearest("quay-dsuk", ["quay-dusk", "split"]), Some("quay-dusk"));
        assert_eq!(nearest("kelvn", ["kelvin", "lux"]), Some("kelvin"));
        assert_eq!(nearest("zzzzzz", ["kelvin", "lux"]), None);
    }

    #[test]
    fn outside_text_is_cut_and_cannot_steer_a_terminal() {
        assert_eq!(short("a\u{1b}[31mb\n"), "a·[31mb·");
        assert_eq!(short(&"x".repeat(500)).chars().count(), 81);
    }
}

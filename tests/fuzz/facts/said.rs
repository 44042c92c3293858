//! What holds of every word that is said of outside text.

/// Asserts that `text` is fit for a person's terminal and a log: no longer than `most` characters, and nothing in it
/// steers a terminal. Line ends and tabs are taken where `lines`.
pub fn is_fit(text: &str, most: usize, lines: bool) {
    let long = text.chars().count();
    assert!(long <= most, "{long} characters, {most} are the most: {:.200}", text);
    let steers = |c: char| c.is_control() && !(lines && matches!(c, '\n' | '\t'));
    assert!(!text.chars().any(steers), "{:?}", text.chars().find(|c| steers(*c)));
}

//! Large letters in three lines of half blocks, or five of whole ones where there is room.

use crate::cli::big;

/// Lines of a name in half blocks.
pub const HALF_LINES: u16 = 3;
/// Lines of a name in whole blocks.
pub const WHOLE_LINES: u16 = 5;
/// Columns of a letter in half blocks, the gap after it included.
const HALF_COLUMNS: usize = 4;
/// Columns of a letter in whole blocks: two for each dot, which looks square on most terminals.
const WHOLE_COLUMNS: usize = 8;

/// `text` in large letters of at most `width` columns and `lines` lines: three of half blocks, five of whole ones;
/// `None` where it does not fit.
#[must_use]
pub fn large(text: &str, width: u16, lines: u16) -> Option<Vec<String>> {
    let count = text.chars().count();
    // No gap is needed after the last letter.
    let fits = |columns: usize, gap: usize| count > 0 && count * columns - gap <= usize::from(width);
    if lines >= WHOLE_LINES && fits(WHOLE_COLUMNS, 2) {
        return Some(
            big::letters(text, usize::from(width).max(count * WHOLE_COLUMNS))
                .lines()
                .map(str::to_owned)
                .collect(),
        );
    }
    (lines >= HALF_LINES && fits(HALF_COLUMNS, 1)).then(|| half(text))
}

/// Two rows of dots in each line.
fn half(text: &str) -> Vec<String> {
    let row = |letter: char, row: usize| big::pixels(letter).get(row).copied().unwrap_or(0);
    let line = |line: usize| {
        let mut out = String::new();
        for letter in text.chars() {
            let (upper, lower) = (row(letter, 2 * line), row(letter, 2 * line + 1));
            out.extend([4, 2, 1, 0].map(|dot| match (upper & dot != 0, lower & dot != 0) {
                (true, true) => '█',
                (true, false) => '▀',
                (false, true) => '▄',
                (false, false) => ' ',
            }));
        }
        out.trim_end().to_owned()
    };
    (0..usize::from(HALF_LINES)).map(line).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_takes_the_largest_letters_that_fit_and_none_where_none_do() {
        assert_eq!(large("rest", 80, 5).map(|l| l.len()), Some(5));
        assert_eq!(large("rest", 80, 3).map(|l| l.len()), Some(3));
        assert_eq!(large("pilot-triangle", 60, 5).map(|l| l.len()), Some(3), "112 columns in whole blocks");
        assert_eq!(large("pilot-triangle", 54, 5), None);
        assert_eq!(large("", 80, 5), None);
    }

    #[test]
    fn half_blocks_draw_the_same_dots_as_whole_ones() {
        for text in ["pilot-triangle", "4/3", "x.y:z0123456789"] {
            let whole = big::letters(text, text.chars().count() * 4);
            let whole: Vec<Vec<char>> = whole.lines().map(|l| l.chars().collect()).collect();
            for (line, half) in half(text).iter().enumerate() {
                assert!(half.chars().count() <= text.chars().count() * HALF_COLUMNS);
                for (column, mark) in half.chars().enumerate() {
                    let dot = |row: usize| {
                        whole.get(row).and_then(|r| r.get(column)).copied().unwrap_or(' ') == '█'
                    };
                    let drawn = match mark {
                        '█' => (true, true),
                        '▀' => (true, false),
                        '▄' => (false, true),
                        _ => (false, false),
                    };
                    assert_eq!(
                        drawn,
                        (dot(2 * line), dot(2 * line + 1)),
                        "{text} line {line} column {column}"
                    );
                }
            }
        }
    }
}

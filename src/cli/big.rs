//! Letters five rows high, for a screen that is read from a chair.

/// Rows of each letter, three pixels a row, the leftmost in bit 2.
pub(crate) fn pixels(letter: char) -> [u8; 5] {
    match letter.to_ascii_uppercase() {
        'A' => [2, 5, 7, 5, 5],
        'B' => [6, 5, 6, 5, 6],
        'C' => [3, 4, 4, 4, 3],
        'D' => [6, 5, 5, 5, 6],
        'E' => [7, 4, 6, 4, 7],
        'F' => [7, 4, 6, 4, 4],
        'G' => [3, 4, 5, 5, 3],
        'H' => [5, 5, 7, 5, 5],
        'I' => [7, 2, 2, 2, 7],
        'J' => [1, 1, 1, 5, 2],
        'K' => [5, 5, 6, 5, 5],
        'L' => [4, 4, 4, 4, 7],
        'M' => [5, 7, 7, 5, 5],
        'N' => [6, 5, 5, 5, 5],
        'O' => [2, 5, 5, 5, 2],
        'P' => [6, 5, 6, 4, 4],
        'Q' => [2, 5, 5, 6, 3],
        'R' => [6, 5, 6, 5, 5],
        'S' => [3, 4, 2, 1, 6],
        'T' => [7, 2, 2, 2, 2],
        'U' => [5, 5, 5, 5, 7],
        'V' => [5, 5, 5, 5, 2],
        'W' => [5, 5, 7, 7, 5],
        'X' => [5, 5, 2, 5, 5],
        'Y' => [5, 5, 2, 2, 2],
        'Z' => [7, 1, 2, 4, 7],
        '0' => [7, 5, 5, 5, 7],
        '1' => [2, 6, 2, 2, 7],
        '2' => [6, 1, 2, 4, 7],
        '3' => [6, 1, 2, 1, 6],
        '4' => [5, 5, 7, 1, 1],
        '5' => [7, 4, 6, 1, 6],
        '6' => [3, 4, 6, 5, 2],
        '7' => [7, 1, 2, 2, 2],
        '8' => [2, 5, 2, 5, 2],
        '9' => [2, 5, 3, 1, 6],
        '-' => [0, 0, 7, 0, 0],
        '/' => [1, 1, 2, 4, 4],
        '.' => [0, 0, 0, 0, 2],
        ':' => [0, 2, 0, 2, 0],
        _ => [0; 5],
    }
}

/// `text` in large letters if it fits into `width` columns, else as it is.
#[must_use]
pub fn letters(text: &str, width: usize) -> String {
    let count = text.chars().count();
    // A pixel is two columns wide where there is room, which looks square on most terminals.
    let Some(pixel) = [2, 1].into_iter().find(|p| count * 4 * p <= width) else {
        return format!("{text}\n");
    };
    let mut out = String::new();
    for row in 0..5 {
        let mut line = String::new();
        for letter in text.chars() {
            let bits = pixels(letter)[row];
            for column in [4, 2, 1, 0] {
                let mark = if bits & column != 0 { '█' } else { ' ' };
                line.extend(std::iter::repeat_n(mark, pixel));
            }
        }
        out.push_str(line.trim_end());
        out.push('\n');
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_look_name_fits_eighty_columns_and_a_long_one_stays_plain() {
        assert!(letters("pilot-triangle", 80).lines().all(|l| l.chars().count() <= 80));
        assert_eq!(letters("pilot-triangle", 80).lines().count(), 5);
        assert_eq!(letters(&"x".repeat(40), 80), format!("{}\n", "x".repeat(40)));
    }
}

//! A picture as the bytes that turn the one before into it on a terminal.
//!
//! Source of the control sequences: ECMA-48 (cursor position, select graphic rendition, erase in page); the
//! colours are its eight.

use std::fmt::Write;

use ratatui::buffer::{Buffer, Cell};
use ratatui::style::{Color, Modifier};

/// Bytes that show `next` where `shown` is on the screen; `None`: nothing is known to be there. `colour`: false where
/// the person wants none; what matters is told by weight and reverse too. No cell may hold a control character:
/// `view` draws none.
#[must_use]
pub fn bytes(shown: Option<&Buffer>, next: &Buffer, colour: bool) -> String {
    let empty;
    let mut out = String::new();
    let before = match shown.filter(|b| b.area == next.area) {
        Some(before) => before,
        None => {
            out.push_str("\x1b[0m\x1b[2J");
            empty = Buffer::empty(next.area);
            &empty
        }
    };
    let mut at = None;
    let mut style = String::new();
    for (x, y, cell) in before.diff(next) {
        if at != Some((x, y)) {
            let _ = write!(out, "\x1b[{};{}H", y + 1, x + 1);
        }
        let wanted = rendition(cell, colour);
        if wanted != style {
            out.push_str(&wanted);
            style = wanted;
        }
        out.push_str(cell.symbol());
        at = Some((x + 1, y));
    }
    if !style.is_empty() {
        out.push_str("\x1b[0m");
    }
    out
}

/// Select graphic rendition: all of it anew, so that nothing is left of the cell before.
fn rendition(cell: &Cell, colour: bool) -> String {
    let mut out = "\x1b[0".to_owned();
    for (modifier, code) in [
        (Modifier::BOLD, ";1"),
        (Modifier::DIM, ";2"),
        (Modifier::UNDERLINED, ";4"),
        (Modifier::REVERSED, ";7"),
    ] {
        if cell.modifier.contains(modifier) {
            out.push_str(code);
        }
    }
    if colour {
        out.push_str(match cell.fg {
            Color::Red => ";31",
            Color::Green => ";32",
            Color::Yellow => ";33",
            Color::Cyan => ";36",
            _ => "",
        });
    }
    out.push('m');
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use ratatui::layout::Rect;
    use ratatui::style::Style;

    fn picture(text: &str, style: Style) -> Buffer {
        let mut buffer = Buffer::empty(Rect::new(0, 0, 20, 2));
        buffer.set_stringn(2, 1, text, 18, style);
        buffer
    }

    #[test]
    fn only_what_changed_is_sent_and_nothing_where_nothing_did() {
        let (a, b) = (picture("key -0.2", Style::new()), picture("key -0.3", Style::new()));
        assert_eq!(bytes(Some(&a), &a, true), "");
        assert_eq!(bytes(Some(&a), &b, true), "\x1b[2;10H\x1b[0m3\x1b[0m");
        assert!(bytes(None, &a, true).starts_with("\x1b[0m\x1b[2J"));
        let wider = Buffer::empty(Rect::new(0, 0, 21, 2));
        assert!(bytes(Some(&a), &wider, true).contains("\x1b[2J"), "another size is drawn anew");
    }

    #[test]
    fn without_colour_weight_and_reverse_stay() {
        let style = Style::new().fg(Color::Red).add_modifier(Modifier::BOLD | Modifier::REVERSED);
        let warning = picture("!", style);
        assert!(bytes(None, &warning, true).contains("\x1b[0;1;7;31m!"));
        assert!(bytes(None, &warning, false).contains("\x1b[0;1;7m!"));
    }
}

//! Lines of the picture: pieces of text with their weight, cut, spread and broken to a width.

use ratatui::style::{Color, Modifier, Style};

/// As it is.
pub(super) const PLAIN: Style = Style::new();
/// What can be left unread.
pub(super) const FAINT: Style = Style::new().add_modifier(Modifier::DIM);
/// What is looked for.
pub(super) const STRONG: Style = Style::new().add_modifier(Modifier::BOLD);
/// What needs attention.
pub(super) const WARNS: Style = Style::new().fg(Color::Yellow).add_modifier(Modifier::BOLD);
/// What needs it at once.
pub(super) const ALARMS: Style =
    Style::new().fg(Color::Red).add_modifier(Modifier::BOLD.union(Modifier::REVERSED));
/// What must not be missed.
pub(super) const ROLLS: Style = Style::new().add_modifier(Modifier::BOLD.union(Modifier::REVERSED));

/// A piece of a line.
pub(super) type Piece = (String, Style);
/// A line.
pub(super) type Line = Vec<Piece>;

/// Two pieces at the ends of a line; the right one gives way.
pub(super) fn spread(left: Piece, right: Piece, width: u16) -> Line {
    let used = left.0.chars().count() + right.0.chars().count();
    let gap = usize::from(width).saturating_sub(used);
    if gap == 0 {
        return vec![left];
    }
    vec![left, (" ".repeat(gap), PLAIN), right]
}

/// A text of at most so many columns, with a mark where it was cut: before its last part, which tells what to do, where that takes
/// less than half.
pub(super) fn cut(text: &str, width: u16) -> String {
    let width = usize::from(width);
    if text.chars().count() <= width {
        return text.to_owned();
    }
    if let Some((_, last)) = text.rsplit_once("; ")
        && let tail = format!("…; {last}")
        && tail.chars().count() < width / 2
    {
        return text.chars().take(width - tail.chars().count()).collect::<String>() + &tail;
    }
    text.chars().take(width.saturating_sub(1)).chain(std::iter::once('…')).collect()
}

/// A text broken between words into at most `most` lines, the first begun with `mark` and the others indented as far.
pub(super) fn wrapped(mark: &str, text: &str, width: u16, most: usize, style: Style) -> Vec<Line> {
    let room = usize::from(width).saturating_sub(mark.chars().count()).max(1);
    let mut rows: Vec<String> = vec![String::new()];
    for word in text.split_whitespace() {
        let row = rows.last_mut().map_or(0, |r| r.chars().count());
        if row > 0 && row + 1 + word.chars().count() > room {
            rows.push(word.to_owned());
        } else if let Some(last) = rows.last_mut() {
            if row > 0 {
                last.push(' ');
            }
            last.push_str(word);
        }
    }
    if rows.len() > most.max(1) {
        let rest = rows.split_off(most.max(1) - 1).join(" ");
        rows.push(rest);
    }
    let indent = " ".repeat(mark.chars().count());
    let row = |(index, row): (usize, String)| {
        let start = if index == 0 { mark } else { &indent };
        vec![(format!("{start}{}", cut(&row, room as u16)), style)]
    };
    rows.into_iter().enumerate().map(row).collect()
}

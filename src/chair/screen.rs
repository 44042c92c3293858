//! The chair's picture: what matters now in letters that read across a room.

use std::time::Duration;

use super::buttons::{Button, Buttons};
use super::lesson::Lesson;
use super::seat::Seat;
use crate::cli::big;

/// Alerts that are shown; `lampkeep status` has them all.
const ALERTS: usize = 3;

/// The picture at `now`, at most `height` lines of `width` columns.
#[must_use]
pub fn picture(seat: &Seat, buttons: &Buttons, now: Duration, width: usize, height: usize) -> String {
    let mut large: Vec<String> = Vec::new();
    let mut lines: Vec<String> = Vec::new();
    let notice = seat.notice();
    let refused = notice.filter(|n| !n.large.is_empty() && now < n.until);
    let countdown = seat.countdown(now).filter(|_| seat.gone().is_none());
    if let Some(refused) = refused {
        large.extend(refused.large.iter().cloned());
    } else if let Some(why) = seat.gone() {
        large.push("NO DAEMON".to_owned());
        lines.push(format!("{why} · trying again each second; the light stays as the daemon left it"));
        lines.extend(seat.take().map(|take| format!("take {take} rolled when it was last heard of")));
    } else if let Some(take) = seat.take() {
        large.push(format!("TAKE {take}"));
    } else if let Some((_, left)) = countdown {
        large.push(format!("IN {left}"));
    } else {
        large.push(seat.newest().map_or_else(|| "...".to_owned(), |s| s.now.look.clone()));
    }
    lines.extend(notice.iter().flat_map(|n| n.said.iter().cloned()));
    if let Some((what, left)) = countdown {
        lines.push(format!("in {left} s: {what}"));
    }
    if let Some(status) = seat.newest().filter(|_| seat.gone().is_none()) {
        let fade = if status.now.fading { " · fading" } else { "" };
        let next = status.order.next.as_deref().unwrap_or("none");
        lines.push(String::new());
        lines.push(format!("{} · lit: {}{fade} · next: {next}", status.set, status.now.look));
        lines.extend(status.alerts.iter().take(ALERTS).map(|a| format!("! {}", a.said)));
    }
    lines.push(String::new());
    lines.push(format!("{} · Ctrl-C leaves, the light stays", buttons.said()));
    framed(&large, &lines, width, height)
}

/// The picture while the buttons are taught.
#[must_use]
pub fn lesson(lesson: &Lesson, width: usize, height: usize) -> String {
    let (button, said) = lesson.asks();
    let Some(button) = button else { return String::new() };
    let number = Button::ALL.iter().position(|b| *b == button).map_or(0, |n| n + 1);
    let out = match button {
        Button::TakeEnd => "Tab: the button of take start ends it too",
        _ => "Tab: none for this",
    };
    let lines = [
        said.to_owned(),
        String::new(),
        format!("Button {number} of {}: press the one for {}", Button::ALL.len(), what_it_does(button)),
        format!("{out} · Ctrl-C: stop, nothing is kept"),
    ];
    framed(&[button.said().to_uppercase()], &lines, width, height)
}

fn what_it_does(button: Button) -> &'static str {
    match button {
        Button::Next => "the next look",
        Button::Previous => "the look before",
        Button::TakeStart => "the start of a take",
        Button::TakeEnd => "its end (the same button may start and end a take)",
        Button::Retake => "retake: this take was bad, start the next",
        Button::Dark => "dark, which never waits",
    }
}

fn framed(large: &[String], lines: &[String], width: usize, height: usize) -> String {
    let mut all: Vec<String> = Vec::new();
    for text in large {
        all.extend(big::letters(text, width).lines().map(str::to_owned));
        all.push(String::new());
    }
    all.extend(lines.iter().flat_map(|line| wrapped(line, width)));
    let mut out = String::new();
    for line in all.iter().take(height.saturating_sub(1)) {
        // What came from outside must not steer the terminal.
        out.extend(line.chars().take(width).map(|c| if c.is_control() { '·' } else { c }));
        out.push('\n');
    }
    out
}

/// A line broken between words so that none is wider than `width`; a longer word is cut.
fn wrapped(line: &str, width: usize) -> Vec<String> {
    let mut out = vec![String::new()];
    let mut used = 0;
    for word in line.split(' ') {
        let length = word.chars().count();
        let Some(last) = out.last_mut() else { break };
        if used > 0 && used + 1 + length > width {
            used = length;
            out.push(word.to_owned());
            continue;
        }
        if used > 0 || !last.is_empty() {
            last.push(' ');
            used += 1;
        }
        last.push_str(word);
        used += length;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_break_between_words_and_nothing_is_lost() {
        assert_eq!(wrapped("one two three", 7), ["one two", "three"]);
        assert_eq!(wrapped("", 7), [""]);
        assert_eq!(wrapped("a b c d", 3), ["a b", "c d"]);
        let long = "words of many lengths, none of which may go missing on the way";
        for width in 5..80 {
            assert_eq!(wrapped(long, width).join(" "), long);
        }
    }

    #[test]
    fn a_lesson_asks_in_large_letters_for_one_button_at_a_time() {
        let text = lesson(&Lesson::default(), 80, 24);
        assert!(text.contains("Button 1 of 6: press the one for the next look"), "{text}");
        assert_eq!(text.lines().filter(|l| l.contains('█')).count(), 5);
    }

    #[test]
    fn a_small_screen_is_never_overfull_and_nothing_from_outside_steers_it() {
        let mut seat = Seat::new(None);
        seat.lost("\u{1b}[2Jno daemon answers".repeat(20));
        for (width, height) in [(20, 5), (80, 24), (200, 60)] {
            let text = picture(&seat, &Buttons::default(), Duration::ZERO, width, height);
            assert!(text.lines().count() < height);
            assert!(text.lines().all(|l| l.chars().count() <= width && !l.contains('\u{1b}')));
        }
    }
}

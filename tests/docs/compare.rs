//! What a page shows of an output against the output.

/// Whether what was printed is what the page shows: line by line, `…` for anything within a line, and alone on
/// its line for any lines, also none.
pub fn is_as_shown(shown: &[String], printed: &[&str]) -> bool {
    let Some((first, rest)) = shown.split_first() else {
        return printed.iter().all(|line| line.trim().is_empty());
    };
    if first.trim() == "…" {
        return (0..=printed.len()).any(|skipped| is_as_shown(rest, &printed[skipped..]));
    }
    match printed.split_first() {
        Some((line, more)) => line_is_as_shown(first, line) && is_as_shown(rest, more),
        None => first.is_empty() && is_as_shown(rest, printed),
    }
}

fn line_is_as_shown(shown: &str, printed: &str) -> bool {
    text_is_as_shown(shown.trim_end(), printed.trim_end())
}

/// The same for a whole text, in which `…` stands for anything, line ends too.
pub fn text_is_as_shown(shown: &str, printed: &str) -> bool {
    let Some((head, tail)) = shown.split_once('…') else { return shown == printed };
    let Some(mut left) = printed.strip_prefix(head) else { return false };
    let mut parts: Vec<&str> = tail.split('…').collect();
    let last = parts.pop().unwrap_or_default();
    for part in parts {
        let Some(at) = left.find(part) else { return false };
        left = &left[at + part.len()..];
    }
    left.ends_with(last)
}

/// A dialogue as a page shows it, taken apart: what is typed, and what is printed where no terminal shows what is
/// typed. A prompt ends with `]:`, `or Enter:` or `?` and takes what follows in its line, or is `[2/5] …:` or `trim …:`, which
/// take the next line.
pub fn dialogue(shown: &[String]) -> (String, String) {
    let (mut typed, mut printed) = (String::new(), String::new());
    let mut lines = shown.iter();
    while let Some(line) = lines.next() {
        let inline =
            ["]: ", "or Enter: ", "? "].iter().find_map(|end| line.rfind(end).map(|at| at + end.len()));
        if ["]:", "or Enter:", "?"].iter().any(|end| line.ends_with(end)) {
            typed.push('\n');
            printed += &format!("{line} ");
        } else if let Some(at) = inline {
            typed += &format!("{}\n", &line[at..]);
            printed += &line[..at];
        } else {
            printed += &format!("{line}\n");
            if line.ends_with(':') && (line.starts_with('[') || line.starts_with("trim ")) {
                typed += &format!("{}\n", lines.next().map_or("", String::as_str));
            }
        }
    }
    (typed, printed.replace("…\n", "…"))
}

#[test]
fn placeholders_stand_for_parts_of_a_line_and_for_lines() {
    let shown = |text: &str| text.lines().map(str::to_owned).collect::<Vec<_>>();
    assert!(is_as_shown(&shown("a … c\n…\nend"), &["a b c", "x", "y", "end", ""]));
    assert!(is_as_shown(&shown("…\nend"), &["end"]));
    assert!(!is_as_shown(&shown("a … c"), &["a b d"]));
    assert!(!is_as_shown(&shown("a"), &["a", "b"]));
    assert!(!is_as_shown(&shown("a\nb"), &["a"]));
}

#[test]
fn what_follows_a_prompt_is_typed() {
    let shown = ["ISO [800]: 400", "lamp [1]:", "[1/2] key alone:", "130lx", "done"].map(str::to_owned);
    let (typed, printed) = dialogue(&shown);
    assert_eq!(typed, "400\n\n130lx\n");
    assert_eq!(printed, "ISO [800]: lamp [1]: [1/2] key alone:\ndone\n");
}

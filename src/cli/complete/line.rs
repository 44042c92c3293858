//! The line that is being completed: its words, the one at the cursor, and what they say of set and plan.

use std::ffi::{OsStr, OsString};
use std::path::PathBuf;

use super::Shell;

/// A line up to the cursor.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(crate) struct Line {
    /// Its words, quotes taken off, the program first.
    pub words: Vec<OsString>,
    /// Which of them the cursor is at.
    pub at: usize,
    /// The part of that word which bash leaves standing: it puts in only what comes after.
    pub cut: String,
}

impl Line {
    /// As a shell tells it; `None` where it tells nothing.
    pub fn told(shell: Shell, mut rest: Vec<OsString>) -> Option<Self> {
        if rest.len() < 2 {
            return None;
        }
        if shell == Shell::Bash {
            let (line, breaks) = (rest.pop()?.into_string().ok()?, rest.pop()?.into_string().ok()?);
            return Some(Self::typed(&line, &breaks));
        }
        let at = rest.remove(0).to_str()?.parse().ok()?;
        let words: Vec<_> = rest.into_iter().skip_while(|word| word == "--").collect();
        (at < words.len()).then(|| Self { words, at, cut: String::new() })
    }

    /// The words of a text as bash takes it apart. `breaks`: characters at which bash begins to put in, as in its
    /// `COMP_WORDBREAKS`.
    fn typed(text: &str, breaks: &str) -> Self {
        let mut words: Vec<String> = Vec::new();
        let (mut quote, mut inside, mut cut) = (None, false, 0);
        let mut chars = text.chars();
        while let Some(c) = chars.next() {
            if quote.is_none() && c.is_whitespace() {
                inside = false;
                continue;
            }
            if !inside {
                (inside, cut) = (true, 0);
                words.push(String::new());
            }
            let Some(word) = words.last_mut() else { continue };
            match (quote, c) {
                (Some(open), c) if open == c => quote = None,
                (None, '"' | '\'') => {
                    quote = Some(c);
                    cut = word.len();
                }
                (None | Some('"'), '\\') => word.extend(chars.next()),
                (None, c) if breaks.contains(c) => {
                    word.push(c);
                    cut = word.len();
                }
                (_, c) => word.push(c),
            }
        }
        if !inside {
            words.push(String::new());
            cut = 0;
        }
        let current = words.last().map_or("", String::as_str);
        let cut = current.get(..cut).unwrap_or_default().to_owned();
        Self { at: words.len() - 1, words: words.into_iter().map(OsString::from).collect(), cut }
    }

    /// Its words with the value of `--set` behind `=`, and which of them the cursor is at. The value of an option that
    /// stands by itself is taken for a command where one has its name, and a set may be called `next`.
    pub fn joined(&self) -> (Vec<OsString>, usize) {
        let (mut words, mut at) = (self.words.clone(), self.at);
        let mut index = 1;
        while index + 1 < at {
            if words[index] == "--" {
                break;
            }
            if words[index] == "--set" {
                let value = words.remove(index + 1);
                words[index].push("=");
                words[index].push(value);
                at -= 1;
            }
            index += 1;
        }
        (words, at)
    }

    /// What stands at the cursor.
    pub fn current(&self) -> &OsStr {
        self.words.get(self.at).map_or(OsStr::new(""), OsString::as_os_str)
    }

    /// The value of an option that stands before the cursor.
    pub fn option(&self, name: &str) -> Option<&str> {
        let before = self.words.get(..self.at)?;
        before.iter().enumerate().find_map(|(i, word)| {
            let word = word.to_str()?;
            if word == name {
                return before.get(i + 1)?.to_str();
            }
            word.strip_prefix(name)?.strip_prefix('=')
        })
    }

    /// True if this word stands on it as its command.
    pub fn is(&self, command: &str) -> bool {
        let mut words = self.words.get(1..self.at).unwrap_or_default().iter();
        let mut first = words.next();
        // The options that may stand before a command.
        while let Some(word) = first.and_then(|w| w.to_str()).filter(|w| w.starts_with('-')) {
            if word == "--set" {
                words.next();
            }
            first = words.next();
        }
        first.is_some_and(|word| word == command)
    }

    /// The plan that the command is given, where it is given one.
    pub fn plan(&self) -> Option<PathBuf> {
        if let Some(plan) = self.option("--plan") {
            return Some(home(plan));
        }
        if !["check", "draw", "rehearse", "sheet"].iter().any(|command| self.is(command)) {
            return None;
        }
        let mut words = self.words.get(2..self.at)?.iter().filter_map(|word| word.to_str());
        words.rfind(|word| word.ends_with(".toml")).map(home)
    }
}

/// A path in which `~/` stands for the home folder, as it does before a shell has seen to it.
fn home(path: &str) -> PathBuf {
    let home =
        path.strip_prefix("~/").and_then(|rest| Some(PathBuf::from(std::env::var_os("HOME")?).join(rest)));
    home.unwrap_or_else(|| path.into())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: bash 5.2 reference manual, COMP_WORDBREAKS; its usual value.
    const BREAKS: &str = " \t\n\"'@><=;|&(:";

    fn typed(text: &str) -> (Vec<String>, String) {
        let line = Line::typed(text, BREAKS);
        assert_eq!(line.at + 1, line.words.len(), "{text}");
        (line.words.into_iter().map(|w| w.into_string().expect("text")).collect(), line.cut)
    }

    #[test]
    fn words_are_those_that_the_command_would_get() {
        assert_eq!(typed("lampkeep recall qu").0, ["lampkeep", "recall", "qu"]);
        assert_eq!(typed("lampkeep recall ").0, ["lampkeep", "recall", ""]);
        assert_eq!(
            typed("lampkeep  draw 'my plan.toml' --look ").0,
            ["lampkeep", "draw", "my plan.toml", "--look", ""]
        );
        assert_eq!(typed("lampkeep draw my\\ plan.toml").0, ["lampkeep", "draw", "my plan.toml"]);
        assert_eq!(typed("lampkeep draw \"a\\\"b").0, ["lampkeep", "draw", "a\"b"]);
        assert_eq!(typed("").0, [""]);
    }

    #[test]
    fn bash_puts_in_what_comes_after_its_last_break() {
        assert_eq!(typed("lampkeep read wall@pi").1, "wall@");
        assert_eq!(typed("lampkeep --set=pi").1, "--set=");
        assert_eq!(typed("lampkeep --set=\"pi").1, "--set=");
        assert_eq!(typed("lampkeep take amend 4/3").1, "");
        assert_eq!(typed("lampkeep read wall\\@pi").1, "");
        assert_eq!(typed("lampkeep read wall@pilot ").1, "");
    }

    #[test]
    fn set_and_plan_are_read_off_the_line() {
        let line = |text: &str| Line::typed(text, BREAKS);
        assert_eq!(line("lampkeep --set pier recall ").option("--set"), Some("pier"));
        assert_eq!(line("lampkeep recall --set=pier ").option("--set"), Some("pier"));
        assert_eq!(line("lampkeep recall --set ").option("--set"), None);
        assert!(line("lampkeep --json --set pier recall ").is("recall"));
        assert!(!line("lampkeep recall").is("recall"), "it is still being typed");
        assert_eq!(line("lampkeep draw a.toml --look ").plan(), Some("a.toml".into()));
        assert_eq!(line("lampkeep explain --plan b.toml ").plan(), Some("b.toml".into()));
        assert_eq!(line("lampkeep recall a.toml ").plan(), None);
        assert_eq!(line("lampkeep draw ").plan(), None);
    }

    #[test]
    fn a_set_may_be_called_like_a_command() {
        let joined = |text: &str| {
            let (words, at) = Line::typed(text, BREAKS).joined();
            let words: Vec<_> = words.into_iter().map(|w| w.into_string().expect("text")).collect();
            (words.join(" "), at)
        };
        assert_eq!(joined("lampkeep --set next recall qu"), ("lampkeep --set=next recall qu".into(), 3));
        assert_eq!(joined("lampkeep recall --set next "), ("lampkeep recall --set=next ".into(), 3));
        assert_eq!(joined("lampkeep --set ne"), ("lampkeep --set ne".into(), 2), "it is still being typed");
        assert_eq!(joined("lampkeep --set"), ("lampkeep --set".into(), 1));
        assert_eq!(joined("lampkeep note -- --set a b"), ("lampkeep note -- --set a b".into(), 5));
        assert_eq!(joined(""), (String::new(), 0));
    }

    #[test]
    fn zsh_and_fish_tell_words_and_the_number_of_one() {
        let told = |words: &[&str]| Line::told(Shell::Zsh, words.iter().map(OsString::from).collect());
        let line = told(&["2", "--", "lampkeep", "recall", "qu"]).expect("a line");
        assert_eq!((line.at, line.current()), (2, OsStr::new("qu")));
        assert_eq!(told(&["3", "--", "lampkeep", "recall", "qu"]), None);
        assert_eq!(told(&["x", "--", "lampkeep"]), None);
        assert_eq!(told(&[]), None);
    }
}

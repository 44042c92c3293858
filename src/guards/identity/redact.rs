//! Takes names out of finished texts while a face is protected: the last thing that any text passes on its
//! way out, so that no message has to remember to do it.
//!
//! Names of a plan become numbers ([`Names`]), its free text and whatever a person typed become `…`. A name
//! is found as a whole word: what stands between characters other than letters, digits, `_` and `-`. So a
//! lamp called by an ordinary word makes some sentences clumsy, and none tell. Not taken out: names of
//! outputs and of fixture modes, numbers, and the set's own name.

use std::collections::BTreeMap;

use serde_json::Value;

use super::names::Names;
use crate::plan::{LookId, Plan, SubjectId};
use crate::words;

/// What stands in place of a text that has no number.
pub const ERASED: &str = "…";
/// What stands in place of the plan's own file.
const PLAN_FILE: &str = "PLAN";

/// Every name that must not be told, and what is told instead.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Redactor {
    /// Names that are one word.
    words: BTreeMap<String, String>,
    /// All other texts, by the letter that each begins with: a log's takes may bring thousands, and every text that
    /// leaves is held against them.
    phrases: BTreeMap<char, BTreeMap<String, String>>,
    /// Slates that are not plain numbers, told only before `/` and a take.
    slates: BTreeMap<String, String>,
    lamps: BTreeMap<String, String>,
    looks: BTreeMap<String, String>,
}

impl Redactor {
    /// All names of a plan.
    #[must_use]
    pub fn of(plan: &Plan) -> Self {
        let mut redactor = Self::default();
        redactor.learn(plan);
        redactor
    }

    /// Another plan is in force: its names get its numbers, those of earlier plans are erased from now on.
    pub fn learn(&mut self, plan: &Plan) {
        let phrases = self.phrases.values_mut().flat_map(BTreeMap::values_mut);
        for told in self.words.values_mut().chain(phrases) {
            ERASED.clone_into(told);
        }
        self.lamps.clear();
        self.looks.clear();
        let mut names: BTreeMap<String, String> = BTreeMap::new();
        let mut name = |name: &str, told: String| {
            let known = names.entry(name.to_owned()).or_insert_with(|| told.clone());
            // Two things of one name: no number would be right.
            if *known != told {
                ERASED.clone_into(known);
            }
        };
        let numbers = Names::of(plan, true);
        for id in plan.fixture_ids() {
            let fixture = plan.fixture(id);
            for own in [Some(fixture.id.as_str()), fixture.body.as_ref().map(|b| b.name.as_str())] {
                let Some(own) = own else { continue };
                name(own, numbers.lamp(id));
                self.lamps.insert(own.to_owned(), numbers.lamp(id));
            }
            let sticker = fixture.body.as_ref().and_then(|b| b.sticker.as_deref());
            let strobe = fixture.strobe.as_ref().map(|s| s.reason.as_str());
            for text in [sticker, fixture.absent.as_deref(), strobe].into_iter().flatten() {
                name(text, ERASED.to_owned());
            }
        }
        for (index, look) in plan.looks.iter().enumerate() {
            name(&look.name, numbers.look(LookId(index)));
            self.looks.insert(look.name.clone(), numbers.look(LookId(index)));
            if let Some(about) = &look.about {
                name(about, ERASED.to_owned());
            }
        }
        for (index, subject) in plan.subjects.iter().enumerate() {
            name(&subject.id, numbers.subject(SubjectId(index)));
        }
        for (index, group) in plan.groups.iter().enumerate() {
            name(&group.name, format!("group-{}", index + 1));
        }
        for (index, circuit) in plan.circuits.iter().enumerate() {
            name(&circuit.id, format!("circuit-{}", index + 1));
        }
        let folder = plan.path.as_ref().and_then(|p| p.parent().map(|f| f.display().to_string()));
        for place in [plan.path.as_ref().map(|p| p.display().to_string()), folder].into_iter().flatten() {
            name(&place, PLAN_FILE.to_owned());
        }
        for (text, told) in names {
            self.put(&text, told);
        }
    }

    /// Erases one more text from now on.
    pub fn erase(&mut self, text: &str) {
        self.put(text, ERASED.to_owned());
    }

    /// Gives a slate a number; one that is a plain number stays what it is.
    pub fn slate(&mut self, slate: &str) {
        let number = self.slates.len() + 1;
        if !is_number(slate) {
            self.slates.entry(slate.to_owned()).or_insert_with(|| format!("s{number}"));
        }
    }

    fn put(&mut self, text: &str, told: String) {
        if text.is_empty() || text == PLAN_FILE {
            return;
        }
        if text.chars().all(is_word) {
            self.words.insert(text.to_owned(), told);
            return;
        }
        for form in [text.to_owned(), words::short(text)] {
            if let Some(first) = form.chars().next() {
                self.phrases.entry(first).or_default().insert(form, told.clone());
            }
        }
    }

    /// A lamp's number, by its id or its body's name.
    #[must_use]
    pub fn lamp(&self, name: &str) -> String {
        self.lamps.get(name).cloned().unwrap_or_else(|| ERASED.to_owned())
    }

    /// A look's number, or what else is lit, such as `only lamp-2`.
    #[must_use]
    pub fn look(&self, name: &str) -> String {
        self.looks.get(name).cloned().unwrap_or_else(|| self.text(name, &[]))
    }

    /// The text without names. `typed`: what the person who asked has typed, to be erased too.
    #[must_use]
    pub fn text(&self, text: &str, typed: &[String]) -> String {
        let typed: Vec<(String, &str)> = typed
            .iter()
            .filter(|t| !t.is_empty() && !is_number(t) && *t != "all")
            .flat_map(|t| [t.clone(), words::short(t)])
            .map(|t| (t, ERASED))
            .collect();
        let mut out = String::with_capacity(text.len());
        let mut rest = text;
        let mut before: Option<char> = None;
        while let Some(first) = rest.chars().next() {
            let own =
                self.phrases.get(&first).into_iter().flatten().map(|(t, told)| (t.as_str(), told.as_str()));
            let phrase = own
                .chain(typed.iter().map(|(t, told)| (t.as_str(), *told)))
                .filter(|(t, _)| stands(rest, t, before))
                .max_by_key(|(t, _)| t.len());
            let word = &rest[..rest.find(|c| !is_word(c)).unwrap_or(rest.len())];
            let slate = self.slates.get(word).filter(|_| is_take(&rest[word.len()..]));
            let (taken, told) = match (phrase, slate.or_else(|| self.words.get(word))) {
                // The longer one: a sentence may begin with a name.
                (Some((phrase, told)), known) if known.is_none() || phrase.len() > word.len() => {
                    (phrase.len(), told)
                }
                (_, Some(told)) => (word.len(), told.as_str()),
                _ => {
                    let length = word.len().max(first.len_utf8());
                    (length, &rest[..length])
                }
            };
            out.push_str(told);
            before = rest[..taken].chars().next_back();
            rest = &rest[taken..];
        }
        out
    }

    /// The same in every text of a JSON value.
    pub fn value(&self, value: &mut Value, typed: &[String]) {
        match value {
            Value::String(text) => *text = self.text(text, typed),
            Value::Array(all) => all.iter_mut().for_each(|v| self.value(v, typed)),
            Value::Object(fields) => fields.values_mut().for_each(|v| self.value(v, typed)),
            Value::Null | Value::Bool(_) | Value::Number(_) => {}
        }
    }
}

fn is_word(c: char) -> bool {
    c.is_alphanumeric() || c == '_' || c == '-'
}

fn is_number(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit())
}

/// True if `rest` goes on as a take's name does after its slate.
fn is_take(rest: &str) -> bool {
    rest.strip_prefix('/').is_some_and(|r| r.starts_with(|c: char| c.is_ascii_digit()))
}

/// True if `phrase` stands here by itself and not inside a longer word.
fn stands(rest: &str, phrase: &str, before: Option<char>) -> bool {
    let inside = |a: Option<char>, b: Option<char>| a.is_some_and(is_word) && b.is_some_and(is_word);
    rest.strip_prefix(phrase).is_some_and(|after| {
        !inside(before, phrase.chars().next()) && !inside(phrase.chars().next_back(), after.chars().next())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn known() -> Redactor {
        let mut redactor = Redactor::default();
        redactor.put("hair", "lamp-3".to_owned());
        redactor.put("quay", "look-1".to_owned());
        redactor.erase("quay by night, for Ada");
        redactor.slate("4");
        redactor.slate("ada");
        redactor
    }

    #[test]
    fn names_are_found_as_whole_words_alone() {
        let told = |text: &str| known().text(text, &[]);
        assert_eq!(told("hair: 0.4 stops short"), "lamp-3: 0.4 stops short");
        assert_eq!(told("`hair`, face@hair, a/hair.toml"), "`lamp-3`, face@lamp-3, a/lamp-3.toml");
        assert_eq!(told("hairs, mohair, hair-2, --hair"), "hairs, mohair, hair-2, --hair");
    }

    #[test]
    fn the_longer_text_goes_first_and_free_text_is_erased() {
        assert_eq!(known().text("(quay by night, for Ada) quay", &[]), "(…) look-1");
    }

    #[test]
    fn a_slate_that_is_a_name_gets_a_number_and_a_number_stays() {
        assert_eq!(known().text("take 4/2 and ada/1 of 4 lamps", &[]), "take 4/2 and s1/1 of 4 lamps");
    }

    #[test]
    fn what_was_typed_is_not_given_back() {
        let typed = ["old pier".to_owned(), "pier".to_owned(), "12".to_owned(), "all".to_owned()];
        let told = known().text("no look `pier`, no lamp `old pier`; all 12 looks: quay", &typed);
        assert_eq!(told, "no look `…`, no lamp `…`; all 12 looks: look-1");
        let long = "pier ".repeat(30);
        let said = format!("`{}` cannot be", words::short(&long));
        assert_eq!(known().text(&said, &[long]), "`…` cannot be");
    }
}

//! The names in a plan's texts, whether or not the plan is right: what can be typed while it is still being written.
//!
//! Nothing is checked and nothing reported here; `read` does that.

use serde::{Deserialize, Serialize};
use toml::de::{DeTable, DeValue};

/// Names that can be typed, in the plan's order.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Outline {
    /// Looks, the kept ones last.
    pub looks: Vec<String>,
    /// Fixtures.
    pub lamps: Vec<LampNames>,
    /// Groups.
    pub groups: Vec<String>,
    /// Subjects; none where the plan states none.
    pub subjects: Vec<String>,
}

/// What one lamp is called.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LampNames {
    /// Fixture id.
    pub id: String,
    /// Name of its body; `None` where it has none, or where it must not be told.
    pub body: Option<String>,
}

impl Outline {
    /// The names in a plan's text and in those of its kept looks, with the set's name where it states one.
    #[must_use]
    pub fn of<'t>(plan: &'t str, kept: impl IntoIterator<Item = &'t str>) -> (Self, Option<String>) {
        let (tree, _) = DeTable::parse_recoverable(plan);
        let table = tree.get_ref();
        let mut outline = Self {
            looks: names(table, "look"),
            lamps: entries(table, "fixture")
                .map(|(id, fixture)| LampNames { id, body: text(fixture, "lamp") })
                .collect(),
            groups: names(table, "group"),
            subjects: names(table, "subject"),
        };
        for text in kept {
            let (tree, _) = DeTable::parse_recoverable(text);
            let more = names(tree.get_ref(), "look").into_iter();
            let new: Vec<_> = more.filter(|look| !outline.looks.contains(look)).collect();
            outline.looks.extend(new);
        }
        (outline, text(table, "name"))
    }
}

/// The tables under a key, in the order they are written.
fn entries<'a>(table: &'a DeTable<'a>, key: &str) -> impl Iterator<Item = (String, &'a DeTable<'a>)> {
    let all = table.get(key).and_then(|value| as_table(value.get_ref()));
    let mut all: Vec<_> = all.into_iter().flat_map(|all| all.iter()).collect();
    all.sort_by_key(|(name, _)| name.span().start);
    all.into_iter().filter_map(|(name, value)| Some((name.get_ref().to_string(), as_table(value.get_ref())?)))
}

fn names(table: &DeTable<'_>, key: &str) -> Vec<String> {
    entries(table, key).map(|(name, _)| name).collect()
}

fn as_table<'a>(value: &'a DeValue<'a>) -> Option<&'a DeTable<'a>> {
    match value {
        DeValue::Table(table) => Some(table),
        _ => None,
    }
}

fn text(table: &DeTable<'_>, key: &str) -> Option<String> {
    match table.get(key)?.get_ref() {
        DeValue::String(text) => Some(text.to_string()),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_stand_in_the_plan_s_order_and_a_body_with_its_job() {
        let plan = "name = \"pier\"\n[look.quay]\n[fixture.key]\nlamp = \"B3\"\n[fixture.fill]\n[look.dusk]\n\
                    [group.wall]\n[subject.pilot]\n";
        let (outline, name) = Outline::of(plan, ["[look.late]", "[look.quay]"]);
        assert_eq!(name.as_deref(), Some("pier"));
        assert_eq!(outline.looks, ["quay", "dusk", "late"]);
        let key = LampNames { id: "key".into(), body: Some("B3".into()) };
        assert_eq!(outline.lamps, [key, LampNames { id: "fill".into(), body: None }]);
        assert_eq!((outline.groups, outline.subjects), (vec!["wall".into()], vec!["pilot".into()]));
    }

    #[test]
    fn a_plan_that_is_being_written_gives_the_names_that_it_has() {
        let (outline, _) = Outline::of("[look.quay]\nkelvin =\n[look.dusk]\nkelvin = many\n", []);
        assert_eq!(outline.looks, ["quay", "dusk"]);
        for odd in ["", "look = 3", "[look]\nquay = 1", "=\n=\n", "[fixture.key]\nlamp = 7"] {
            assert!(Outline::of(odd, []).0.looks.is_empty(), "{odd}");
        }
    }
}

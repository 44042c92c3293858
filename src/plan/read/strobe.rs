//! `strobe` of a fixture: a plan that unlocks the slot of the lamp's own strobe, and says why.

use crate::plan::problem::{Kind, Problem};
use crate::plan::tree::Table;
use crate::plan::{Drives, Mode, UnlockedStrobe};

/// Reads it and puts its value into `mode`; `None` where none is unlocked or the reason why not has been
/// reported.
pub(super) fn unlocked(
    t: &Table<'_>,
    id: &str,
    mode: &mut Mode,
    notes: &mut Vec<String>,
) -> Option<UnlockedStrobe> {
    let field = t.get("strobe")?;
    let own = field.table(&format!("`strobe` of fixture `{id}`"))?;
    let value = own.need("value", "value = 128");
    let reason = own.need("reason", "reason = \"the storm in scene 12, everyone asked\"");
    let reason = reason.and_then(|f| Some((f.text("the storm in scene 12, everyone asked")?.trim(), f)));
    own.finish();
    let name = mode.name.clone();
    let Some(channel) = mode.channels.iter_mut().find(|c| matches!(c.drives, Drives::Strobe(_))) else {
        let said = format!("mode `{name}` of fixture `{id}` has no slot that drives a strobe");
        let help = "leave `strobe` out, or mark the slot in the profile: `{ drives = \"strobe\", safe = 0 }`";
        t.report(Problem::at(Kind::Conflict, field.key_place(), said).label("here").help(help));
        return None;
    };
    let value = value?.count(0, u32::from(channel.bits.max()), 128)?;
    let (reason, place) = reason?;
    if reason.is_empty() {
        let said = format!("`strobe` of fixture `{id}` gives no reason");
        place.wrong(Kind::OutOfRange, said, "say what it is for and who was asked; the status shows it");
        return None;
    }
    let value = u16::try_from(value).unwrap_or(u16::MAX);
    channel.drives = Drives::Strobe(value);
    notes.push(format!(
        "{id}: its strobe is unlocked at {value} ({reason}). The flash guard cannot count what a lamp does by \
         itself: warn everyone in the room and ask first"
    ));
    Some(UnlockedStrobe { value, reason: reason.to_owned() })
}

//! Records without names, while a face is protected: numbers in place of names, nothing in place of free text.

use super::kept::KeptScene;
use super::{Engine, take_typed};
use crate::control::Alert;
use crate::guards::identity::redact::ERASED;
use crate::journal::{LightRecord, LitThen, PlaceRecord, ReadingRecord, TakeRecord, TrimWho, What};
use crate::plan::TextRole;

impl Engine {
    /// Takes names out of a record. Every kind is named here, so that a new one cannot pass by being forgotten.
    pub(super) fn redact_record(&self, what: &mut What, typed: &[String]) {
        match what {
            // Nothing but numbers, hashes and words of ours; texts are without names already.
            What::Started(_) | What::Texts(_) | What::Clock(_) | What::Lost(_) => {}
            What::Light(light) => self.redact_light(light),
            What::TakeStarted(take) => self.redact_take(take),
            What::TakeStamped(stamp) => self.redact_light(&mut stamp.light),
            What::TakeEnded(end) => end.why.iter_mut().for_each(|why| *why = self.shown_text(why, typed)),
            What::TakeAmended(amend) => {
                if let Some(slate) = &mut amend.slate {
                    *slate = self.shown_slate(slate);
                }
                // Numbers alone, and of no camera by name.
                amend.typed.retain(|(name, _)| take_typed::field(name).is_some_and(|f| !f.is_text()));
                amend.typed.retain(|(name, _)| take_typed::parted(name).1.is_none());
            }
            What::Told(alert) => self.redact_alert(alert, typed),
            What::Standing(stand) => self.redact_alert(&mut stand.alert, typed),
            What::Output(output) => {
                output.said = output.said.as_deref().map(|said| self.shown_text(said, typed));
            }
            What::Reading(reading) => self.redact_reading(reading),
            What::Trims(trim) => {
                trim.who = match &trim.who {
                    TrimWho::Lamp(body) => TrimWho::Lamp(self.shown_lamp(body)),
                    TrimWho::Look { look, fixture } => {
                        TrimWho::Look { look: self.shown_look(look), fixture: self.shown_lamp(fixture) }
                    }
                };
            }
            What::Note(note) => note.text.clear(),
            What::Lamps(lamps) => lamps.iter_mut().for_each(|l| l.lamp = self.shown_lamp(&l.lamp)),
            What::Did(did) => did.said = self.shown_text(&did.said, typed),
            What::Stopped(stop) => self.redact_scene(&mut stop.scene),
        }
    }

    fn redact_alert(&self, alert: &mut Alert, typed: &[String]) {
        alert.said = self.shown_text(&alert.said, typed);
        alert.fixture = alert.fixture.as_deref().map(|f| self.shown_lamp(f));
    }

    fn redact_scene(&self, scene: &mut KeptScene) {
        match scene {
            KeptScene::Dark | KeptScene::Take(_) => {}
            KeptScene::Look(name) | KeptScene::Rest(name) | KeptScene::Meter(name) => {
                *name = self.shown_look(name)
            }
            KeptScene::Only(id) | KeptScene::Calibrate(id) => *id = self.shown_lamp(id),
        }
    }

    fn redact_light(&self, light: &mut LightRecord) {
        self.redact_scene(&mut light.scene);
        for lamp in &mut light.lamps {
            lamp.fixture = self.shown_lamp(&lamp.fixture);
            lamp.body = lamp.body.as_deref().map(|body| self.shown_lamp(body));
            lamp.moves_in = lamp.moves_in.as_deref().map(|look| self.shown_look(look));
            lamp.absent = lamp.absent.as_ref().map(|_| ERASED.to_owned());
        }
    }

    pub(super) fn redact_take(&self, take: &mut TakeRecord) {
        self.redact_light(&mut take.light);
        take.slate = self.shown_slate(&take.slate);
        take.name = format!("{}/{}", take.slate, take.take);
        take.look = self.shown_look(&take.look);
        for place in &mut take.places {
            place.fixture = self.shown_lamp(&place.fixture);
            place.aim = self.shown_text(&place.aim, &[]);
        }
        for lamp in &mut take.lamps {
            lamp.fixture = self.shown_lamp(&lamp.fixture);
            lamp.sticker = None;
            lamp.circuit = lamp.circuit.as_deref().map(|c| self.shown_text(c, &[]));
        }
        number(&mut take.bounces, "bounce");
        number(&mut take.daylight, "window");
        number(&mut take.subjects, "subject");
        for (index, camera) in take.cameras.iter_mut().enumerate() {
            camera.id = format!("camera-{}", index + 1);
        }
        take.typed.clear();
    }

    fn redact_reading(&self, reading: &mut ReadingRecord) {
        reading.point = self.shown_text(&reading.point, &[]);
        reading.typed.clear();
        reading.look = reading.look.as_deref().map(|look| self.shown_look(look));
        reading.instrument = None;
        match &mut reading.lit {
            LitThen::None => {}
            LitThen::One(lamp) => *lamp = self.shown_lamp(lamp),
            LitThen::These(lamps) => lamps.iter_mut().for_each(|lamp| *lamp = self.shown_lamp(lamp)),
        }
        for lamp in &mut reading.lamps {
            lamp.fixture = self.shown_lamp(&lamp.fixture);
            lamp.lamp = self.shown_lamp(&lamp.lamp);
        }
    }
}

/// Numbers in place of ids, in the plan's order.
fn number(places: &mut [PlaceRecord], noun: &str) {
    for (index, place) in places.iter_mut().enumerate() {
        place.id = format!("{noun}-{}", index + 1);
    }
}

/// A text of the plan without comments and labels: what anybody may have written into it. It reads as before.
pub(super) fn without_comments(role: TextRole, text: &str) -> String {
    let lines = |kept: &dyn Fn(&str) -> &str| -> String {
        text.split_inclusive('\n')
            .map(|l| format!("{}{}", kept(l), if l.ends_with('\n') { "\n" } else { "" }))
            .collect()
    };
    match role {
        // Its comments are whole lines, whatever quotes there are in them.
        TextRole::Spectrum => lines(&|line| {
            let comment = line.trim_start_matches('\u{feff}').trim_start().starts_with('#');
            if comment { "" } else { line.trim_end_matches('\n') }
        }),
        TextRole::Beam => {
            let labels =
                text.lines().position(|l| l.get(..4).is_some_and(|w| w.eq_ignore_ascii_case("TILT")));
            let labels: usize = text.split_inclusive('\n').take(labels.unwrap_or(0)).map(str::len).sum();
            let of_label = |line: &str| match line.find(']').filter(|_| line.starts_with('[')) {
                Some(end) => line[..=end].to_owned() + "\n",
                None if line.starts_with("IESNA") => line.to_owned(),
                None => "\n".to_owned(),
            };
            text[..labels].split_inclusive('\n').map(of_label).collect::<String>() + &text[labels..]
        }
        TextRole::Plan | TextRole::Kit | TextRole::Look | TextRole::Profile | TextRole::Calibration => {
            toml_without_comments(text)
        }
    }
}

/// A TOML text with its comments blanked.
fn toml_without_comments(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    // Which quotes the string under way ends with.
    let mut inside: Option<&str> = None;
    while let Some(first) = rest.chars().next() {
        let taken = match inside {
            Some(end) if rest.starts_with(end) => {
                inside = None;
                // One or two quotes may stand right before the three that end a string of several lines.
                let quotes = rest.len() - rest.trim_start_matches(&end[..1]).len();
                if end.len() == 3 { quotes.min(5) } else { 1 }
            }
            // A basic string may hold its quotes behind a backslash.
            Some(end) if end.starts_with('"') && first == '\\' => {
                first.len_utf8() + rest.chars().nth(1).map_or(0, char::len_utf8)
            }
            Some(_) => first.len_utf8(),
            None if first == '#' => {
                rest = &rest[rest.find('\n').unwrap_or(rest.len())..];
                continue;
            }
            None => {
                inside = ["\"\"\"", "'''", "\"", "'"].into_iter().find(|quotes| rest.starts_with(quotes));
                inside.map_or(first.len_utf8(), str::len)
            }
        };
        out.push_str(&rest[..taken]);
        rest = &rest[taken..];
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: TOML 1.0.0, "Comment" and "String": a hash symbol inside a string is no comment.
    #[test]
    fn comments_go_and_hashes_in_strings_stay() {
        let text = "# Ada's set\nname = \"a # b\" # for Ada\nx = 'c:\\#' # y\nt = \"\"\"\n# in \\\" it\n\"\"\" # z\nq = \"\\\"#\"#\n";
        let kept = "\nname = \"a # b\" \nx = 'c:\\#' \nt = \"\"\"\n# in \\\" it\n\"\"\" \nq = \"\\\"#\"\n";
        let toml = |text: &str| without_comments(TextRole::Plan, text);
        assert_eq!(toml(text), kept);
        assert_eq!(toml("x = \"é\" # é"), "x = \"é\" ");
        assert_eq!(toml("x = \"never closed # "), "x = \"never closed # ");
    }

    /// Source: TOML 1.0.0, "String": one or two quotes may stand right before the closing three.
    #[test]
    fn quotes_before_a_long_strings_end_hide_no_comment() {
        for text in [
            "x = \"\"\"a\"\"\"\" # Ada",
            "x = \"\"\"a\"\"\"\"\" # Ada",
            "x = '''a''''' # Ada",
            "x = \"\" # Ada",
        ] {
            let (kept, _) = text.split_once('#').unwrap();
            assert_eq!(without_comments(TextRole::Kit, text), kept);
        }
    }

    /// Source: docs/plan-reference.md, `spectrum`; LM-63-2002 (from memory): labels stand before `TILT=`, keywords in brackets.
    #[test]
    fn what_stands_in_a_spectrum_and_a_beam_file_is_figures_alone() {
        let spectrum = "# 5\" lens, for Ada\nnm,power\n380,1 # not allowed\n  # her's\n390,2";
        assert_eq!(
            without_comments(TextRole::Spectrum, spectrum),
            "\nnm,power\n380,1 # not allowed\n\n390,2"
        );
        let beam = "IESNA:LM-63-2002\n[TEST] for Ada\n[MORE] # 3\nAda's\nTILT=NONE\n1 1000 1\n";
        let kept = "IESNA:LM-63-2002\n[TEST]\n[MORE]\n\nTILT=NONE\n1 1000 1\n";
        assert_eq!(without_comments(TextRole::Beam, beam), kept);
        assert_eq!(without_comments(TextRole::Beam, "no such line"), "no such line");
    }
}

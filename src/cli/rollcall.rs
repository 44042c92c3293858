//! The rollcall: each lamp in turn by itself, or led through one by one as a check of the whole line.

use std::io::Write;

use super::exit::Exit;
use super::lead::Stopped;
use super::run::{answered, ask, fault, print, print_json, unanswered};
use super::typing::Typing;
use crate::control::client;
use crate::control::{Answer, FixtureStatus, Request, Status};

/// Starts a rollcall and tells each lamp's name while it shows.
pub fn by_itself(set: Option<&str>, each_s: Option<f64>, json: bool) -> Exit {
    let request = Request::Rollcall { each_s, lamp: None, shift: 0, end: false };
    let answer = match ask(set, &request) {
        Ok(answer) => answer,
        Err(e) => return unanswered(&e, json),
    };
    let exit = answered(&answer, &request, json);
    if json || exit != Exit::Done {
        return exit;
    }
    let path = match client::find(set) {
        Ok(path) => path,
        Err(e) => return unanswered(&e, json),
    };
    let mut shown = None;
    let done = client::follow(&path, |status| {
        let now = &status.now;
        // The status told of it before the answer did; what is lit now is something else already.
        if now.look != "rollcall" {
            return false;
        }
        if now.showing.is_some() && now.showing != shown {
            shown.clone_from(&now.showing);
            if let Some(f) = status.fixtures.iter().find(|f| Some(&f.id) == shown.as_ref()) {
                let at = f
                    .universe
                    .zip(f.first_slot)
                    .map_or(String::new(), |(u, s)| format!("universe {u} slot {s}"));
                print(&format!("{:<12} lamp {:<8} {at:<20} mode {}", f.id, f.lamp, f.mode));
            }
        }
        true
    });
    match done {
        Ok(()) => print("rollcall over: a name that showed on the wrong lamp has a wrong address or mode"),
        Err(e) => unanswered(&e, json),
    }
}

/// Leads through every lamp, low and alone, and finds out where one that stays dark listens.
pub fn guided(set: Option<&str>, json: bool) -> Exit {
    let status = match ask(set, &Request::Status { follow: false }) {
        Ok(answer) => answer,
        Err(e) => return unanswered(&e, json),
    };
    let status = status.data.and_then(|data| serde_json::from_value::<Status>(data).ok());
    let Some(status) = status else {
        return fault(Exit::NotMet, "the daemon's status is of another version: restart it");
    };
    let places: Vec<Place> = status.fixtures.iter().filter_map(Place::of).collect();
    let mut lost = None;
    let mut show = |request: Request| match ask(set, &request) {
        Ok(answer) => Some(answer),
        Err(e) => {
            lost = Some(e);
            None
        }
    };
    let typing = match Typing::start() {
        Ok(typing) => typing,
        Err(e) => return Stopped::no_thread(&e).0,
    };
    let mut hear = |prompt: &str| {
        let mut out = std::io::stderr().lock();
        // A prompt that cannot be shown is no reason to leave a lamp alone lit.
        let _ = write!(out, "{prompt} ").and_then(|()| out.flush());
        typing.line()
    };
    let found = lead(&places, &mut show, &mut hear);
    show(Request::Rollcall { each_s: None, lamp: None, shift: 0, end: true });
    if let Some(e) = lost {
        return unanswered(&e, json);
    }
    let exit = if found.iter().all(|f| f.kind == Kind::Good) { Exit::Done } else { Exit::NotMet };
    if json {
        print_json(&found);
    } else {
        print(&summary(&found, places.len()));
    }
    exit
}

/// A lamp and where it is driven.
#[derive(Debug, Clone, PartialEq)]
pub struct Place {
    /// Fixture id.
    pub id: String,
    /// Body.
    pub lamp: String,
    /// Universe.
    pub universe: u16,
    /// Its first slot.
    pub first: u16,
    /// Its mode.
    pub mode: String,
}

impl Place {
    fn of(fixture: &FixtureStatus) -> Option<Self> {
        let driven = fixture.control == "dmx";
        let (universe, first) = fixture.universe.zip(fixture.first_slot).filter(|_| driven)?;
        let (id, lamp, mode) = (fixture.id.clone(), fixture.lamp.clone(), fixture.mode.clone());
        Some(Self { id, lamp, universe, first, mode })
    }
}

/// What was found of one lamp.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// It shows, and it alone.
    Good,
    /// It listens at another address.
    WrongAddress,
    /// Another lamp shows at its place.
    AnotherShows,
    /// It shows, but not as it should.
    WrongMode,
    /// It stays dark at every address that was tried.
    StaysDark,
    /// Nobody looked, or a guard held it.
    NotChecked,
}

/// A line of the result.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Finding {
    /// Fixture id.
    pub fixture: String,
    /// What it is.
    pub kind: Kind,
    /// In words, with the cure.
    pub said: String,
}

/// What a person sees.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Seen {
    Shows,
    Dark,
    Another,
    Wrong,
    Skip,
    Stop,
}

/// Asks until the answer is one of those offered. No more input is a stop.
fn see(hear: &mut dyn FnMut(&str) -> Option<String>, prompt: &str, offered: &[Seen]) -> Seen {
    let word = |seen: &Seen| match seen {
        Seen::Shows => "Enter: it shows, and it alone",
        Seen::Dark => "n: it stays dark",
        Seen::Another => "o: another one shows",
        Seen::Wrong => "w: it shows in another colour, flickers, or only in part",
        Seen::Skip => "s: leave it out",
        Seen::Stop => "q: stop",
    };
    let mut prompt = prompt.to_owned();
    loop {
        let Some(line) = hear(&prompt) else { return Seen::Stop };
        let seen = match line.trim().to_lowercase().as_str() {
            "" | "y" | "yes" => Seen::Shows,
            "n" | "no" => Seen::Dark,
            "o" => Seen::Another,
            "w" => Seen::Wrong,
            "s" => Seen::Skip,
            "q" => Seen::Stop,
            _ => {
                prompt = format!("{}\n?", offered.iter().map(word).collect::<Vec<_>>().join(" · "));
                continue;
            }
        };
        if offered.contains(&seen) {
            return seen;
        }
        prompt = format!("{}\n?", offered.iter().map(word).collect::<Vec<_>>().join(" · "));
    }
}

/// Leads through `places`. `show` sends a request and gives its answer, `None` when the daemon is gone; `hear`
/// shows a prompt and gives what was typed, `None` at the end of it.
///
/// Tried for a lamp that stays dark are the slot before its address and the one after, and the places of the
/// plan's other lamps, low: never all slots, since some make a lamp strobe or reset.
pub fn lead(
    places: &[Place],
    show: &mut dyn FnMut(Request) -> Option<Answer>,
    hear: &mut dyn FnMut(&str) -> Option<String>,
) -> Vec<Finding> {
    const FIRST: &[Seen] = &[Seen::Shows, Seen::Dark, Seen::Another, Seen::Wrong, Seen::Skip, Seen::Stop];
    let mut found = Vec::new();
    for (index, place) in places.iter().enumerate() {
        let Place { id, lamp, universe, first, mode } = place;
        let mut told = |kind, said: String| {
            found.push(Finding { fixture: id.clone(), kind, said: format!("{id} ({lamp}): {said}") });
        };
        match at(show, id, 0) {
            Shown::Yes => {}
            Shown::No(why) => {
                told(Kind::NotChecked, why);
                continue;
            }
            Shown::Gone => break,
        }
        let mut prompt = format!(
            "{id:<12} lamp {lamp:<8} universe {universe} slot {first:<4} mode {mode:<10} shows, and it alone?"
        );
        if index == 0 {
            prompt = format!(
                "Each lamp low and alone. Enter: yes · n: dark · o: another one shows · w: wrong colour, flicker, or \
                 only in part · s: leave it out · q: stop\n{prompt}"
            );
        }
        match see(hear, &prompt, FIRST) {
            Seen::Shows => told(Kind::Good, format!("universe {universe} slot {first}, mode {mode}")),
            Seen::Wrong => told(
                Kind::WrongMode,
                format!(
                    "shows, but not as it should: set its mode to the plan's, {mode}, or the plan's to its own"
                ),
            ),
            Seen::Another => {
                let which = hear("which one shows? its name, or Enter:").unwrap_or_default();
                let which = which.trim().to_owned();
                let other = places.iter().find(|p| p.id == which || p.lamp == which);
                told(
                    Kind::AnotherShows,
                    match other {
                        Some(o) => format!(
                            "{} shows at universe {universe} slot {first}: set {} to {} and {lamp} to {first}",
                            o.lamp, o.lamp, o.first
                        ),
                        None => format!(
                            "another lamp shows at universe {universe} slot {first}: set that one to its own address, \
                         and {lamp} to {first}"
                        ),
                    },
                );
            }
            Seen::Dark => match search(place, places, show, hear) {
                Some((kind, said)) => told(kind, said),
                None => break,
            },
            Seen::Skip => told(Kind::NotChecked, "left out".to_owned()),
            Seen::Stop => break,
        }
    }
    found
}

/// Looks for a lamp that stays dark; `None`: stop.
fn search(
    place: &Place,
    places: &[Place],
    show: &mut dyn FnMut(Request) -> Option<Answer>,
    hear: &mut dyn FnMut(&str) -> Option<String>,
) -> Option<(Kind, String)> {
    const THEN: &[Seen] = &[Seen::Shows, Seen::Dark, Seen::Skip, Seen::Stop];
    let Place { id, lamp, universe, first, mode } = place;
    let power = format!(
        "is {lamp} on the mains, its own knob up, and set to be driven by DMX? Shows now (Enter, n)?"
    );
    match see(hear, &power, THEN) {
        Seen::Shows => {
            return Some((
                Kind::Good,
                format!("universe {universe} slot {first}, mode {mode}, once it was on"),
            ));
        }
        Seen::Skip => return Some((Kind::NotChecked, "left out".to_owned())),
        Seen::Stop => return None,
        _ => {}
    }
    let cure = |slot: u16| {
        format!("listens at slot {slot}: set the lamp to {first}, or its address in the plan to {slot}")
    };
    let mut tried = vec![first.to_string()];
    for shift in [1, -1] {
        match at(show, id, shift) {
            Shown::Yes => {}
            Shown::No(_) => continue,
            Shown::Gone => return None,
        }
        let slot = first.saturating_add_signed(shift as i16);
        tried.push(slot.to_string());
        match see(hear, &format!("at slot {slot}: {lamp} shows now (Enter, n)?"), THEN) {
            Seen::Shows => return Some((Kind::WrongAddress, cure(slot))),
            Seen::Skip => return Some((Kind::NotChecked, "left out".to_owned())),
            Seen::Stop => return None,
            _ => {}
        }
    }
    for other in places.iter().filter(|p| p.id != *id) {
        match at(show, &other.id, 0) {
            Shown::Yes => {}
            Shown::No(_) => continue,
            Shown::Gone => return None,
        }
        let ask = format!(
            "as {} at universe {} slot {}: {lamp} shows now, too or alone (Enter, n)?",
            other.id, other.universe, other.first
        );
        tried.push(format!("{}/{}", other.universe, other.first));
        match see(hear, &ask, THEN) {
            Seen::Shows => {
                let said = format!(
                    "listens at the place of {}, universe {} slot {}: set the lamp to universe {universe} slot {first}",
                    other.id, other.universe, other.first
                );
                return Some((Kind::WrongAddress, said));
            }
            Seen::Skip => return Some((Kind::NotChecked, "left out".to_owned())),
            Seen::Stop => return None,
            _ => {}
        }
    }
    let said = format!(
        "stays dark at {}: look at its mains, its DMX cable and the one before it, the terminator, whether it is set \
         to be driven by DMX, and which address it shows itself (one off cannot be tried with every lamp)",
        tried.join(", ")
    );
    Some((Kind::StaysDark, said))
}

/// Whether a lamp is shown now.
enum Shown {
    Yes,
    No(String),
    Gone,
}

fn at(show: &mut dyn FnMut(Request) -> Option<Answer>, lamp: &str, shift: i32) -> Shown {
    let request = Request::Rollcall { each_s: None, lamp: Some(lamp.to_owned()), shift, end: false };
    match show(request) {
        None => Shown::Gone,
        Some(answer) => match answer.error {
            Some(failure) => Shown::No(match failure.hint {
                Some(hint) => format!("{}; {hint}", failure.said),
                None => failure.said,
            }),
            None => Shown::Yes,
        },
    }
}

fn summary(found: &[Finding], lamps: usize) -> String {
    let good = found.iter().filter(|f| f.kind == Kind::Good).count();
    let bad: Vec<&str> = found.iter().filter(|f| f.kind != Kind::Good).map(|f| f.said.as_str()).collect();
    let head = format!("line check · {good} of {lamps} lamps show where the plan has them");
    let looked = if found.len() < lamps { format!("{head} · stopped after {}", found.len()) } else { head };
    std::iter::once(looked.as_str()).chain(bad).collect::<Vec<_>>().join("\n  ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place(id: &str, first: u16) -> Place {
        Place { id: id.to_owned(), lamp: format!("L{first}"), universe: 1, first, mode: "eight".to_owned() }
    }

    fn shown_answer() -> Answer {
        Answer { id: None, ok: true, said: None, now: None, data: None, error: None }
    }

    /// Leads through a set whose lamps listen where `listens` says (0: nowhere), answered by one who looks.
    fn led(places: &[Place], listens: &[u16]) -> (Vec<Finding>, Vec<(String, i32)>) {
        let mut asked: Vec<(String, i32)> = Vec::new();
        let shown = std::cell::RefCell::new((String::new(), 0_u16));
        let mut show = |request: Request| {
            let Request::Rollcall { lamp: Some(lamp), shift, .. } = request else { panic!("{request:?}") };
            let first = places.iter().find(|p| p.id == lamp).unwrap().first;
            *shown.borrow_mut() = (lamp.clone(), first.checked_add_signed(shift as i16).unwrap());
            asked.push((lamp, shift));
            Some(shown_answer())
        };
        let mut looked_for = String::new();
        let mut hear = |prompt: &str| {
            let (lamp, slot) = shown.borrow().clone();
            if prompt.contains("alone?") {
                looked_for = lamp;
            } else if prompt.contains("on the mains") {
                return Some("n".to_owned());
            }
            let index = places.iter().position(|p| p.id == looked_for).unwrap();
            let lit = listens.iter().position(|at| *at == slot);
            Some(
                match lit {
                    Some(lit) if lit == index => "",
                    _ if prompt.contains("which one") => "L11",
                    Some(_) if prompt.contains("alone?") => "o",
                    _ => "n",
                }
                .to_owned(),
            )
        };
        let found = lead(places, &mut show, &mut hear);
        (found, asked)
    }

    #[test]
    fn lamps_one_off_at_anothers_place_and_nowhere_are_each_found_with_their_cure() {
        let places = [place("key", 1), place("fill", 11), place("hair", 21)];
        let (found, asked) = led(&places, &[1, 12, 0]);
        let kinds: Vec<_> = found.iter().map(|f| f.kind).collect();
        assert_eq!(kinds, [Kind::Good, Kind::WrongAddress, Kind::StaysDark]);
        assert_eq!(
            found[1].said,
            "fill (L11): listens at slot 12: set the lamp to 11, or its address in the plan to 12"
        );
        assert!(
            found[2].said.starts_with("hair (L21): stays dark at 21, 22, 20, 1/1, 1/11: "),
            "{}",
            found[2].said
        );
        // Nothing but its own address, the slots beside it, and places of the plan.
        let places_tried: Vec<_> = asked.iter().map(|(lamp, shift)| (lamp.as_str(), *shift)).collect();
        assert_eq!(
            places_tried,
            [
                ("key", 0),
                ("fill", 0),
                ("fill", 1),
                ("hair", 0),
                ("hair", 1),
                ("hair", -1),
                ("key", 0),
                ("fill", 0),
            ]
        );
    }

    #[test]
    fn a_lamp_that_listens_at_anothers_place_is_told_by_both() {
        let places = [place("key", 1), place("fill", 11)];
        let (found, _) = led(&places, &[0, 1]);
        assert_eq!(found[0].kind, Kind::AnotherShows);
        assert_eq!(found[0].said, "key (L1): L11 shows at universe 1 slot 1: set L11 to 11 and L1 to 1");
        assert_eq!(found[1].kind, Kind::WrongAddress);
        assert!(found[1].said.contains("listens at the place of key"), "{}", found[1].said);
    }

    #[test]
    fn the_end_of_input_stops_and_an_unknown_answer_is_asked_again() {
        let places = [place("key", 1), place("fill", 11)];
        let mut show = |_| Some(shown_answer());
        let mut lines = ["what?", ""].into_iter();
        let mut hear = |_: &str| lines.next().map(str::to_owned);
        let found = lead(&places, &mut show, &mut hear);
        assert_eq!(found.len(), 1, "fill was never answered for");
        assert_eq!(
            summary(&found, 2),
            "line check · 1 of 2 lamps show where the plan has them · stopped after 1"
        );
    }
}

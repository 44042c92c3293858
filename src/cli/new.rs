//! `new`: a few questions, then a first plan that passes `check`.

use std::fmt::Write as _;
use std::io::{self, BufRead, Write};
use std::ops::Range;

use super::typing::typed;

/// One job that a first plan offers a lamp for: id, what it is, and where such a lamp usually stands.
/// Places are common practice, no source: trim by eye.
struct Job {
    id: &'static str,
    what: &'static str,
    clock: &'static str,
    /// Height and distance in metres, then about the same in feet.
    metres: [&'static str; 2],
    feet: [&'static str; 2],
    aim: &'static str,
    target: &'static str,
}

const JOBS: &[Job] = &[
    Job {
        id: "key",
        what: "the soft main light",
        clock: "7:30",
        metres: ["1.9 m", "1.5 m"],
        feet: ["6 ft 3 in", "5 ft"],
        aim: "",
        target: "stops = 0",
    },
    Job {
        id: "fill",
        what: "the fill on the other side",
        clock: "4:30",
        metres: ["1.5 m", "2 m"],
        feet: ["5 ft", "6 ft 6 in"],
        aim: "",
        target: "to-key = -2",
    },
    Job {
        id: "hair",
        what: "a light from behind on hair and shoulders",
        clock: "1:30",
        metres: ["2.2 m", "1.8 m"],
        feet: ["7 ft 3 in", "6 ft"],
        aim: "aim = \"hair\"\n",
        target: "to-key = -0.5",
    },
];

/// A kind of lamp that can be chosen: profile name, mode, slots that it takes, one line about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Kind {
    /// Profile name.
    pub profile: String,
    /// Its first mode.
    pub mode: String,
    /// Slots of that mode.
    pub slots: u16,
    /// One line about it.
    pub about: String,
}

/// Asks on `out`, reads answers from `input` (Enter or the end of input takes what is offered), and
/// gives the plan's text.
///
/// Errors: those of `input` and `out`.
pub fn ask(
    input: &mut impl BufRead,
    out: &mut impl Write,
    kinds: &[Kind],
    ports: &[String],
) -> io::Result<String> {
    let mut q = Questions { input, out };
    q.say("A first plan for lampkeep. Enter takes the answer in brackets; all of it can be changed later.")?;
    let iso = q.number("ISO of the camera", "800", 1.0, 1e6)?;
    let f = q.number("f-number", "2.8", 0.5, 64.0)?;
    let mains = q.word("mains in hertz: 50 or 60", "50", &["50", "60"])?;
    let fps = q.number("frames a second", if mains == "60" { "24" } else { "25" }, 1.0, 1000.0)?;
    let kelvin = q.number("white balance in kelvin", "5600", 1000.0, 20_000.0)?;
    let feet = q.word("lengths in m or ft", "m", &["m", "ft"])? == "ft";
    // One period of the mains: steady under lamps that follow it, as long as a frame has room for it.
    let room = fps.parse::<f64>().is_ok_and(|fps| mains.parse::<f64>().is_ok_and(|mains| fps <= mains));
    let shutter = if room { format!("1/{mains}") } else { "180 deg".to_owned() };
    let mut text = String::from(
        "# A first plan, written by `lampkeep new`. `lampkeep check` finds what is wrong with it.\n",
    );
    let _ = write!(
        text,
        "\n[camera.main]\niso = {iso}\nf-number = {f}\nfps = {fps}\nshutter = \"{shutter}\"\nwhite-balance = {kelvin}\n\n[subject.guest]\n"
    );
    for (i, port) in ports.iter().enumerate() {
        q.say(&format!("  {}: {port}", i + 1))?;
    }
    let port =
        q.pick("USB interface: a number above, a device file, or `none` for the simulator", "none", ports)?;
    match port {
        None => text.push_str("\n[output.wire]\nkind = \"simulator\"\n"),
        Some(port) => {
            q.say("An interface with a processor of its own takes framed messages; a plain one is timed by lampkeep.")?;
            let kind = q.word("Kind of interface: framed or raw", "framed", &["framed", "raw"])?;
            let _ = write!(text, "\n[output.wire]\nkind = \"{kind}\"\nport = {port:?}\n");
        }
    }
    q.say("Kinds of lamp (the figures are invented; put your own lamp's in a profile later):")?;
    for (i, kind) in kinds.iter().enumerate() {
        q.say(&format!("  {}: {} - {}", i + 1, kind.profile, kind.about))?;
    }
    let mut taken: Vec<Range<u16>> = Vec::new();
    let mut lit = Vec::new();
    for job in JOBS {
        let offered = if job.id == "key" { "1" } else { "none" };
        let Some(kind) =
            q.choose(&format!("{} ({}): number of its kind, or none", job.id, job.what), offered, kinds)?
        else {
            continue;
        };
        let first = q.address(&taken, kind.slots)?;
        taken.push(first..first + kind.slots);
        let [height, distance] = if feet { job.feet } else { job.metres };
        let _ = write!(
            text,
            "\n[fixture.{}]\nprofile = \"{}\"\nmode = \"{}\"\naddress = {first}\nclock = \"{}\"      # from above, camera at 6:00\nheight = \"{}\"\ndistance = \"{}\"   # straight to the lamp's front\n{}",
            job.id, kind.profile, kind.mode, job.clock, height, distance, job.aim
        );
        lit.push(job);
    }
    if lit.is_empty() {
        q.say("No lamp chosen: a plan needs at least one, so the first kind stands in as key.")?;
        if let Some(kind) = kinds.first() {
            let job = &JOBS[0];
            let [height, distance] = if feet { job.feet } else { job.metres };
            let _ = write!(
                text,
                "\n[fixture.key]\nprofile = \"{}\"\nmode = \"{}\"\naddress = 1\nclock = \"{}\"\nheight = \"{}\"\ndistance = \"{}\"\n",
                kind.profile, kind.mode, job.clock, height, distance
            );
            lit.push(job);
        }
    }
    // Without a key nothing can be counted from it.
    let has_key = lit.iter().any(|j| j.id == "key");
    let _ = write!(text, "\n[look.first]\nkelvin = {kelvin}\n");
    for job in &lit {
        let target = if has_key { job.target.to_owned() } else { "stops = -1".to_owned() };
        let _ = writeln!(text, "{} = {{ {target} }}", job.id);
    }
    let _ = write!(text, "\n[look.low]\nlike = \"first\"\n");
    for job in lit.iter().filter(|j| j.id == "key" || !has_key) {
        let _ = writeln!(text, "{} = {{ stops = -3 }}", job.id);
    }
    // Top-level keys stand before the first table.
    let head = format!("mains = \"{mains} Hz\"\nrest = \"low\"\norder = [\"first\", \"low\"]\n");
    let at = text.find("\n[camera").unwrap_or(0);
    text.insert_str(at + 1, &format!("{head}\n"));
    Ok(text)
}

struct Questions<'a, R, W> {
    input: &'a mut R,
    out: &'a mut W,
}

impl<R: BufRead, W: Write> Questions<'_, R, W> {
    fn say(&mut self, line: &str) -> io::Result<()> {
        writeln!(self.out, "{line}")
    }

    fn line(&mut self, question: &str, offered: &str) -> io::Result<String> {
        write!(self.out, "{question} [{offered}]: ")?;
        self.out.flush()?;
        let line = typed(self.input)?;
        if line.is_none() {
            writeln!(self.out)?;
        }
        let line = line.as_deref().unwrap_or_default().trim();
        Ok(if line.is_empty() { offered.to_owned() } else { line.to_owned() })
    }

    /// A number in range, as TOML writes it. What is offered is always in range, so an end of input ends this.
    fn number(&mut self, question: &str, offered: &str, min: f64, max: f64) -> io::Result<String> {
        loop {
            let answer = self.line(question, offered)?;
            match answer.parse::<f64>() {
                Ok(n) if (min..=max).contains(&n) => return Ok(n.to_string()),
                _ => self.say(&format!("  `{answer}` is not a number between {min} and {max}"))?,
            }
        }
    }

    /// The first of so many slots that no lamp has yet; what is offered is free.
    fn address(&mut self, taken: &[Range<u16>], slots: u16) -> io::Result<u16> {
        let last = 513 - slots;
        let free = |first: &u16| taken.iter().all(|t| t.end <= *first || first + slots <= t.start);
        let after = taken.last().map_or(1, |t| t.end);
        // A handful of lamps never fills a universe; if one did, `check` would tell.
        let offered = (after..=last).chain(1..=last).find(free).unwrap_or(1);
        loop {
            let answer = self.line("  its DMX address", &offered.to_string())?;
            match answer.parse::<u16>().ok().filter(|first| (1..=last).contains(first)) {
                Some(first) if free(&first) || first == offered => return Ok(first),
                Some(first) => {
                    self.say(&format!("  another lamp has slots from {first} on; {offered} is free"))?
                }
                None => self.say(&format!("  `{answer}` is not a whole number between 1 and {last}"))?,
            }
        }
    }

    fn word(&mut self, question: &str, offered: &str, known: &[&str]) -> io::Result<String> {
        loop {
            let answer = self.line(question, offered)?;
            if known.contains(&answer.as_str()) {
                return Ok(answer);
            }
            self.say(&format!("  `{answer}` is not one of {}", known.join(", ")))?;
        }
    }

    fn pick(&mut self, question: &str, offered: &str, listed: &[String]) -> io::Result<Option<String>> {
        loop {
            let answer = self.line(question, offered)?;
            if answer == "none" {
                return Ok(None);
            }
            let number = answer.parse::<usize>().ok();
            match number.map(|n| listed.get(n.wrapping_sub(1)).cloned()) {
                Some(Some(listed)) => return Ok(Some(listed)),
                None if answer.contains('/') && !answer.contains(char::is_control) => {
                    return Ok(Some(answer));
                }
                _ => self.say("  give a number above, a path such as `/dev/ttyUSB0`, or `none`")?,
            }
        }
    }

    fn choose<'k>(
        &mut self,
        question: &str,
        offered: &str,
        kinds: &'k [Kind],
    ) -> io::Result<Option<&'k Kind>> {
        loop {
            let answer = self.line(question, offered)?;
            if answer == "none" {
                return Ok(None);
            }
            let found = answer
                .parse::<usize>()
                .ok()
                .and_then(|n| kinds.get(n.wrapping_sub(1)))
                .or_else(|| kinds.iter().find(|k| k.profile == answer));
            match found {
                Some(kind) => return Ok(Some(kind)),
                None if kinds.is_empty() => return Ok(None),
                None => self.say(&format!("  choose a number from 1 to {}, or none", kinds.len()))?,
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(answers: &str) -> (String, String) {
        let kind =
            |slots| Kind { profile: format!("mat-{slots}"), mode: "one".into(), slots, about: String::new() };
        let (mut input, mut out) = (answers.as_bytes(), Vec::new());
        let text = ask(&mut input, &mut out, &[kind(2), kind(8)], &["/dev/ttyUSB0".into()]).unwrap();
        (text, String::from_utf8(out).unwrap())
    }

    /// Once this never ended: the address that was offered behind the last slot is none.
    #[test]
    fn behind_the_last_slot_the_first_free_one_is_offered() {
        let (text, said) = asked("\n\n\n\n\n\n\n1\n511\n2\n");
        assert!(text.contains("address = 511") && text.contains("address = 1\n"), "{text}");
        assert!(said.contains("its DMX address [1]"), "{said}");
    }

    #[test]
    fn numbers_stand_as_toml_has_them_and_slots_of_another_lamp_are_not_taken() {
        let (text, said) = asked("0800\n.95\n\n\n\n\n\n1\n2.5\n7\n1\n6\n\n");
        assert!(text.contains("iso = 800\nf-number = 0.95\n"), "{text}");
        assert!(said.contains("`2.5` is not a whole number between 1 and 511"), "{said}");
        assert!(said.contains("another lamp has slots from 6 on; 9 is free"), "{said}");
        assert!(text.contains("address = 7\n") && text.contains("address = 9\n"), "{text}");
    }

    #[test]
    fn a_port_is_a_number_or_a_path() {
        let (text, said) = asked("\n\n\n\n\n\n7\nusb\n1\n\n");
        assert!(text.contains("port = \"/dev/ttyUSB0\""), "{text}");
        assert_eq!(said.matches("give a number above").count(), 2, "{said}");
    }
}

//! Examples of each command, and what a person must know beside its options: the end of its help and of its manual page.
//!
//! One shape, so that manual pages can be made of them: `Example: …`, or `Examples:` with one a line, two blanks in;
//! then an empty line and sentences.

pub(super) const ARGS: &str = "\
Exit codes: 0 done · 1 could not be met · 2 wrong usage · 3 the plan has errors · 4 no daemon answers · 5 refused by a guard

Start with: lampkeep rehearse

Lit lamps are never left unattended. Dark is not off: lamps stay on the mains and hot.";

pub(super) const NEW: &str = "Example: lampkeep new interview.toml";

pub(super) const PROFILES: &str = "Example: lampkeep profiles";

pub(super) const CHECK: &str = "\
Examples:
  lampkeep check interview.toml
  lampkeep check interview.toml --ambient 35
  lampkeep check interview.toml --ambient 95F";

pub(super) const REHEARSE: &str = "\
Examples:
  lampkeep rehearse                the built-in demo
  lampkeep rehearse interview.toml --ambient 35 --lamps warm
  lampkeep rehearse interview.toml --from quay-dusk --to 1:30:00
  lampkeep rehearse --fault usb@12:30,broker@14:00+60s,power@15:10
  lampkeep rehearse interview.toml --pace 1 --out rehearsal

Times count from the order's beginning. Takes and rests are those of the order: one take
a look unless its step says `takes`. Ends with 5 where a step is refused.";

pub(super) const DRAW: &str = "\
Examples:
  lampkeep draw interview.toml                 the set, and all looks on one sheet
  lampkeep draw interview.toml --look quay-dusk    the set and the face in that light
  lampkeep draw interview.toml --draft --feet --out /tmp/first

Writes SVG and PNG. Planned, not measured: the light is the engine's, the head is nobody's.
In a look marked `protect` it tells whether the face would be seen with shadows lifted.";

pub(super) const SHEET: &str = "\
Examples:
  lampkeep sheet interview.toml > rig.txt
  lampkeep sheet interview.toml --out rig.html    with the set drawn, to print";

pub(super) const RUN: &str = "\
Examples:
  lampkeep run interview.toml --simulate
  lampkeep run interview.toml

Stop it with Ctrl-C: it does with the light what `on-stop` says.
SIGHUP takes the changed plan, as `lampkeep reload` does.";

pub(super) const RELOAD: &str = "Example: lampkeep reload";

pub(super) const RECALL: &str = "\
Examples:
  lampkeep recall quay-dusk
  lampkeep recall quay-dusk --over 0s
  lampkeep recall --take 4/3
  lampkeep recall --take n12 --over 0s
  lampkeep recall quay-dusk --in 10s
  lampkeep recall quay-dusk --at 2026-05-04T10:00:00Z";

pub(super) const NEXT: &str = "\
Examples:
  lampkeep next
  lampkeep next --in 10s";

pub(super) const PREVIOUS: &str = "Example: lampkeep previous --over 5s";

pub(super) const CANCEL: &str = "Example: lampkeep cancel";

pub(super) const NUDGE: &str = "\
Examples:
  lampkeep nudge key +1/3
  lampkeep nudge fill -0.5 +200K
  lampkeep nudge all -1
  lampkeep nudge hair +10mired +0.002duv";

pub(super) const KEEP: &str = "\
Examples:
  lampkeep keep
  lampkeep keep quay-late";

pub(super) const DARK: &str = "\
Examples:
  lampkeep dark
  lampkeep dark --now

It is no emergency stop: pull the plug for that.";

pub(super) const REST: &str = "Example: lampkeep rest";

pub(super) const AGAIN: &str = "Example: lampkeep again";

pub(super) const ONLY: &str = "Example: lampkeep only key";

pub(super) const CALIBRATE: &str = "\
Examples:
  lampkeep calibrate B3
  lampkeep calibrate key --distance 2m --up
  lampkeep calibrate B3 --meter \"flat receptor, serial 12\" < readings.txt

At each step type what the meter shows and Enter: 250lx, 23fc, f/2.8+0.3, under1lx;
for colour 5120K +0.003duv 250lx, or xy0.69,0.30 230lx. `flickers` may be added.
skip leaves a step out, redo goes one back, quit stops: the readings are kept, and
the same command goes on.

The lamp goes to full: do not look into it, and let it cool before you touch it.";

pub(super) const METER: &str = "\
Examples:
  lampkeep meter short-talk
  lampkeep meter --places --meter \"serial 12\"
  lampkeep meter short-talk < readings.txt
  lampkeep meter --undo

At each step type what the meter shows and Enter: 250lx, 23fc, f/2.8+0.3, under1lx, with its
colour where it has one: 250lx 5120K +0.003duv. skip leaves a step out, redo goes one back,
quit stops: the readings are kept, and the same command goes on. Five lamps take seven.
Then both ratios, whether there is other light, and each trim that reaches the plan: Enter
sets it. Do not look into a lamp.";

pub(super) const READ: &str = "\
Examples:
  lampkeep read face-lit 250lx
  lampkeep read wall@pilot f/2.8+0.3 5120K -0.002duv
  lampkeep read key 23fc       at what key is aimed at, turned to it

Points: face-lit, face-shadow, face-camera, hair, wall-left, wall, wall-right, with @SUBJECT
where there are several; or a lamp. f-numbers count at the plan's ISO and shutter.";

pub(super) const MATCH: &str = "\
Examples:
  lampkeep match 4/3
  lampkeep match 4/3 --apply
  lampkeep match plan
  lampkeep match --undo

Read the look first: `lampkeep meter LOOK`. What it says is planned until it is read again.";

pub(super) const WINK: &str = "Example: lampkeep wink hair";

pub(super) const DOCTOR: &str = "\
Examples:
  lampkeep doctor interview.toml
  lampkeep doctor

Without a daemon it opens the plan's ports for a moment each and asks what they are;
it sends no slot, so no light changes. Ends with 1 where something is in the way.";

pub(super) const ROLLCALL: &str = "\
Examples:
  lampkeep rollcall --each 3s
  lampkeep rollcall --ask

With --ask each lamp stays until you answer. For one that stays dark the slots next to
its address and the plan's own places are tried, low; never all slots.";

pub(super) const ABSENT: &str = "\
Examples:
  lampkeep absent hair
  lampkeep absent hair --back";

pub(super) const COLD: &str = "\
Examples:
  lampkeep cold B3
  lampkeep cold all";

pub(super) const TAKE: &str = "\
Examples:
  lampkeep take start 4
  lampkeep take end good
  lampkeep take amend 4/3 bad
  lampkeep take sheet";

pub(super) const LOG: &str = "\
Examples:
  lampkeep log                       what happened last
  lampkeep log --takes               every take, its verdict and mark
  lampkeep log --since 2h --json     for programs, one JSON object a line
  lampkeep log --export takes.jsonl  then on the other machine:
  lampkeep log --import takes.jsonl

Times are UTC; `~` stands before those of a clock that was never set.
docs/journal.md has the tables, to be queried in a copy: lampkeep log --copy FILE";

pub(super) const WRAP: &str = "\
Examples:
  lampkeep wrap
  lampkeep wrap --out day-3

Figures of heat are estimates. Feel before you grip; unplug and let cool before you change a
lamp, gel, modifier or cable.";

pub(super) const CHAIR: &str = "\
Examples:
  lampkeep chair
  lampkeep chair --in 10s    time to look into the camera
  lampkeep chair --learn     teach the buttons again

At first use it asks for each button in turn. One bell: done. Two: refused. No bell while a
take rolls. Retake ends a take as bad and starts the next. A button held, or pressed again
within 0.7 s, is one press. Take end and dark never wait. Ctrl-C leaves; the light stays.";

pub(super) const PROTECT: &str = "\
Examples:
  lampkeep protect on
  lampkeep protect off
  lampkeep protect off 0427

It holds what is sent. Unplug those lamps too: it cannot hold a knob, what a lamp shows at
power-up, daylight, screens or light off a wall. Hair, voice and place still tell who it is.
Check the recording with its shadows lifted.";

pub(super) const STATUS: &str = "\
Examples:
  lampkeep status
  lampkeep status --follow
  lampkeep status --json
  lampkeep status --dark && sudo systemctl restart lampkeep";

pub(super) const EXPLAIN: &str = "\
Examples:
  lampkeep explain quay-dusk
  lampkeep explain quay-dusk --plan interview.toml";

pub(super) const DEVICE: &str = "\
Examples:
  lampkeep device pier
  lampkeep device mole --framed --copy mole-copy

Name it as the `port` of an output, and run that plan without --simulate. Once a
second it prints what came. Type gone to pull its plug, back to return it, back NAME
for another name, stuck, slow or short for how it takes bytes, well for as it should,
and quit. It shows bytes, not the timing of a line, and no breaks.";

pub(super) const ON: &str = "Example: lampkeep protect on";

pub(super) const OFF: &str = "\
Examples:
  lampkeep protect off         gives a code
  lampkeep protect off 0427    the code, within 30 s";

pub(super) const START: &str = "\
Examples:
  lampkeep take start 4    the next take of slate 4
  lampkeep take start      the same slate, next take
  lampkeep take start --in 10s";

pub(super) const END: &str = "\
Examples:
  lampkeep take end
  lampkeep take end good";

pub(super) const AMEND: &str = "\
Examples:
  lampkeep take amend 4/3 bad
  lampkeep take amend n12 as=5/2
  lampkeep take amend 4/3 good iso=800 stop=f/2.8 note=\"hand on the rail\"
  lampkeep take amend 4/3 iso@side=1600 note=

Names: iso, stop (f/2.8, T2.8), nd (density), shutter (1/50, \"180 deg\"), fps,
white-balance, tint, profile, lens, focal, grey-card, chart (yes, no), clip, photos, note.
NAME@CAMERA is another camera's; NAME= takes back. While a face is protected no free text.";

pub(super) const LIST: &str = "\
Examples:
  lampkeep take list
  lampkeep take list --json";

pub(super) const TAKE_SHEET: &str = "\
Examples:
  lampkeep take sheet                  the latest shooting day
  lampkeep take sheet 4/3 n12
  lampkeep take sheet --all --out shoot.csv";

pub(super) const PAPERS: &str = "Example: lampkeep papers target/papers";

pub(super) const COMPLETE: &str = "Example: lampkeep complete zsh 2 -- lampkeep recall qu";

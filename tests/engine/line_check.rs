//! One lamp shown low and alone, at its address and beside it. Source of what must hold: the requirement's own words
//! (only off-by-one, low, never into slots that may strobe or reset) and E1.11's slots 1 to 512.

use lampkeep::plan::load;
use lampkeep::wire::sim;

use crate::rig::Rig;

/// Slots of the first output, dark and with `request` done.
fn shown(request: &str) -> (Vec<u8>, Vec<u8>, String) {
    let mut rig = Rig::new(load::demo());
    rig.run(0.1);
    let dark = rig.frames.last().expect("frames")[0].slots.to_vec();
    let said = rig.done(request);
    rig.run(2.0);
    (dark, rig.frames.last().expect("frames")[0].slots.to_vec(), said)
}

#[test]
fn a_lamp_shows_low_and_alone_and_all_is_as_it_was_after_it() {
    let mut rig = Rig::new(load::demo());
    rig.done(r#"{"do":"recall","look":"short-talk","over_s":0}"#);
    rig.run(2.0);
    let before = rig.frames.last().unwrap().clone();
    rig.done(r#"{"do":"rollcall","lamp":"fill"}"#);
    rig.run(30.0);
    let status = rig.status();
    for fixture in status.fixtures.iter().filter(|f| f.control == "dmx") {
        assert_eq!(fixture.sent.lux > 0.0, fixture.id == "fill", "{}", fixture.id);
    }
    rig.done(r#"{"do":"rollcall","end":true}"#);
    rig.run(2.0);
    let slots = |frames: &[lampkeep::channels::Frame]| frames.iter().map(|f| f.slots).collect::<Vec<_>>();
    assert_eq!(slots(&before), slots(rig.frames.last().unwrap()));
    // By itself as well, after the time that was asked.
    rig.done(r#"{"do":"rollcall","lamp":"fill","each_s":0.5}"#);
    rig.run(3.0);
    assert_eq!(slots(&before), slots(rig.frames.last().unwrap()));
    assert!(!rig.json(r#"{"do":"rollcall","end":true}"#).ok, "it has ended already");
}

#[test]
fn a_lamp_that_listens_a_slot_further_shows_the_same_light_and_no_other_lamps_slots_change() {
    let plan = load::demo();
    let id = plan.fixture_named("fill").unwrap();
    let fixture = plan.fixture(id);
    let first = usize::from(fixture.address().unwrap().first) - 1;
    let (dark, own, _) = shown(r#"{"do":"rollcall","lamp":"fill"}"#);
    let request = r#"{"do":"rollcall","lamp":"fill","shift":1}"#;
    let (_, beside, said) = shown(request);
    assert!(said.contains(&format!("slot {} instead of {}", first + 2, first + 1)), "{said}");
    let listens = first + 1;
    let footprint = usize::from(fixture.mode.footprint());
    let at = |slots: &[u8], from: usize| {
        sim::shown(fixture, &slots[from..from + footprint], lampkeep::rehearse::WHITE)
    };
    assert_eq!(at(&beside, listens), at(&own, first), "what a lamp set a slot off gives");
    assert!(at(&beside, listens).lux > 0.0);
    assert_eq!(at(&beside, first).lux, 0.0, "a lamp that listens where it should stays dark");
    // Every other slot is as in the dark.
    for (slot, (now, was)) in beside.iter().zip(&dark).enumerate() {
        let tried = (listens..listens + footprint).contains(&slot);
        assert!(tried || now == was, "slot {}", slot + 1);
    }
}

/// The requirement: no door goes round a guard. One slot before its own the kelvin of this lamp would be its level, and a
/// fine byte the coarse one of others.
#[test]
fn what_would_light_the_lamp_at_its_own_address_too_is_refused() {
    let plan = load::demo();
    let mut tried = 0;
    for fixture in plan.fixtures.iter().filter(|f| f.address().is_some()) {
        let first = usize::from(fixture.address().unwrap().first) - 1;
        for shift in [1, -1] {
            let mut rig = Rig::new(plan.clone());
            rig.run(0.1);
            let request = format!(r#"{{"do":"rollcall","lamp":"{}","shift":{shift}}}"#, fixture.id);
            let answer = rig.json(&request);
            rig.run(0.5);
            let output = fixture.address().unwrap().output.0;
            let slots = &rig.frames.last().unwrap()[output].slots;
            let own = &slots[first..first + usize::from(fixture.mode.footprint())];
            let lit = sim::shown(fixture, own, lampkeep::rehearse::WHITE).lux;
            assert_eq!(lit, 0.0, "{} {shift}", fixture.id);
            tried += usize::from(answer.ok);
        }
    }
    assert!(tried >= 3, "{tried}: it shows nothing");
}

#[test]
fn slots_that_are_another_lamps_are_never_written() {
    let mut plan = load::demo();
    // The fill right before the hair: one slot further its last value would be the hair's first.
    let (fill, hair) = (plan.fixture_named("fill").unwrap(), plan.fixture_named("hair").unwrap());
    let first = plan.fixture(fill).address().unwrap().first;
    let footprint = plan.fixture(fill).mode.footprint();
    if let lampkeep::plan::Control::Dmx(address) = &mut plan.fixtures[hair.0].control {
        address.first = first + footprint;
    }
    let mut rig = Rig::new(plan);
    rig.run(0.1);
    let at = usize::from(first + footprint) - 1;
    let dark = rig.frames.last().expect("frames")[0].slots[at..at + 2].to_vec();
    rig.done(r#"{"do":"rollcall","lamp":"fill","shift":1}"#);
    rig.run(1.0);
    assert_eq!(rig.frames.last().expect("frames")[0].slots[at..at + 2], dark[..]);
}

#[test]
fn what_cannot_be_tried_is_refused_with_a_way_on() {
    let mut rig = Rig::new(load::demo());
    rig.run(0.1);
    let mut refused = |text: &str| {
        let failure = rig.json(text).error.expect(text);
        format!("{}; {}", failure.said, failure.hint.unwrap_or_default())
    };
    assert!(refused(r#"{"do":"rollcall","lamp":"fill","shift":2}"#).contains("is a sweep"));
    assert!(refused(r#"{"do":"rollcall","lamp":"key","shift":-1}"#).contains("there is no slot 0"));
    assert!(refused(r#"{"do":"rollcall","shift":1}"#).contains("needs the `lamp`"));
    assert!(refused(r#"{"do":"rollcall","lamp":"chart-lamp"}"#).contains("set by hand"));
    assert!(refused(r#"{"do":"rollcall","lamp":"fill","each_s":61}"#).contains("60 s"));
    rig.done(r#"{"do":"protect-on"}"#);
    let mut refused = |text: &str| rig.json(text).error.expect(text).said;
    assert!(refused(r#"{"do":"rollcall","lamp":"glow","shift":1}"#).contains("no other address is tried"));
    assert!(refused(r#"{"do":"rollcall","lamp":"fill"}"#).contains("protected face"));
    assert!(rig.json(r#"{"do":"rollcall","lamp":"glow"}"#).ok);
}

#[test]
fn a_lamp_comes_on_beside_its_address_at_most_once_a_second_and_its_body_counts_as_lit() {
    let plan = load::demo();
    let first = usize::from(plan.fixture(plan.fixture_named("fill").unwrap()).address().unwrap().first);
    let mut rig = Rig::new(plan);
    rig.run(0.1);
    // Its own slot of kelvin, where a lamp set one slot further has its level.
    let dark = rig.frames.last().unwrap()[0].slots[first];
    let (mut was, mut came, mut n) = (false, Vec::new(), 0);
    for request in 0..100 {
        let shift = if request % 2 == 0 { r#""shift":1"# } else { r#""end":true"# };
        rig.done(&format!(r#"{{"do":"rollcall","lamp":"fill",{shift}}}"#));
        for _ in 0..9 {
            rig.frame();
            n += 1;
            let lit = rig.frames.last().unwrap()[0].slots[first] != dark;
            if lit && !was {
                came.push(n);
            }
            was = lit;
        }
    }
    assert!(came.len() >= 3 && came.windows(2).all(|w| w[1] - w[0] >= 40), "{came:?}");
    let body = |rig: &Rig| {
        let status = rig.status();
        status.fixtures.iter().find(|f| f.id == "broad").and_then(|f| f.body_est_c).unwrap()
    };
    let mut rig = Rig::new(load::demo());
    rig.run(0.1);
    let cold = body(&rig);
    for _ in 0..4 {
        rig.done(r#"{"do":"rollcall","lamp":"broad","shift":1}"#);
        rig.run(50.0);
    }
    assert!(body(&rig) > cold + 0.5, "{} after {cold}", body(&rig));
}

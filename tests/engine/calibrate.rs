//! Readings of single channel values: exactly that value goes out, through every guard, and the light
//! from before comes back.

use crate::rig::{Rig, lit};
use lampkeep::channels::{self, level_channel};
use lampkeep::plan::{Drives, Mixing, Plan, load};
use lampkeep::units::Share;

/// The demo with every floor and ceiling out of the way.
fn open() -> Plan {
    let mut plan = load::demo();
    for fixture in &mut plan.fixtures {
        fixture.limits.floor = Share::NONE;
        fixture.limits.ceiling = Share::FULL;
        fixture.limits.rise_per_s = None;
        fixture.absent = None;
    }
    plan
}

#[test]
fn every_value_of_every_level_channel_goes_out_as_it_is_asked() {
    let mut rig = Rig::new(open());
    let plan = rig.engine.plan().clone();
    let mut tried = 0;
    for fixture in plan.fixtures.iter().filter(|f| f.address().is_some()) {
        let emitters: Vec<Option<&str>> = match fixture.mode.mixing {
            Mixing::Emitters { .. } => {
                fixture.profile.emitters.iter().map(|e| Some(e.name.as_str())).collect()
            }
            _ => vec![None],
        };
        for emitter in emitters {
            let channel = &fixture.mode.channels[level_channel(fixture, emitter).unwrap()];
            let full = channel.bits.max();
            for share in [1_u32, 2, 3, 7, 50, 128, 200, 254, 255] {
                let value = (share * u32::from(full) / 255) as u16;
                let mut text =
                    format!("{{\"do\":\"calibrate\",\"lamp\":\"{}\",\"value\":{value}", fixture.id);
                if let Some(emitter) = emitter {
                    text.push_str(&format!(",\"emitter\":\"{emitter}\""));
                }
                if let Mixing::White { kelvin, .. } = fixture.mode.mixing {
                    let Drives::Kelvin(a, b) = fixture.mode.channels[kelvin].drives else { panic!() };
                    let kelvin = a.get() + (b.get() - a.get()) * f64::from(share % 97) / 97.0;
                    text.push_str(&format!(",\"kelvin\":{kelvin}"));
                }
                text.push('}');
                let answer = rig.json(&text);
                assert!(answer.ok, "{text}: {:?}", answer.error);
                let data = answer.data.unwrap();
                assert_eq!(data["sent_value"], value, "{text}: {data}");
                rig.run(0.7);
                let status = rig.engine.status();
                for shown in &status.fixtures {
                    if shown.id == fixture.id {
                        assert_eq!(channels::value_in(channel, &shown.slots), Some(value), "{text}");
                        assert_eq!(serde_json::json!(shown.slots), data["slots"], "{text}");
                    } else {
                        assert_eq!(shown.sent.lux, 0.0, "{text}: {} is lit", shown.id);
                    }
                }
                assert_eq!(status.now.look, "calibrate");
                tried += 1;
            }
        }
    }
    assert!(tried > 100, "{tried}");
}

/// Source: the rule itself; 30 % of full under a square law is value 139 of 255 (255 x sqrt 0.3 = 139.7).
#[test]
fn a_guard_that_holds_a_reading_lower_is_told() {
    let mut plan = open();
    let id = plan.fixtures.iter().position(|f| f.mode.name == "cct-8").expect("the demo has a mat");
    plan.fixtures[id].limits.ceiling = Share::new(0.3).unwrap();
    let name = plan.fixtures[id].id.clone();
    let mut rig = Rig::new(plan);
    let answer = rig.json(&format!("{{\"do\":\"calibrate\",\"lamp\":\"{name}\",\"value\":255}}"));
    let data = answer.data.unwrap();
    // A step of the kelvin slot may leave room for one of the level.
    let sent = data["sent_value"].as_u64().unwrap();
    assert!((138..=141).contains(&sent), "{data}");
    assert_eq!(data["limited_by"][0], "ceiling");
    assert!(answer.said.unwrap().contains(&format!("held to {sent}: ceiling")));
}

/// A change of light fades: half a second for a reading.
#[test]
fn a_reading_of_less_light_is_faded_to_and_not_cut_to() {
    let mut rig = Rig::new(open());
    let light = |rig: &Rig| {
        let status = rig.engine.status();
        status.fixtures.iter().find(|f| f.id == "fill").map(|f| f.sent.lux).expect("the demo has a fill")
    };
    rig.done("{\"do\":\"calibrate\",\"lamp\":\"fill\",\"value\":200}");
    rig.run(1.0);
    let mut last = light(&rig);
    let (high, at) = (last, rig.frames.len());
    rig.done("{\"do\":\"calibrate\",\"lamp\":\"fill\",\"value\":2}");
    for _ in 0..40 {
        drop(rig.frame());
        let now = light(&rig);
        assert!(now <= last && last - now < 0.5 * high, "{last} to {now} lx in a frame");
        last = now;
    }
    assert!(last < 0.1 * high && rig.frames.len() == at + 40);
}

#[test]
fn the_light_from_before_a_calibration_comes_back_by_its_end_and_the_look_by_again() {
    let mut rig = Rig::new(open());
    let look = rig.engine.plan().looks[0].name.clone();
    rig.done(&format!("{{\"do\":\"recall\",\"look\":\"{look}\",\"over_s\":0}}"));
    rig.run(3.0);
    let shown = |rig: &Rig| lit(rig.engine.plan(), rig.frames.last().unwrap());
    let lit_before = shown(&rig);
    for back in ["{\"do\":\"again\"}", "{\"do\":\"calibrate\",\"end\":true}"] {
        rig.done("{\"do\":\"calibrate\",\"lamp\":\"key\",\"value\":20,\"emitter\":\"red\"}");
        rig.run(1.0);
        assert_ne!(shown(&rig), lit_before);
        rig.done(back);
        rig.run(4.0);
        assert_eq!(shown(&rig), lit_before, "{back}");
        assert_eq!(rig.engine.status().now.look, look);
    }
    let over = rig.json("{\"do\":\"calibrate\",\"end\":true}");
    assert!(!over.ok, "it has ended already");
}

/// A line check and a wink ask for other light than the value that stands: that light goes out, and what rises from it
/// rises from what was seen.
#[test]
fn a_rollcall_and_a_wink_show_their_own_light_and_not_the_value_that_stands() {
    let mut plan = open();
    let id = plan.fixture_named("fill").expect("a fill");
    plan.fixtures[id.0].limits.rise_per_s = Some(0.8);
    let mut rig = Rig::new(plan);
    rig.done(r#"{"do":"calibrate","lamp":"fill","value":3}"#);
    rig.run(2.0);
    let fill = |rig: &Rig| rig.status().fixtures[id.0].clone();
    let standing = fill(&rig);
    assert!(standing.sent.lux > 0.0);

    rig.done(r#"{"do":"wink","lamp":"fill"}"#);
    rig.run(0.5);
    let winked = fill(&rig);
    assert!(winked.sent.lux <= 0.5 * standing.sent.lux * (1.0 + 1e-9), "{winked:?}");
    rig.run(2.0);
    assert_eq!(fill(&rig).slots, standing.slots);

    rig.done(r#"{"do":"rollcall","each_s":1.0,"lamp":"fill"}"#);
    rig.run(0.9);
    let low = fill(&rig);
    assert!(low.asked.lux > 10.0 * standing.sent.lux, "low is more than this value: {low:?}");
    assert!(low.sent.lux > 0.9 * low.asked.lux, "{low:?}");
    rig.run(2.0);
    assert_eq!(fill(&rig).slots, standing.slots);

    // From full in a rollcall of one that stands at nothing no frame may rise by more than the lamp's own rise.
    rig.done(r#"{"do":"recall","look":"short-talk","over_s":0}"#);
    let most = |rig: &Rig| {
        let data = &rig.frames.last().expect("frames")[0].slots;
        let fixture = rig.engine.plan().fixture(id);
        let first = usize::from(fixture.address().expect("an address").first) - 1;
        let slots = &data[first..first + usize::from(fixture.mode.footprint())];
        channels::decode(fixture, slots).into_iter().fold(0.0, f64::max)
    };
    let mut before = most(&rig);
    for _ in 0..80 {
        rig.frame();
        let now = most(&rig);
        assert!(now - before <= 0.8 / 40.0 + 1.0 / 255.0, "from {before} to {now}");
        before = now;
    }
}

#[test]
fn what_a_mode_does_not_have_is_refused_by_name() {
    let mut rig = Rig::new(open());
    let refused = |rig: &mut Rig, text: &str| rig.json(text).error.expect(text).said;
    let said = refused(&mut rig, "{\"do\":\"calibrate\",\"lamp\":\"key\",\"value\":20,\"kelvin\":5600}");
    assert!(said.contains("no kelvin channel") || said.contains("name one of"), "{said}");
    let said =
        refused(&mut rig, "{\"do\":\"calibrate\",\"lamp\":\"key\",\"value\":20,\"emitter\":\"ultra\"}");
    assert!(said.contains("no emitter `ultra`"), "{said}");
    assert!(refused(&mut rig, "{\"do\":\"calibrate\",\"lamp\":\"key\"}").contains("`value`"));
    assert!(refused(&mut rig, "{\"do\":\"calibrate\",\"lamp\":\"nobody\",\"value\":1}").contains("nobody"));
}

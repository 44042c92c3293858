//! Takes for the checks of all of a sheet's texts, and what holds for the sheet itself.

use super::*;

/// Invented: an interview with a harbour pilot.
pub(crate) fn lamp(id: &str, body: &str, lux: f64) -> Lamp {
    Lamp {
        id: id.into(),
        body: body.into(),
        sticker: None,
        profile: "tint-panel".into(),
        mode: "cct-tint-16".into(),
        clock: "7:30".into(),
        distance_m: 1.5,
        height_m: 1.9,
        tilt_deg: 25.0,
        aim: "the face of pilot".into(),
        modifiers: vec!["softbox-90".into()],
        loss_stops: 1.5,
        shift_mired: 0.0,
        circuit: None,
        lux,
        stops: (lux > 0.0).then(|| (lux / 250.0).log2()),
        kelvin: (lux > 0.0).then_some(5600.0),
        duv: (lux > 0.0).then_some(0.001),
        xy: None,
        moves: None,
        address: Some((1, 21)),
        slots: vec![10, 20, 30, 40, 50, 60],
        trims: None,
        absent: None,
        warm_s: Some(2400.0),
        heat_c: Some((51.0, 70.0)),
    }
}

pub(crate) fn take(number: u64, name: &str, look: &str) -> Take {
    Take {
        number: format!("n{number}"),
        name: name.into(),
        look: look.into(),
        nudged: false,
        started: Some("2026-05-04 10:00:00".into()),
        lasted_s: Some(130.0),
        why: Some(Vec::new()),
        mark: Some("good".into()),
        notes: vec!["hand on the rail".into()],
        plan_hash: "5d0f2d701eb79033".into(),
        frame_hash: "0123456789abcdef".into(),
        zero_stops_lux: 250.0,
        cameras: vec![Camera {
            id: "main".into(),
            settings: vec![("ISO".into(), "800".into()), ("stop".into(), "f/2.8".into())],
            typed: false,
        }],
        lamps: vec![lamp("key", "P1", 250.0), lamp("fill", "B3", 0.0)],
        also: Vec::new(),
        readings: vec![Reading {
            point: "face-lit".into(),
            lit: "all".into(),
            read: "246 lx".into(),
            at: None,
        }],
        drawing: None,
    }
}

pub(crate) fn sheet(takes: Vec<Take>) -> Sheet {
    Sheet {
        set: "pilot-station".into(),
        made: "2026-05-04 18:00".into(),
        zone: "UTC+02:00".into(),
        hidden: false,
        drawings: Vec::new(),
        takes,
    }
}

#[test]
fn takes_of_the_same_light_share_a_set_up_and_heat_alone_parts_none() {
    let mut third = take(3, "4/3", "quay-dusk");
    third.lamps[0].heat_c = Some((60.0, 70.0));
    let mut moved = take(4, "4/4", "quay-dusk");
    moved.lamps[0].distance_m = 1.7;
    let sheet = sheet(vec![take(1, "4/1", "quay-dusk"), take(2, "4/2", "mole-light"), third, moved]);
    let found: Vec<_> = sheet
        .set_ups()
        .into_iter()
        .map(|s| (s.letter, s.takes.iter().map(|t| t.number.as_str()).collect::<Vec<_>>().join(" ")))
        .collect();
    assert_eq!(found, [("A".into(), "n1 n3".into()), ("B".into(), "n2".into()), ("C".into(), "n4".into())]);
}

/// Source: docs/interface.md, part 3: numbers for names, no free text.
#[test]
fn a_hidden_sheet_tells_no_name() {
    let mut ada = take(12, "ada/3", "quay-dusk");
    ada.notes = vec!["Ada at the rail".into()];
    ada.lamps[0].sticker = Some("Ada's".into());
    ada.lamps[0].absent = Some("Ada has it".into());
    ada.cameras[0].settings.push(("lens".into(), "Ada's 35".into()));
    ada.why = Some(vec!["light changed: key after 2.0 s".into()]);
    ada.readings[0].point = "face-lit@ada".into();
    ada.also = vec!["board ada: 4:00".into()];
    let mut sheet = sheet(vec![ada]);
    sheet.hide();
    let all = format!("{}{}{}", html(&sheet), csv(&sheet), serde_json::to_string(&sheet).unwrap());
    for name in ["ada", "Ada", "quay-dusk", ">key<", "P1", "\"key\"", "pilot,", "of pilot"] {
        assert!(!all.contains(name), "{name} is told");
    }
    assert!(all.contains("lamp-1") && all.contains("ISO"));
}

#[test]
fn set_ups_go_on_after_z() {
    assert_eq!([0, 25, 26, 51, 52, 701, 702].map(letter), ["A", "Z", "AA", "AZ", "BA", "ZZ", "AAA"]);
}

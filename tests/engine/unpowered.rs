//! Lamps of which nobody stated what they draw. Source: house.md, data flow: an unknown temperature counts as
//! hot; docs/safety.md, Heat.

use crate::rig::Rig;
use lampkeep::plan::diagnose::{Form, render};
use lampkeep::plan::load;

/// A lamp with a figure of heat and no watts: its estimate would stand still, so it is unknown.
#[test]
fn a_lamp_without_watts_is_unknown_whatever_is_said_of_its_heat() {
    for (heat, half) in [
        ("heat = { full-for = \"20 min\", watts = \"100 W\" }", true),
        ("heat = { k-per-w = \"0.8 K/W\", time-constant = \"10 min\" }", true),
        ("heat = \"no limit\"", false),
    ] {
        let text = format!(
            "[camera.main]\niso = 800\nf-number = 2.8\nshutter = \"1/50\"\n[output.desk]\nkind = \"framed\"\n\
             port = \"not-there\"\n[profile.spot]\ncooling = \"fan-less\"\n\
             emitter.white = {{ kelvin = 5600, lux = 1600 }}\n{heat}\n\
             mode.dim = {{ slots = [{{ drives = \"intensity\", bits = 16 }}] }}\n\
             [fixture.key]\nprofile = \"spot\"\naddress = 1\nclock = \"7:30\"\nheight = \"1.9 m\"\ndistance = \"1.5 m\"\n\
             [look.day]\nkey = {{ of-full = \"100 %\" }}\n"
        );
        let dir = tempfile::tempdir().expect("a folder");
        let path = dir.path().join("quay.toml");
        std::fs::write(&path, &text).expect("written");
        let plan = load::load(&path).unwrap_or_else(|e| panic!("{}", render(&e, Form::Plain)));
        let mut rig = Rig::with(plan, false);
        rig.done(r#"{"do":"recall","look":"day","over_s":0}"#);
        rig.run(5.0);
        let lamp = &rig.status().fixtures[0];
        let share = lamp.sent.lux / lamp.asked.lux;
        assert!((share - if half { 0.5 } else { 1.0 }).abs() < 1e-4, "{heat}: {share}");
        let told = rig.status().alerts.into_iter().find(|a| a.kind == "heat-unknown");
        assert_eq!(told.is_some(), half, "{heat}");
        if let Some(told) = told {
            assert_eq!(
                told.said,
                "key held at half its light: what its emitters draw is not known, so its heat is \
                 not either. Enter it, such as watts = \"60 W\" at each emitter of spot"
            );
        }
    }
}

//! What becomes of a take that rolled when the daemon died. Source: the requirement (an open take is closed as
//! "interrupted"), docs/interface.md part 3, *Starting*.

use std::sync::LazyLock;

use crate::rig::Rig;
use lampkeep::engine::Kept;
use lampkeep::journal::{TakeEnd, What};
use lampkeep::plan::{Plan, load};

static DEMO: LazyLock<Plan> = LazyLock::new(load::demo);

/// A state with a take that had rolled for ten seconds.
fn rolling() -> Kept {
    let mut rig = Rig::new(DEMO.clone());
    rig.done(r#"{"do":"recall","look":"quay-dusk","over_s":0}"#);
    rig.run(20.0);
    rig.done(r#"{"do":"take-start","slate":"4"}"#);
    rig.run(10.0);
    rig.engine.to_keep()
}

fn ended(rig: &Rig) -> Option<&TakeEnd> {
    rig.log.all.iter().find_map(|what| if let What::TakeEnded(end) = what { Some(end) } else { None })
}

#[test]
fn a_take_that_cannot_go_on_is_closed_as_interrupted() {
    let mut other = DEMO.clone();
    other.hash = "another".into();
    // Too long ago, and in time but with another plan, so that the light is not as it was.
    for (plan, gap_s) in [(DEMO.clone(), 600.0), (other, 5.0)] {
        let mut rig = Rig::again(plan, rolling(), gap_s);
        rig.frame();
        assert_eq!(rig.status().now.take, None, "after {gap_s} s");
        let end = ended(&rig).expect("it is closed");
        assert!(end.interrupted && end.number == 1, "{end:?}");
        assert!(end.why.iter().any(|w| w.starts_with("interrupted: ")), "{end:?}");
        assert!(
            rig.alerts.iter().any(|(_, kind, said)| kind == "take-cut" && said.contains("4/1 interrupted"))
        );
        assert!(rig.done(r#"{"do":"take-start"}"#).starts_with("take 4/2 rolls"));
    }
}

#[test]
fn a_take_in_the_very_light_goes_on_and_says_at_its_end_that_it_was_interrupted() {
    let mut rig = Rig::again(DEMO.clone(), rolling(), 5.0);
    rig.run(2.0);
    assert_eq!(rig.status().now.take.as_deref(), Some("4/1"));
    assert!(ended(&rig).is_none());
    let said = rig.done(r#"{"do":"take-end","mark":"good"}"#);
    assert!(said.contains("interrupted: the daemon was away for 5.0 s after 10"), "{said}");
    assert_eq!(said.matches("a lamp cold").count(), 1, "{said}");
}

//! The built-in demo and the shipped examples load, and are what the documents say they are.

use lampkeep::plan::load;

#[test]
fn the_demo_is_read() {
    let plan = load::demo();
    assert_eq!(plan.name, "pilot-station");
}

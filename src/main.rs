//! Arguments in, exit code out.
fn main() {
    let plan = lampkeep::plan::load::demo();
    let timeline = lampkeep::rehearse::rehearse(plan.into(), |_| {});
    println!("{}", timeline.text());
}

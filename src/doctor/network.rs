//! Network outputs: is there a way to where they send.

use super::{Finding, Weight, in_two};
use crate::plan::{Output, OutputKind};
use crate::wire::e131;

/// Looks at a network output's way; sends nothing. Nothing for other outputs.
#[must_use]
pub fn network(output: &Output) -> Vec<Finding> {
    let OutputKind::E131(settings) = &output.kind else { return Vec::new() };
    let found = e131::look(settings, output.universe);
    let worded = |fault: e131::NetError| {
        let (said, cure) = in_two(&fault.to_string());
        Finding::new(fault.word(), Weight::Stops, said, cure).of(&output.name)
    };
    found.into_iter().map(worded).collect()
}

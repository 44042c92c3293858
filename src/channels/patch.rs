//! Which fixtures a universe carries, and where.

use super::{Frame, SLOTS};
use crate::plan::{FixtureId, OutputId, Plan};
use crate::units::FrameNumber;

/// One output's universe and the fixtures on it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Patch {
    /// The output.
    pub output: OutputId,
    /// Its universe.
    pub universe: u16,
    /// Fixtures with the range of their slots as indexes into a frame's slots (from 0).
    pub fixtures: Vec<(FixtureId, std::ops::Range<usize>)>,
    /// Highest slot in use, 0 to 512.
    pub used: u16,
}

impl Patch {
    /// A frame of this universe with the given footprints, by fixture id.
    pub fn frame<'a>(&self, number: FrameNumber, slots_of: impl Fn(FixtureId) -> &'a [u8]) -> Frame {
        let mut frame = Frame::dark(number, self.universe, self.used);
        for (id, range) in &self.fixtures {
            frame.slots[range.clone()].copy_from_slice(slots_of(*id));
        }
        frame
    }
}

/// The patch of every output, in the plan's order. The plan's reader has checked that no footprints
/// overlap and none passes slot 512.
#[must_use]
pub fn patches(plan: &Plan) -> Vec<Patch> {
    plan.outputs
        .iter()
        .enumerate()
        .map(|(index, output)| {
            let mut fixtures = Vec::new();
            for id in plan.fixture_ids() {
                let fixture = plan.fixture(id);
                let Some(address) = fixture.address() else { continue };
                if address.output == OutputId(index) {
                    let first = usize::from(address.first) - 1;
                    fixtures.push((id, first..first + usize::from(fixture.mode.footprint())));
                }
            }
            let used = fixtures.iter().map(|(_, range)| range.end).max().unwrap_or(0).min(SLOTS) as u16;
            Patch { output: OutputId(index), universe: output.universe, fixtures, used }
        })
        .collect()
}

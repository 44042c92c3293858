//! What counts as a change of status: everything but the counters that never stand still.
//!
//! Doors send what changed. Frame numbers, uptime and lateness change with every frame and say
//! nothing new; slow quantities count in the steps in which a person reads them.

use super::{FixtureStatus, Now, OutputStatus, Status};

/// True if `after` tells a reader something that `before` did not.
pub(super) fn differs(before: &Status, after: &Status) -> bool {
    let head = |s: &Status| (s.version, s.simulated, s.set.clone(), s.plan_hash.clone(), s.order.clone());
    head(before) != head(after)
        || before.mqtt != after.mqtt
        || before.alerts != after.alerts
        || before.protect != after.protect
        || now(&before.now) != now(&after.now)
        || !before.outputs.iter().map(output).eq(after.outputs.iter().map(output))
        || !before.fixtures.iter().map(fixture).eq(after.fixtures.iter().map(fixture))
}

/// The light now without its counters; a countdown counts in whole seconds.
pub(super) fn now(now: &Now) -> Now {
    let mut now = Now { frame: 0, uptime_s: 0.0, sequence: 0, ..now.clone() };
    if let Some(scheduled) = &mut now.scheduled {
        scheduled.in_s = scheduled.in_s.ceil();
    }
    now
}

/// An output without its counters.
pub(super) fn output(output: &OutputStatus) -> OutputStatus {
    OutputStatus { frames: 0, late_us_p50: None, late_us_p999: None, ..output.clone() }
}

/// A fixture with its heat in half degrees, its time left and a reading's age in whole minutes.
pub(super) fn fixture(fixture: &FixtureStatus) -> FixtureStatus {
    let mut fixture = fixture.clone();
    fixture.body_est_c = fixture.body_est_c.map(|c| (c * 2.0).round() / 2.0);
    fixture.minutes_left = fixture.minutes_left.map(f64::floor);
    if let Some(reading) = &mut fixture.measured {
        reading.age_s = (reading.age_s / 60.0).floor();
    }
    fixture
}

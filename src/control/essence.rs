//! What counts as a change of status: everything but the counters that never stand still.
//!
//! Doors send what changed. Frame numbers, uptime and lateness change with every frame and say
//! nothing new; slow quantities count in the steps in which a person reads them.

use super::{
    CircuitStatus, ClockStatus, FixtureStatus, JournalStatus, Now, OrderStatus, OutputStatus, ReadingStatus,
    Status,
};

/// True if `after` tells a reader something that `before` did not.
pub(super) fn differs(before: &Status, after: &Status) -> bool {
    let head = |s: &Status| (s.version, s.simulated, s.set.clone(), s.plan_hash.clone(), order(&s.order));
    head(before) != head(after)
        || before.mqtt != after.mqtt
        || before.alerts != after.alerts
        || before.told != after.told
        || before.clock.as_ref().map(clock) != after.clock.as_ref().map(clock)
        || before.journal.as_ref().map(journal) != after.journal.as_ref().map(journal)
        || before.protect != after.protect
        || !before.readings.iter().map(reading).eq(after.readings.iter().map(reading))
        || now(&before.now) != now(&after.now)
        || !before.outputs.iter().map(output).eq(after.outputs.iter().map(output))
        || !before.circuits.iter().map(circuit).eq(after.circuits.iter().map(circuit))
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

/// The wall clock without its drift.
pub(super) fn clock(clock: &ClockStatus) -> ClockStatus {
    ClockStatus { offset_ms: None, error_ms: None, ..clock.clone() }
}

/// The log without its counters.
pub(super) fn journal(journal: &JournalStatus) -> JournalStatus {
    JournalStatus { written: 0, waiting: 0, ..journal.clone() }
}

/// An output without its counters.
pub(super) fn output(output: &OutputStatus) -> OutputStatus {
    OutputStatus {
        frames: 0,
        missed: 0,
        late_us_p50: None,
        late_us_p99: None,
        late_us_p999: None,
        late_us_max: None,
        ..output.clone()
    }
}

/// The order with its forecast in whole minutes, tenths of a stop and degrees.
pub(super) fn order(order: &OrderStatus) -> OrderStatus {
    let mut order = order.clone();
    for step in &mut order.heat {
        step.after_min = step.after_min.map(f64::floor);
        step.rest_min = step.rest_min.map(f64::ceil);
        step.held_stops = (step.held_stops * 10.0).round() / 10.0;
        if let Some(body) = &mut step.warmest {
            body.celsius = body.celsius.round();
        }
    }
    order
}

/// A circuit in whole watts and volt-amperes.
pub(super) fn circuit(circuit: &CircuitStatus) -> CircuitStatus {
    let (watts, volt_amperes) = (circuit.watts.round(), circuit.volt_amperes.round());
    CircuitStatus { watts, volt_amperes, ..circuit.clone() }
}

/// A reading with its age in whole minutes.
fn reading(reading: &ReadingStatus) -> ReadingStatus {
    let mut reading = reading.clone();
    reading.light.age_s = (reading.light.age_s / 60.0).floor();
    reading
}

/// A fixture with its heat in half degrees, its battery in hundredths, its time left and a reading's age in whole minutes.
pub(super) fn fixture(fixture: &FixtureStatus) -> FixtureStatus {
    let mut fixture = fixture.clone();
    fixture.body_est_c = fixture.body_est_c.map(|c| (c * 2.0).round() / 2.0);
    fixture.minutes_left = fixture.minutes_left.map(f64::floor);
    fixture.cools_minutes = fixture.cools_minutes.map(f64::ceil);
    if let Some(battery) = &mut fixture.battery {
        battery.left_share = (battery.left_share * 100.0).ceil() / 100.0;
        battery.minutes_left = battery.minutes_left.map(f64::floor);
    }
    if let Some(reading) = &mut fixture.measured {
        reading.age_s = (reading.age_s / 60.0).floor();
    }
    fixture
}

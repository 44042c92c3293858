//! A status as a daemon might give it; every figure is invented.

use lampkeep::control::{
    FixtureStatus, Light, LinkState, Now, OrderStatus, OutputStatus, ProtectStatus, Status,
};

/// Two lamps on one output, a look lit at the first frame.
pub fn status(look: &str) -> Status {
    let light = |lux: f64, kelvin: f64| Light {
        lux,
        stops: Some(-0.5),
        kelvin: Some(kelvin),
        duv: Some(0.001),
        x: Some(0.332),
        y: Some(0.345),
    };
    let fixture = |id: &str, lamp: &str, lux: f64| FixtureStatus {
        id: id.into(),
        lamp: lamp.into(),
        control: "dmx".into(),
        mode: "cct-8".into(),
        universe: Some(1),
        first_slot: Some(1),
        asked: light(lux, 5600.0),
        sent: light(lux - 0.25, 5590.0),
        measured: None,
        slots: vec![180, 92],
        watts: 61.5,
        body_est_c: Some(41.0),
        limit_c: Some(70.0),
        minutes_left: None,
        battery: None,
        limited_by: vec![],
        moves: None,
        uncalibrated: true,
    };
    Status {
        version: 1,
        set: "pilot-station".into(),
        simulated: true,
        plan_hash: "0123456789abcdef".into(),
        now: Now {
            look: look.into(),
            fading: false,
            progress: 1.0,
            fade_left_s: 0.0,
            take: None,
            frame: 1,
            uptime_s: 0.025,
            sequence: 1,
            boot_id: "5e0f0e0c-0000-4000-8000-000000000000".into(),
            nudged: false,
            scheduled: None,
            showing: None,
        },
        order: OrderStatus { position: Some(2), steps: 7, next: Some("split".into()), heat: Vec::new() },
        outputs: vec![OutputStatus {
            kind: "simulator".into(),
            name: "desk".into(),
            universe: 1,
            state: LinkState::Up,
            said: None,
            rate: 40,
            frames: 1,
            late_us_p50: Some(61.0),
            late_us_p99: None,
            late_us_p999: None,
            late_us_max: None,
            missed: 0,
            reopened: 0,
            last_gap_s: None,
            real_time: lampkeep::control::RealTimeStatus::default(),
        }],
        mqtt: None,
        fixtures: vec![fixture("key", "B3", 800.0), fixture("fill", "B1", 200.0)],
        circuits: Vec::new(),
        alerts: vec![],
        told: None,
        clock: None,
        journal: None,
        protect: ProtectStatus::default(),
        other_ids: vec![],
    }
}

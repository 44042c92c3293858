//! What a plan means once read: places in metres, exposure in lux, looks as one target a lamp.

mod common_plan;

use std::time::Duration;

use common_plan::{plan_with, read_plan, read_with};
use lampkeep::plan::diagnose::{Form, render};
use lampkeep::plan::{
    Aim, ClientCertificate, ColourTarget, Colours, Fixture, Flicker, FlickerLike, FreshBy, Level, Look,
    MeterAt, MeterPoint, MeterTarget, Motion, OnStart, OnStop, Plan, Requests, Secret, SubjectId, Target,
    Text, Tls, look_text,
};
use lampkeep::units::{Duv, Kelvin, Lux, Share, Stops, Xy};
use proptest::prelude::*;

fn plan(more: &str) -> Plan {
    read_plan(&plan_with(more)).unwrap_or_else(|report| panic!("{}", render(&report, Form::Plain)))
}

fn lamp<'p>(plan: &'p Plan, id: &str) -> &'p Fixture {
    plan.fixture(plan.fixture_named(id).expect("a lamp of this plan"))
}

fn place(plan: &Plan, id: &str) -> [f64; 3] {
    lamp(plan, id).place.position
}

fn near(found: [f64; 3], wanted: [f64; 3]) {
    let far = found.iter().zip(wanted).any(|(f, w)| (f - w).abs() > 1e-12);
    assert!(!far, "{found:?} is not {wanted:?}");
}

fn level(plan: &Plan, look: &str, id: &str) -> Option<Level> {
    let look = plan.look(plan.look_named(look).expect("a look of this plan"));
    look.target(plan.fixture_named(id).expect("a lamp of this plan")).map(|t| t.level)
}

fn colour(plan: &Plan, look: &str, id: &str) -> ColourTarget {
    let look = plan.look(plan.look_named(look).expect("a look of this plan"));
    look.target(plan.fixture_named(id).expect("a lamp of this plan"))
        .expect("the look lights this lamp")
        .colour
}

fn white(kelvin: f64, duv: f64) -> ColourTarget {
    ColourTarget::White(Kelvin::clamped(kelvin), Duv::clamped(duv))
}

fn kinds(more: &str) -> Vec<&'static str> {
    let report = read_plan(&plan_with(more)).expect_err("this plan has an error");
    report.problems.iter().map(|p| p.kind.word()).collect()
}

/// Source: interface.md part 2, "4:30 is 45 degrees round to camera right"; arithmetic.
#[test]
fn half_past_four_is_45_degrees_round_to_camera_right() {
    near(place(&plan(""), "fill"), [2_f64.sqrt(), -(2_f64.sqrt()), 0.0]);
}

/// Source: arithmetic; sin 30 = 0.5, cos 30 = sqrt(3)/2.
#[test]
fn raise_is_the_angle_above_the_eye() {
    let flat = 3_f64.sqrt() / 2_f64.sqrt();
    near(place(&plan(""), "key"), [-flat, -flat, 1.0]);
}

/// Source: arithmetic; the eye is at 1.2 m, so 1.9 m is 0.7 m above it, 1.5 m straight.
#[test]
fn height_counts_from_the_floor_and_distance_runs_straight() {
    let plan = plan("");
    let flat = (1.5_f64 * 1.5 - 0.7 * 0.7).sqrt();
    let (sin, cos) = 30_f64.to_radians().sin_cos();
    near(place(&plan, "back"), [flat * sin, flat * cos, 0.7]);
    assert!((lamp(&plan, "back").place.distance_m - 1.5).abs() < 1e-12);
}

#[test]
fn floor_distance_runs_along_the_floor() {
    let at = "[fixture.side]\nprofile = \"spot\"\naddress = 41\nclock = \"9:00\"\nheight = \"2.2 m\"\nfloor-distance = \"150 cm\"\n";
    near(place(&plan(at), "side"), [-1.5, 0.0, 1.0]);
}

#[test]
fn a_hair_light_is_aimed_behind_and_above_the_face() {
    let plan = plan("");
    let hair = &lamp(&plan, "hair").place;
    assert_eq!(hair.aim, Aim::Hair(SubjectId(0)));
    near(hair.aim_point, [0.0, 0.1, 0.1]);
    near(hair.position, [0.0, 1.1, 0.1]);
}

/// Source: arithmetic; 0.5 m from the wall, 0.9 m below the eye: r² = 0.25 + 0.81, cos = 0.5 / r.
#[test]
fn a_wall_lamp_is_metered_in_the_wall_before_it() {
    let at = "[room]\nback = \"2 m\"\nright = \"3 m\"\n\n[fixture.glow]\nprofile = \"spot\"\naddress = 41\naim = \"wall\"\n\
              from-wall = \"0.5 m\"\nalong = \"1 m\"\nheight = \"0.3 m\"\n\n[fixture.edge]\nprofile = \"spot\"\naddress = 51\n\
              aim = \"right wall\"\nfrom-wall = \"1 m\"\nheight = \"1.2 m\"\naim-height = \"2.2 m\"\n";
    let plan = plan(at);
    let glow = &lamp(&plan, "glow").place;
    near(glow.position, [1.0, 1.5, -0.9]);
    near(glow.aim_point, [1.0, 2.0, 0.0]);
    let r = 1.06_f64.sqrt();
    assert!((glow.distance_m - r).abs() < 1e-12 && (glow.incidence_cosine - 0.5 / r).abs() < 1e-12);
    let edge = &lamp(&plan, "edge").place;
    near(edge.position, [2.0, 0.0, 0.0]);
    near(edge.aim_point, [3.0, 0.0, 1.0]);
    assert!((edge.incidence_cosine - 0.5_f64.sqrt()).abs() < 1e-12);
}

#[test]
fn a_second_subject_is_the_centre_of_its_own_clock() {
    let at = "[subject.pilot]\n[subject.guest]\nat = [\"1 m\", \"0.5 m\"]\neye-height = \"1.3 m\"\nfaces = \"7:30\"\n\n\
              [fixture.guest-key]\nprofile = \"spot\"\naddress = 41\naim = \"guest\"\nclock = \"6:00\"\ndistance = \"2 m\"\n";
    let plan = plan(at);
    near(plan.subjects[1].position, [1.0, 0.5, 0.1]);
    let half = 0.5_f64.sqrt();
    near(plan.subjects[1].facing, [-half, -half, 0.0]);
    near(place(&plan, "guest-key"), [1.0, -1.5, 0.1]);
}

/// Source: interface.md part 2, "nd = 0.6 (density: 2 stops)": log2(10^0.6) = 1.9932 stops.
#[test]
fn density_t_stop_and_shutter_angle_move_the_exposure() {
    let text = plan_with("")
        .replace("f-number = 2.8", "t-stop = 2.8\nnd = 0.6\nfps = 25")
        .replace("1/50", "180 deg");
    let exposure = read_plan(&text).unwrap().exposure;
    assert!((exposure.shutter_s - 0.02).abs() < 1e-15);
    let stops = (exposure.zero_stops.get() / 122.5).log2();
    assert!((stops - 1.9932).abs() < 1e-4, "{stops}");
}

#[test]
fn a_gel_shifts_mired_and_tint_and_costs_its_loss() {
    let more = "[modifier.orange]\nloss = \"0.5 stops\"\nmired = \"50 mired\"\nduv = 0.001\n\n[modifier.net]\nloss = \"1 stop\"\n\n\
                [fixture.gelled]\nprofile = \"spot\"\naddress = 41\nclock = \"5:00\"\ndistance = \"2 m\"\nmodifiers = [\"orange\", \"net\"]\n";
    let plan = plan(more);
    let gelled = lamp(&plan, "gelled");
    assert_eq!(gelled.loss.get(), 1.5);
    // 5600 K is 178.571 mired; 228.571 mired are 4375 K exactly.
    assert!((gelled.emitters[0].xy.x * 1e5 - 4375.0).abs() < 1e-9);
    assert!((gelled.emitters[0].xy.y - 0.301).abs() < 1e-12);
    assert!((gelled.profile.emitters[0].xy.x * 1e5 - 5600.0).abs() < 1e-9);
}

#[test]
fn like_takes_everything_over_and_is_overridden_field_by_field() {
    let plan = plan(
        "[look.day]\nprotect = true\nfade = \"3 s\"\nkelvin = 5000\nduv = 0.002\nkey = { stops = 0 }\nfill = { to-key = -1, kelvin = 4000 }\n\
         [look.dusk]\nlike = \"day\"\nkelvin = 4300\nfill = { to-key = -2 }\nhair = { lux = 20 }\n",
    );
    let dusk = plan.look(plan.look_named("dusk").unwrap());
    assert!(dusk.protect);
    assert_eq!(dusk.fade, Some(Duration::from_secs(3)));
    assert_eq!(colour(&plan, "day", "key"), white(5000.0, 0.002));
    assert_eq!(colour(&plan, "dusk", "key"), white(4300.0, 0.0));
    assert_eq!(colour(&plan, "dusk", "fill"), white(4000.0, 0.0));
    assert_eq!(level(&plan, "dusk", "fill"), Some(Level::ToKey(Stops::clamped(-2.0))));
    assert_eq!(level(&plan, "dusk", "key"), Some(Level::Stops(Stops::clamped(0.0))));
}

#[test]
fn a_group_sets_each_member_and_a_lamps_own_entry_goes_over_it() {
    let plan = plan("[look.day]\nsides = { lux = 50, kelvin = 4000 }\nfill = { lux = 80 }\n");
    assert_eq!(level(&plan, "day", "hair"), Some(Level::Lux(Lux::clamped(50.0))));
    assert_eq!(level(&plan, "day", "fill"), Some(Level::Lux(Lux::clamped(80.0))));
    assert_eq!(colour(&plan, "day", "fill"), white(4000.0, 0.0));
    assert_eq!(level(&plan, "day", "key"), None);
}

#[test]
fn a_colour_that_nothing_states_is_the_white_balance() {
    let text = plan_with("[look.day]\nkey = { stops = 0 }\nfill = { to-key = -1, duv = 0.003 }\n")
        .replace("shutter", "white-balance = 4800\nshutter");
    let plan = read_plan(&text).unwrap();
    assert_eq!(colour(&plan, "day", "key"), white(4800.0, 0.0));
    assert_eq!(colour(&plan, "day", "fill"), white(4800.0, 0.003));
}

#[test]
fn the_key_is_the_fixture_called_key_or_the_one_that_the_look_names() {
    let plan = plan(
        "[look.day]\nkey = { stops = 0 }\n[look.edge]\nkey-is = \"back\"\nback = { lux = 9 }\nfill = { to-key = -1 }\n",
    );
    let key = |look: &str| plan.look(plan.look_named(look).unwrap()).key.map(|k| plan.fixture(k).id.clone());
    assert_eq!((key("day").as_deref(), key("edge").as_deref()), (Some("key"), Some("back")));
}

#[test]
fn a_colour_of_the_whole_look_is_no_demand_on_a_lamp_without_colour() {
    plan("[look.day]\nkelvin = 4000\nback = { stops = 0 }\n");
    plan("[look.day]\nhue = \"240 deg\"\nsaturation = \"20 %\"\nback = { stops = 0 }\n");
    assert_eq!(kinds("[look.day]\nback = { stops = 0, kelvin = 4000 }\n"), ["undriveable"]);
    assert_eq!(kinds("[look.day]\nback = { stops = 0, xy = [0.4, 0.4] }\n"), ["undriveable"]);
    // A hue asked of a group is asked of both of its members.
    let hue = "[look.day]
sides = { stops = 0, hue = \"9 deg\", saturation = \"9 %\" }
";
    assert_eq!(kinds(hue), ["undriveable", "undriveable"]);
}

#[test]
fn the_order_takes_names_and_tables_and_the_fade_that_is_nearest() {
    let plan = plan_with(
        "[look.day]\nfade = \"3 s\"\nkey = { stops = 0 }\n[look.rest]\nkey = { of-full = \"12 %\" }\n",
    );
    let head = "fade = \"1 s\"\non-stop = { fade = \"5 s\" }\non-start = \"day\"\nrest-for = \"5 min\"\n\
                order = [\"day\", \"rest\", { look = \"day\", fade = \"500 ms\", on-for = \"2 min\" }]\n";
    let plan = read_plan(&format!("{head}{plan}")).unwrap();
    let fades: Vec<_> = plan.order.iter().map(|s| s.fade.as_millis()).collect();
    assert_eq!(fades, [3000, 1000, 500]);
    assert_eq!(plan.order[2].on_for, Duration::from_secs(120));
    assert_eq!(plan.on_stop, OnStop::Fade(Duration::from_secs(5)));
    assert_eq!(plan.on_start, OnStart::Look(plan.look_named("day").unwrap()));
    assert_eq!(plan.rest, plan.look_named("rest"));
    assert_eq!(plan.rest_for, Duration::from_secs(300));
}

#[test]
fn one_slip_in_a_target_is_one_error() {
    assert_eq!(kinds("[look.day]\nkey = { stop = 0 }\nfill = { to-key = -1 }\n"), ["unknown-key"]);
    assert_eq!(kinds("[look.day]\nkey = { stops = \"0\" }\nfill = { to-key = -1 }\n"), ["unit"]);
    assert_eq!(
        kinds("[look.dusk]\nlike = \"day\"\nkey = { kelvin = 4000 }\n[look.day]\nkey = { stops = inf }\n"),
        ["not-finite"]
    );
}

#[test]
fn a_plan_has_another_hash_as_soon_as_one_byte_differs() {
    let one = plan("");
    let other = plan("# a remark\n");
    assert_eq!(one.hash.len(), 16);
    assert_ne!(one.hash, other.hash);
    assert_eq!(one.hash, plan("").hash);
}

fn any_white() -> impl Strategy<Value = ColourTarget> {
    (1000.0..=20_000.0, prop_oneof![Just(0.0), -0.05..=0.05]).prop_map(|(k, d)| white(k, d))
}

fn share() -> impl Strategy<Value = Share> {
    prop_oneof![0.0..=1.0, (0_u32..=100).prop_map(|n| f64::from(n) / 100.0)].prop_map(Share::clamped)
}

fn any_colour() -> impl Strategy<Value = ColourTarget> {
    let hue = (0.0..=360.0, share(), 1000.0..=20_000.0).prop_map(|(hue_deg, saturation, k)| {
        ColourTarget::HueSaturation { hue_deg, saturation, white: Kelvin::clamped(k) }
    });
    let xy = (0.0..0.5, 0.001..0.5).prop_map(|(x, y)| ColourTarget::Xy(Xy { x, y }));
    prop_oneof![2 => Just(white(5600.0, 0.0)), 2 => any_white(), 1 => xy, 1 => hue]
}

fn any_motion() -> impl Strategy<Value = Option<Motion>> {
    let span = |low: u64, high: u64| (low..high).prop_map(Duration::from_nanos);
    let depth = || (0.0..=6.0).prop_map(Stops::clamped);
    let circle = (span(10_000_000_000, 3_600_000_000_000), share(), 0.0..=360.0)
        .prop_map(|(period, depth, start_deg)| Motion::HueCircle { period, depth, start_deg });
    let breath = (span(200_000_000, 3_600_000_000_000), depth(), share())
        .prop_map(|(period, depth, phase)| Motion::Breath { period, depth, phase });
    let through = prop::collection::vec(any_colour(), 1..=6);
    let wander =
        (span(5_000_000_000, 3_600_000_000_000), through, share()).prop_map(|(period, through, phase)| {
            Motion::Wander { period, through: Colours::new(&through).expect("1 to 6"), phase }
        });
    let like = prop_oneof![Just(FlickerLike::Fire), Just(FlickerLike::Screen)];
    let spans = (span(100_000_000, 5_000_000_000), span(20_000_000_000, 300_000_000_000));
    let flicker = (like, any::<u32>(), spans, depth(), 0.0..=200.0, share()).prop_map(
        |(like, seed, (every, period), depth, drift_mired, phase)| {
            Motion::Flicker(Flicker { like, seed, every, period, depth, drift_mired, phase })
        },
    );
    prop::option::weighted(0.6, prop_oneof![circle, breath, wander, flicker])
}

fn any_level() -> impl Strategy<Value = Level> {
    prop_oneof![
        (-40.0..=40.0).prop_map(|s| Level::Stops(Stops::clamped(s))),
        (-40.0..=40.0).prop_map(|s| Level::ToKey(Stops::clamped(s))),
        (0.0..=1e7).prop_map(|l| Level::Lux(Lux::clamped(l))),
        share().prop_map(Level::OfFull),
    ]
}

fn any_look() -> impl Strategy<Value = Look> {
    let targets = prop::collection::vec(prop::option::of((any_level(), any_colour(), any_motion())), 4);
    let text = prop::option::of(any::<String>());
    let fade = prop::option::of((0_u64..3_600_000_000_000).prop_map(Duration::from_nanos));
    let white = prop::option::of((1000.0..=20_000.0, -0.05..=0.05));
    let meter = prop::option::of((-40.0..=40.0, white));
    ("[a-z][a-z0-9]{0,8}x", text, any::<bool>(), prop::option::of(0..4_usize), fade, targets, meter).prop_map(
        |(name, about, protect, key, fade, targets, meter)| {
            let mut targets: Vec<_> = targets
                .into_iter()
                .enumerate()
                .filter_map(|(i, t)| {
                    let (level, colour, motion) = t?;
                    Some(Target { fixture: lampkeep::plan::FixtureId(i), level, colour, motion })
                })
                .collect();
            // Fixture 0 is called `key`: where the look lights it, it is the key unless another is named.
            let lit = |i: usize| targets.iter().any(|t| t.fixture.0 == i);
            let key = key.filter(|k| lit(*k)).or_else(|| lit(0).then_some(0)).map(lampkeep::plan::FixtureId);
            for target in &mut targets {
                if matches!(target.level, Level::ToKey(_)) && (key.is_none() || key == Some(target.fixture)) {
                    target.level = Level::Lux(Lux::clamped(12.5));
                }
            }
            let meter = meter.map(|(stops, white)| MeterTarget {
                point: "face-camera@subject".into(),
                at: MeterAt { point: MeterPoint::FaceCamera, subject: SubjectId(0) },
                stops: Stops::clamped(stops),
                kelvin: white.map(|w| Kelvin::clamped(w.0)),
                duv: white.map(|w| Duv::clamped(w.1)),
            });
            let (meter, kept) = (meter.into_iter().collect(), true);
            Look { name, about, protect, key, fade, targets, meter, balanced: None, kept }
        },
    )
}

proptest! {
    #[test]
    fn a_look_that_was_written_out_reads_back_the_same(look in any_look()) {
        let bare = plan("");
        let text = look_text(&look, &bare);
        let back = read_with(&plan_with(""), vec![Text::new("kept.toml", text.clone())]);
        let back = back.unwrap_or_else(|report| panic!("{text}\n{}", render(&report, Form::Plain)));
        prop_assert_eq!(&back.looks, &vec![look], "{}", text);
    }

    #[test]
    fn no_text_at_all_makes_reading_panic(text in "(\\PC|\n|\\[|\\]|=|\"|\\.|[a-z]|[0-9]| ){0,300}") {
        let _ = read_plan(&text).map_err(|report| (render(&report, Form::Plain), report.to_json()));
    }

    /// One character of a right plan changed: still read or reported, never a panic.
    #[test]
    fn a_slip_of_one_character_never_panics(at in 0_usize..1500, to in any::<char>()) {
        let mut text: Vec<char> = plan_with("[look.day]\nkey = { stops = 0 }\nsides = { to-key = -1 }\n").chars().collect();
        let at = at % text.len();
        text[at] = to;
        let text: String = text.into_iter().collect();
        let _ = read_plan(&text).map_err(|report| (render(&report, Form::Terminal(80)), report.to_json()));
    }
}

/// Source: interface.md part 4 (off until the plan turns them on; `fresh` 5 s), IANA (ports 1883 and 8883).
#[test]
fn a_broker_takes_no_requests_unless_the_plan_says_so_and_secrets_are_named_only() {
    let plain = plan("[mqtt]\nhost = \"127.0.0.1\"").mqtt.expect("a broker");
    assert_eq!((plain.port, plain.requests, plain.tls, plain.password), (1883, None, None, None));
    let full = plan(
        r#"
[mqtt]
host = "quay.example"
user = "lampkeep"
password-credential = "mqtt-password"
requests = true
fresh-by = "expiry"
[mqtt.tls]
ca-file = "/etc/lampkeep/ca.pem"
certificate-file = "/etc/lampkeep/client.pem"
key-file = "/etc/lampkeep/client.key"
"#,
    );
    assert!(!full.notes.iter().any(|n| n.contains("network")), "{:?}", full.notes);
    let full = full.mqtt.expect("a broker");
    assert_eq!(full.port, 8883);
    assert_eq!(full.password, Some(Secret::Credential("mqtt-password".into())));
    assert_eq!(full.requests, Some(Requests { fresh: Duration::from_secs(5), by: FreshBy::Expiry }));
    let key = Secret::File("/etc/lampkeep/client.key".into());
    let client = Some(ClientCertificate { certificate: "/etc/lampkeep/client.pem".into(), key });
    assert_eq!(full.tls, Some(Tls { ca: "/etc/lampkeep/ca.pem".into(), client }));
}

#[test]
fn a_password_or_a_request_in_the_open_is_told_of_but_on_this_machine() {
    let told = |host: &str, more: &str| {
        let plan = plan(&format!("[mqtt]\nhost = \"{host}\"\n{more}"));
        plan.notes.into_iter().find(|note| note.contains("crosses the network unprotected"))
    };
    let secret = "user = \"a\"\npassword-file = \"/etc/lampkeep/secret\"";
    assert!(told("quay.example", secret).expect("told").starts_with("the password"));
    assert!(told("quay.example", "requests = true").expect("told").starts_with("every request"));
    assert_eq!(told("quay.example", ""), None);
    for here in ["127.0.0.1", "localhost", "::1"] {
        assert_eq!(told(here, secret), None);
    }
}

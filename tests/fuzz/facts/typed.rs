//! What holds of the readers of what people type, and of small texts that the machine gives. The first byte chooses
//! the reader, the rest is the text.

use std::sync::LazyLock;
use std::time::Duration;

use lampkeep::calibrate::{Session, Word};
use lampkeep::chair::buttons::Buttons;
use lampkeep::cli::nudge;
use lampkeep::control::Request;
use lampkeep::doctor::kernel_log;
use lampkeep::engine::take_typed;
use lampkeep::journal::TakeName;
use lampkeep::light::typed::{self, Bare};
use lampkeep::plan::{Plan, load};
use lampkeep::rehearse::Fault;

use crate::said;

static PLAN: LazyLock<Plan> = LazyLock::new(load::demo);
/// Longest word on a slip.
const LONGEST: usize = 400;

/// Reads `input` and looks whether everything holds that must. Panics where something does not.
pub fn hold(input: &[u8]) {
    let [reader, rest @ ..] = input else { return };
    let text = String::from_utf8_lossy(rest);
    let text = text.as_ref();
    match reader.wrapping_sub(b'0') % 10 {
        0 => reading(text, Bare::Lux),
        1 => reading(text, Bare::Kelvin),
        2 => reading(text, Bare::Nothing),
        3 => calibration(text, true),
        4 => calibration(text, false),
        5 => session(text),
        6 => changes(text),
        7 => names(text),
        8 => kernel(text),
        _ => buttons(text),
    }
}

fn reading(text: &str, bare: Bare) {
    match typed::parse(text, &PLAN.exposure, bare) {
        Ok(found) => {
            assert!(found.lux.is_none_or(|lux| (0.0..=1e7).contains(&lux)), "{found:?}");
            assert!(found.kelvin.is_none_or(|k| (1000.0..=20_000.0).contains(&k)), "{found:?}");
            assert!(found.duv.is_none_or(|d| (-0.05..=0.05).contains(&d)), "{found:?}");
            assert!(found.xy.is_none_or(|xy| xy.x >= 0.0 && xy.y > 0.0 && xy.x + xy.y <= 1.0), "{found:?}");
        }
        Err(error) => said::is_fit(&error.to_string(), LONGEST, false),
    }
}

fn calibration(text: &str, colour: bool) {
    for line in text.lines() {
        match Word::of(line, colour, &PLAN.exposure) {
            Ok(Word::Reading(found)) => {
                assert!(if colour {
                    found.kelvin.is_some() || found.xy.is_some()
                } else {
                    found.lux.is_some()
                });
            }
            Ok(_) => {}
            Err(error) => said::is_fit(&error, LONGEST, false),
        }
    }
}

/// The kept readings of a calibration.
fn session(text: &str) {
    let fixture = &PLAN.fixtures[0];
    match Session::read(text, fixture) {
        Ok(session) => {
            let again = session.text().expect("what was read can be written");
            assert_eq!(Session::read(&again, fixture).expect("its own text is one"), session);
        }
        Err(error) => said::is_fit(&error.to_string(), LONGEST, true),
    }
}

fn changes(text: &str) {
    let words: Vec<String> = text.split_whitespace().map(str::to_owned).collect();
    match nudge::parse("key".to_owned(), &words) {
        Ok(Request::Nudge { stops, kelvin, mired, duv, .. }) => {
            assert!([stops, kelvin, mired, duv].into_iter().flatten().all(f64::is_finite));
        }
        Ok(other) => panic!("{other:?} is no nudge"),
        Err(error) => said::is_fit(&error, LONGEST, false),
    }
    if let Some((name, value)) = text.split_once('=') {
        match take_typed::field(name).map(|field| field.checked(value)) {
            Some(Ok(kept)) => said::is_fit(&kept, 10_000, false),
            Some(Err(error)) => said::is_fit(&error.to_string(), LONGEST, false),
            None => {}
        }
    }
}

fn names(text: &str) {
    match text.parse::<TakeName>() {
        Ok(name) => assert_eq!(name.to_string().parse::<TakeName>().as_ref(), Ok(&name)),
        Err(error) => said::is_fit(&error.to_string(), LONGEST, false),
    }
    let number = |text: &str| text.trim_end_matches('s').parse::<f64>().map_err(|e| e.to_string());
    match Fault::read(text, number, number) {
        Ok(fault) => drop(fault.to_string()),
        Err(error) => said::is_fit(&error, LONGEST, false),
    }
}

/// Records of the kernel's log.
fn kernel(text: &str) {
    let told = kernel_log::told(text.split('\n'), Duration::from_secs(7200));
    assert!(told.len() <= 5 && told.iter().all(|t| t.times > 0));
}

/// The file of what was taught at the chair.
fn buttons(text: &str) {
    match Buttons::read(text) {
        Ok(buttons) => assert_eq!(Buttons::read(&buttons.text()).as_ref(), Ok(&buttons)),
        Err(error) => said::is_fit(&error, LONGEST, false),
    }
}

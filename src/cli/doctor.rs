//! `doctor`: what stops the output from working, and the cure.

use std::path::Path;
use std::time::Duration;

use super::exit::Exit;
use super::run::{print, print_json, read_plan};
use crate::channels::{self, Patch};
use crate::clock::{Clock, SystemClock};
use crate::control::client::{self, ClientError};
use crate::control::{LinkState, Request, Status};
use crate::doctor::{self, Finding, Weight};
use crate::plan::{Output, Plan};
use crate::wire::{WireErrorKind, ports_seen};

/// How long a daemon may take to answer: one that is stuck is a finding.
const ANSWER_WITHIN: Duration = Duration::from_secs(3);
/// How long a daemon that has just started is given to open its outputs: each does within a second, or is found absent.
const BEGUN_WITHIN: Duration = Duration::from_secs(3);
/// Between two looks whether it has.
const ASK_AGAIN: Duration = Duration::from_millis(50);
/// The kind of finding that another program has a port.
const HELD: &str = WireErrorKind::Held.word();

/// Looks at everything that can stop an output. Ends with 1 where something does.
#[must_use]
pub fn run(set: Option<&str>, plan: Option<&Path>, json: bool) -> Exit {
    let plan = match plan.map(|plan| read_plan(plan, json)).transpose() {
        Ok(plan) => plan,
        Err(exit) => return exit,
    };
    let set = set.or(plan.as_ref().map(|p| p.name.as_str()));
    let clock = SystemClock::start();
    let (status, mut found) = daemon(set, clock);
    let again = || daemon(set, clock).0;
    found.extend(outputs(plan.as_ref(), status.as_ref(), clock, again));
    if let Some(status) = &status {
        // What a port says itself is not told again.
        let told = |f: &Finding| found.iter().any(|g| g.output == f.output && g.said == f.said);
        let more: Vec<Finding> = doctor::running(status).into_iter().filter(|f| !told(f)).collect();
        found.extend(more);
    } else {
        found.extend(doctor::permissions());
    }
    found.extend(doctor::machine());
    found.extend(doctor::wall_clock(clock));
    found.sort_by_key(|f| f.weight);
    let stops = found.iter().filter(|f| f.weight == Weight::Stops).count();
    if json {
        print_json(&serde_json::json!({ "ok": stops == 0, "findings": found }));
    } else {
        print(&text(&found, plan.as_ref(), status.as_ref()));
    }
    if stops == 0 { Exit::Done } else { Exit::NotMet }
}

/// The daemon's status once its outputs have begun, or what is wrong with asking for it.
fn daemon(set: Option<&str>, clock: SystemClock) -> (Option<Status>, Vec<Finding>) {
    let until = clock.now() + BEGUN_WITHIN;
    loop {
        let asked = client::find(set)
            .and_then(|path| client::ask(&path, &Request::Status { follow: false }, ANSWER_WITHIN));
        let status: Option<Status> = match asked {
            Ok(answer) => answer.data.and_then(|data| serde_json::from_value(data).ok()),
            Err(error) => return (None, vec![no_daemon(&error)]),
        };
        // Before the first word of its outputs it has none to tell of.
        let begins =
            |s: &Status| s.outputs.is_empty() || s.outputs.iter().any(|o| o.state == LinkState::Starting);
        if !status.as_ref().is_some_and(begins) || clock.now() >= until {
            return (status, Vec::new());
        }
        clock.sleep_until(clock.now() + ASK_AGAIN);
    }
}

fn no_daemon(error: &ClientError) -> Finding {
    let text = error.to_string();
    // The cure has a line of its own here.
    let said = text.split_once(": start it").map_or(text.as_str(), |(said, _)| said);
    Finding::new("no-daemon", Weight::Note, said, "`lampkeep run PLAN` starts it")
}

/// The outputs of the plan that no daemon of ours sends to now. `again`: the daemon's status anew.
fn outputs(
    plan: Option<&Plan>,
    status: Option<&Status>,
    clock: SystemClock,
    again: impl Fn() -> Option<Status>,
) -> Vec<Finding> {
    let Some(plan) = plan else {
        if status.is_some() {
            return Vec::new();
        }
        let ports = ports_seen();
        let seen = if ports.is_empty() { "none".to_owned() } else { ports.join(", ") };
        let said = format!("serial ports of this machine: {seen}");
        return vec![Finding::new(
            "no-plan",
            Weight::Note,
            said,
            "`lampkeep doctor PLAN` looks at a plan's outputs",
        )];
    };
    let patches = channels::patches(plan);
    let looked = plan.outputs.iter().zip(&patches).filter(|(output, _)| !has(status, plan, output));
    let both = |(output, patch): (&Output, &Patch)| {
        let mut found = doctor::port(output, patch.used, clock);
        // The daemon tries again all the time: it may have taken the port meanwhile, and be the one who holds it.
        if found.iter().any(|f| f.kind == HELD) && has(again().as_ref(), plan, output) {
            found.retain(|f| f.kind != HELD);
        }
        found.into_iter().chain(doctor::network(output))
    };
    looked.flat_map(both).collect()
}

/// True if the plan's own daemon has this output, or is just opening it.
fn has(status: Option<&Status>, plan: &Plan, output: &Output) -> bool {
    let of_set = status.filter(|s| s.set == plan.name && !s.simulated);
    of_set.is_some_and(|s| s.outputs.iter().any(|o| o.name == output.name && o.state != LinkState::Down))
}

fn text(found: &[Finding], plan: Option<&Plan>, status: Option<&Status>) -> String {
    let stops = found.iter().filter(|f| f.weight == Weight::Stops).count();
    let weakens = found.iter().filter(|f| f.weight == Weight::Weakens).count();
    let who = match (plan, status) {
        (_, Some(status)) if status.simulated => format!("{} runs, simulated", status.set),
        (_, Some(status)) => format!("{} runs", status.set),
        (Some(plan), None) => format!("{}, not running", plan.name),
        (None, None) => "no daemon, no plan".to_owned(),
    };
    let head = match (stops, weakens) {
        (0, 0) => format!("{who} · nothing stands in the way"),
        (0, n) => format!("{who} · works · {n} to mend"),
        (n, _) => format!("{who} · {n} in the way"),
    };
    let mut lines = vec![head];
    for finding in found {
        let mark = match finding.weight {
            Weight::Stops => "STOPS",
            Weight::Weakens => "mend",
            Weight::Note => "note",
        };
        let place = finding.output.as_ref().map_or(String::new(), |o| format!("output {o}: "));
        lines.push(format!("{mark:<6} {place}{} [{}]", finding.said, finding.kind));
        if !finding.cure.is_empty() {
            lines.push(format!("       {}", finding.cure));
        }
    }
    lines.join("\n")
}

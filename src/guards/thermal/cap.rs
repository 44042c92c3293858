//! The greatest power that may be sent now, in closed form, and the time that is left.
//!
//! # What is asked of it
//!
//! Whatever is asked later, the estimate stays at or under the limit; and as long as nothing changes but
//! time, light need never come down faster than 0.05 stop a second.
//!
//! # Derivation
//!
//! Everything is put in watts of the emitters. Standby s does not fall when light does, so it counts as a
//! warmer room. With y = (T - Ta)/R - s, the emitters' power that would hold the body where it is, and e
//! the emitters' power, the model reads y' = (e - y)/tau. The limit L is y <= E, where
//! E = (L - Ta)/R - s is the power that can be borne for ever ([`sustainable_w`]).
//!
//! Light is proportional to e (the mix stands), so coming down at 0.05 stop/s is e(t) = e e^(-kt) with
//! k = 0.05 ln 2 /s, and it is over at e = E, from where y cannot pass E any more. Write r = e/E > 1 and
//! n = 1/(k tau). Solving y' = (e e^(-kt) - y)/tau up to the time ln(r)/k, the condition y <= E at its end is
//!
//! ```text
//! y <= E g(r),   g(r) = (n r - r^n)/(n - 1),   g(r) = r (1 - ln r) where n = 1.
//! ```
//!
//! g(1) = 1 and g' = n (1 - r^(n-1))/(n - 1) < 0 for r > 1: g falls, at most 1, and is concave. (y' > 0
//! all along such a ramp that only just lands, so its end is its peak.) For r <= 1 the condition is y <= E.
//!
//! Call (y, e) *safe* if it satisfies this. The cap is the greatest e for which the body is safe after
//! `ahead_s` more seconds at e:
//!
//! ```text
//! e (1 - a) + y a <= E g(max(1, e/E)),   a = e^(-ahead/tau).
//! ```
//!
//! 1. *Never over.* Safe means y <= E. Within a step of constant power y moves one way only, so its ends
//!    suffice, and each step ends safe if `ahead_s` is at least as long as it. From any state with y <= E
//!    the cap is at least 0, and 0 leads down, so there is always a next step. This holds for any sequence
//!    of requests, since a request only chooses something at or under the cap, and less power is cooler.
//! 2. *Never faster than 0.05 stop/s.* Let e be sent for a frame of d seconds under the cap. Then
//!    e e^(-kd) is under the next frame's cap: compare with the path "e for `ahead_s`, then the ramp from
//!    e". The path "e for d, then e e^(-kd) for `ahead_s`" is nowhere above it in power, so it is not
//!    hotter at its end, where the other one is a point of a safe ramp with the same e e^(-kd).
//! 3. *No sooner.* The condition is equality for the ramp that lands on the limit; any greater e would
//!    need a faster one. It begins `ahead_s` before the last moment, no more.
//!
//! A warmer room, or a start at the limit, makes E smaller or y greater at once: the state may then not be
//! safe for a slow ramp, and the cap falls as far as it must. (A change of the room does not move T at once,
//! so y <= E still holds.) A start over the limit breaks y <= E: the cap is then what brings it back by the
//! end of the step, mostly 0. Where E <= 0 standby alone leads to the limit, no power can be borne, and the
//! cap is 0.

use super::{FALL_PER_S, Model};

/// Most rounds of the search for the cap: each about squares the error, five or six do.
const ROUNDS: usize = 60;

/// Power of the emitters in watts that can be borne for ever; 0 or less where standby alone leads to the
/// limit. `standby_w`: power with every emitter dark.
#[must_use]
pub fn sustainable_w(model: &Model, ambient_c: f64, standby_w: f64) -> f64 {
    (model.limit_c - ambient_c) / model.k_per_w - standby_w
}

/// g(r) of the module's derivation, for r of 1 or more.
fn landing(n: f64, r: f64) -> f64 {
    let log = r.ln();
    // (n r - r^n)/(n - 1) = r (1 - (r^(n-1) - 1)/(n - 1)), which keeps its figures near n = 1.
    let m = n - 1.0;
    let part = if (m * log).abs() < 1e-12 { log } else { (m * log).exp_m1() / m };
    r * (1.0 - part)
}

/// The body in watts of the emitters: where it stands, what it bears, and its figures.
#[derive(Debug, Clone, Copy)]
struct Watted {
    /// y: power that would hold it where it is.
    now: f64,
    /// E: power that it can bear for ever, above 0.
    bears: f64,
    /// n = 1/(k tau).
    n: f64,
}

impl Watted {
    /// `None` where nothing can be borne.
    fn of(model: &Model, ambient_c: f64, standby_w: f64, celsius: f64) -> Option<Self> {
        let bears = sustainable_w(model, ambient_c, standby_w);
        let now = (celsius - ambient_c) / model.k_per_w - standby_w;
        (bears > 0.0).then_some(Self { now, bears, n: 1.0 / (FALL_PER_S * model.time_constant_s) })
    }

    /// The hottest that a body may be, in watts, when light is at `emitters_w`.
    fn hottest(&self, emitters_w: f64) -> f64 {
        if emitters_w <= self.bears {
            return self.bears;
        }
        self.bears * landing(self.n, emitters_w / self.bears)
    }

    /// By how much a body that runs at `emitters_w` until a share `kept` of its difference is left is too
    /// hot then; at most 0 is safe.
    fn excess(&self, emitters_w: f64, kept: f64) -> f64 {
        emitters_w * (1.0 - kept) + self.now * kept - self.hottest(emitters_w)
    }
}

/// The greatest power of the emitters, in watts and at most `asked_w`, that may be sent for the next
/// `ahead_s` seconds (above 0): at least the time until the guard is asked again.
///
/// `celsius`: the estimate now. The result is on the safe side of the true one by at most 1e-9 of it.
#[must_use]
pub fn cap_w(model: &Model, ambient_c: f64, standby_w: f64, celsius: f64, asked_w: f64, ahead_s: f64) -> f64 {
    let asked_w = asked_w.max(0.0);
    let Some(body) = Watted::of(model, ambient_c, standby_w, celsius) else { return 0.0 };
    let kept = model.kept(ahead_s);
    let heats = -(-ahead_s / model.time_constant_s).exp_m1();
    if body.now >= body.bears {
        // At the limit or over it: what brings it there by the end of the step, if anything does. The
        // difference is written out so that a body at its limit gets exactly what it bears.
        let w = body.bears - (body.now - body.bears) * kept / heats;
        return asked_w.min(w.max(0.0));
    }
    if asked_w <= body.bears || body.excess(asked_w, kept) <= 0.0 {
        return asked_w;
    }
    // `excess` is convex and rises, is negative at `bears` and positive at `asked_w`. A chord's root is
    // below the true one, a tangent's from above stays above: both sides close in.
    let (mut safe, mut over) = (body.bears, asked_w);
    for _ in 0..ROUNDS {
        if over - safe <= 1e-10 * safe {
            break;
        }
        let (low, high) = (body.excess(safe, kept), body.excess(over, kept));
        let chord = safe - low * (over - safe) / (high - low);
        let slope = heats - landing_slope(body.n, over / body.bears);
        let tangent = over - high / slope;
        if chord > safe && body.excess(chord, kept) <= 0.0 {
            safe = chord;
        }
        if tangent < over && tangent > safe {
            over = tangent;
        }
        let middle = (safe + over) / 2.0;
        if body.excess(middle, kept) <= 0.0 { safe = middle } else { over = middle }
    }
    safe
}

/// g'(r) = n (1 - r^(n-1))/(n - 1), 0 or less for r of 1 or more.
fn landing_slope(n: f64, r: f64) -> f64 {
    let (m, log) = (n - 1.0, r.ln());
    if (m * log).abs() < 1e-12 { -n * log } else { -n * (m * log).exp_m1() / m }
}

/// Seconds at the constant power `emitters_w` until the guard has to begin to bring it down: 0 when it
/// has to now, `None` when it never has to. Closed form of the same condition.
#[must_use]
pub fn time_to_hold_s(
    model: &Model,
    ambient_c: f64,
    standby_w: f64,
    celsius: f64,
    emitters_w: f64,
) -> Option<f64> {
    if emitters_w <= 0.0 {
        return None;
    }
    let Some(body) = Watted::of(model, ambient_c, standby_w, celsius) else { return Some(0.0) };
    let begins = body.hottest(emitters_w);
    if body.now > body.bears || (body.now >= begins && emitters_w > body.bears) {
        return Some(0.0);
    }
    (emitters_w > body.bears)
        .then(|| model.time_constant_s * ((emitters_w - body.now) / (emitters_w - begins)).ln())
}

/// Seconds in the dark after which `emitters_w` can be borne for `for_s` seconds without being held: 0
/// when it can now, `None` when no rest is long enough.
#[must_use]
pub fn rest_needed_s(
    model: &Model,
    ambient_c: f64,
    standby_w: f64,
    celsius: f64,
    (emitters_w, for_s): (f64, f64),
) -> Option<f64> {
    if emitters_w <= 0.0 {
        return Some(0.0);
    }
    let body = Watted::of(model, ambient_c, standby_w, celsius)?;
    let hottest = body.hottest(emitters_w);
    // Where it may stand at most to begin with: for_s seconds back along the heating curve, and never
    // over its limit.
    let begins = (emitters_w - (emitters_w - hottest) / model.kept(for_s)).min(body.bears);
    if body.now <= begins {
        return Some(0.0);
    }
    // In the dark y falls towards 0 as e^(-t/tau).
    (begins > 0.0).then(|| model.time_constant_s * (body.now / begins).ln())
}

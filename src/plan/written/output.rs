//! What carries frames, and circuits.

use schemars::JsonSchema;
use serde_json::{Value, json};

use super::amounts::{Amps, Hertz, Microseconds, Power, Share, Volts};
use super::shape::{at_most_one, exactly_one, none_of, when};
use crate::plan::read::e131::KEYS as NETWORK;

/// What an output is.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case")]
pub(super) enum Kind {
    /// A plain serial interface, timed by lampkeep.
    Raw,
    /// An interface with a processor of its own.
    Framed,
    /// The network (ANSI E1.31).
    E131,
    /// Nothing but arithmetic.
    Simulator,
}

/// How carefully a plain interface's packets are timed.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case")]
pub(super) enum Timing {
    Usual,
    /// For lamps that lose packets: all 512 slots in every one, with pauses.
    Slow,
}

/// How the last half millisecond before a frame is spent.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case")]
pub(super) enum Wake {
    Sleep,
    /// Spun away, where real-time priority is permitted.
    Spin,
}

/// Groups that universes are sent to.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case")]
pub(super) enum Multicast {
    Ipv4,
    Ipv6,
    Both,
    Off,
}

/// What is sent of a universe that does not change.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case")]
pub(super) enum Idle {
    /// Every frame.
    Constant,
    /// Three more frames, then one every 0.8 s or so.
    KeepAlive,
}

/// A universe, or a span of them as text.
#[derive(JsonSchema)]
#[schemars(untagged)]
pub(super) enum UniverseOrSpan {
    One(#[schemars(range(min = 1, max = 63_999))] u32),
    /// First and last, such as `"5-8"`.
    Span(#[schemars(regex(pattern = r"^\s*\+?\d{1,5}\s*-\s*\+?\d{1,5}\s*$"))] String),
}

/// Universes: a list, or one span.
#[derive(JsonSchema)]
#[schemars(untagged)]
pub(super) enum Universes {
    Span(#[schemars(regex(pattern = r"^\s*\+?\d{1,5}\s*-\s*\+?\d{1,5}\s*$"))] String),
    List(#[schemars(length(min = 1, max = 512))] Vec<UniverseOrSpan>),
}

/// Receivers: one address, or a list of them.
#[derive(JsonSchema)]
#[schemars(untagged)]
pub(super) enum Unicast {
    One(String),
    List(#[schemars(length(min = 1, max = 64))] Vec<String>),
}

/// What an interface says of itself over USB, as `lsusb` shows it.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields, extend("minProperties" = 1))]
pub(super) struct Usb {
    /// Four hexadecimal digits.
    #[schemars(regex(pattern = "^(0x)?[0-9A-Fa-f]{1,4}$"), extend("examples" = ["0403"]))]
    vendor: Option<String>,
    /// Four hexadecimal digits.
    #[schemars(regex(pattern = "^(0x)?[0-9A-Fa-f]{1,4}$"), extend("examples" = ["6001"]))]
    product: Option<String>,
    /// Its serial number.
    #[schemars(regex(pattern = r"\S"))]
    serial: Option<String>,
}

fn output_rules() -> Value {
    let line = ["break", "mark", "timing"];
    let serial: Vec<&str> = ["port", "usb"].into_iter().chain(line).collect();
    let framed: Vec<&str> = line.into_iter().chain(NETWORK).collect();
    let simulator: Vec<&str> = serial.iter().copied().chain(NETWORK).collect();
    let port = exactly_one(&["port", "usb"]);
    json!([
        when("kind", "raw", json!({ "allOf": [port, none_of(&NETWORK)] })),
        when("kind", "framed", json!({ "allOf": [port, none_of(&framed)] })),
        when("kind", "e131", json!({ "allOf": [none_of(&serial), at_most_one(&["universe", "universes"])] })),
        when("kind", "simulator", none_of(&simulator)),
    ])
}

/// What carries frames to lamps: a serial interface, the network, or the simulator.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields, extend("allOf" = output_rules()))]
pub(super) struct Output {
    /// What it is.
    kind: Kind,
    /// The universe that it carries.
    #[schemars(range(min = 1, max = 63_999), extend("default" = 1))]
    universe: Option<u32>,
    /// Serial: the device file, best one under /dev/serial/by-id/; this or `usb`.
    port: Option<String>,
    /// Serial: what the interface says of itself, in place of `port`.
    usb: Option<Usb>,
    /// Raw: `slow` for lamps that lose packets.
    #[schemars(extend("default" = "usual"))]
    timing: Option<Timing>,
    /// Raw: the break, 92 to 1000 us; 176 us, slow 400 us, when left out.
    r#break: Option<Microseconds>,
    /// Raw: the mark after it, 12 to 1000 us; 16 us, slow 100 us, when left out.
    mark: Option<Microseconds>,
    /// Frames a second on the wire, whole hertz, 1 to 44 Hz; the plan's `frame-rate` when left out, slow 25 Hz at most.
    rate: Option<Hertz>,
    /// How the last half millisecond before a frame is spent.
    #[schemars(extend("default" = "sleep"))]
    wake: Option<Wake>,
    /// Network: universes in place of `universe`, 1 to 63 999, 512 at most.
    universes: Option<Universes>,
    /// Network: to the groups of the universes; `ipv4`, or `off` where there is `unicast`, when left out.
    multicast: Option<Multicast>,
    /// Network: addresses of receivers, with `:port` where it is not 5568; no names.
    unicast: Option<Unicast>,
    /// Network: the way out of the machine, its name such as `"eth0"` or an address that it has.
    #[schemars(length(min = 1))]
    interface: Option<String>,
    /// Network: of several sources of a universe receivers take the greatest.
    #[schemars(range(min = 0, max = 200), extend("default" = 100))]
    priority: Option<u32>,
    /// Network: what receivers show, 63 bytes at most.
    #[schemars(length(min = 1, max = 63))]
    source_name: Option<String>,
    /// Network: universe of synchronization packets, after which receivers show all at once.
    #[schemars(range(min = 1, max = 63_999))]
    sync_universe: Option<u32>,
    /// Network: receivers may look, and light nothing.
    #[schemars(extend("default" = false))]
    preview: Option<bool>,
    /// Network: what is sent of a universe that does not change.
    #[schemars(extend("default" = "constant"))]
    idle: Option<Idle>,
}

/// What is done with a request that would overload a circuit.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case")]
pub(super) enum Over {
    Refuse,
    /// All its light by the same stops.
    Lower,
}

/// A circuit of the mains. Sums of load help; local code decides.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct Circuit {
    /// Voltage, 12 to 480 V.
    #[schemars(extend("default" = "230 V"))]
    volts: Option<Volts>,
    /// Its breaker, 0.5 to 400 A; the smallest usual one when left out.
    breaker: Option<Amps>,
    /// Share of the breaker that a long load may take; follow your local code.
    #[schemars(extend("default" = "80 %"))]
    share: Option<Share>,
    /// Power of everything else on it, 0 to 100 kW.
    #[schemars(extend("default" = "0 W"))]
    other: Option<Power>,
    /// What is done with a request that would overload it; each frame is capped in any case.
    #[schemars(extend("default" = "refuse"))]
    over: Option<Over>,
}

//! The keys of a network output, `[output.ID]` with `kind = "e131"`.

use core::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::sync::Arc;

use crate::plan::e131::{
    E131, Idle, Interface, Multicast, NAME_MAX, PORT, PRIORITY_DEFAULT, PRIORITY_MAX, UNIVERSE_MAX,
};
use crate::plan::problem::{Kind, Place, Problem};
use crate::plan::tree::{Field, Table};
use crate::plan::{Output, OutputKind, Wake};
use crate::words::short;

/// Most universes of one output: twice what the sender was measured with (docs/wire.md).
const UNIVERSES_MOST: usize = 512;
/// Most receivers with a copy of their own: each costs as much as a universe.
const UNICAST_MOST: usize = 64;
/// Longest name of an interface in bytes. Source: Linux, `IFNAMSIZ` of 16 with its zero.
const INTERFACE_LONGEST: usize = 15;

/// Keys that only network outputs have.
pub(in crate::plan) const KEYS: [&str; 9] = [
    "universes",
    "unicast",
    "multicast",
    "interface",
    "priority",
    "source-name",
    "sync-universe",
    "preview",
    "idle",
];

/// The fields of them.
pub(super) struct Keys<'a> {
    fields: [(&'static str, Option<Field<'a>>); KEYS.len()],
}

impl<'a> Keys<'a> {
    /// Takes them from an output's table, whatever its kind.
    pub fn of(t: &Table<'a>) -> Self {
        Self { fields: KEYS.map(|key| (key, t.get(key))) }
    }

    /// Those that are there.
    pub fn present(&self) -> impl Iterator<Item = &Field<'a>> {
        self.fields.iter().filter_map(|(_, field)| field.as_ref())
    }

    fn get(&self, key: &str) -> Option<&Field<'a>> {
        self.fields.iter().find(|(name, _)| *name == key).and_then(|(_, field)| field.as_ref())
    }
}

/// Reads the outputs that a network output of the plan stands for, one a universe. `one`: its `universe`; `timing`:
/// rate and wake, where they could be read.
pub(super) fn read(
    name: &str,
    t: &Table<'_>,
    keys: &Keys<'_>,
    one: Option<&Field<'_>>,
    timing: Option<(u32, Wake)>,
) -> Option<Vec<Output>> {
    let universes = universes(name, t, keys, one);
    let multicast_field = keys.get("multicast");
    let unicast = keys.get("unicast").map_or(Some(Vec::new()), |f| unicast(f));
    let words = [
        ("ipv4", Multicast::Ipv4),
        ("ipv6", Multicast::Ipv6),
        ("both", Multicast::Both),
        ("off", Multicast::Off),
    ];
    let default = if keys.get("unicast").is_some() { Multicast::Off } else { Multicast::Ipv4 };
    let multicast = multicast_field.map_or(Some(default), |f| f.word(&words));
    if let (Some(Multicast::Off), None, Some(field)) = (multicast, keys.get("unicast"), multicast_field) {
        let said = format!("output `{name}` has `multicast = \"off\"` and no `unicast`: it sends to nobody");
        field.wrong(Kind::Conflict, said, "leave `multicast` out, or add `unicast = [\"192.0.2.10\"]`");
    }
    let interface = match keys.get("interface") {
        None => Some(None),
        Some(f) => interface(f, unicast.as_deref(), multicast).map(Some),
    };
    let priority = keys.get("priority").map_or(Some(u32::from(PRIORITY_DEFAULT)), |f| {
        f.count(0, PRIORITY_MAX.into(), PRIORITY_DEFAULT.into())
    });
    let source_name = match keys.get("source-name") {
        None => Some(None),
        Some(f) => source_name(f).map(Some),
    };
    let sync_universe = match keys.get("sync-universe") {
        None => Some(None),
        Some(f) => f.count(1, UNIVERSE_MAX.into(), 7).and_then(|u| u16::try_from(u).ok()).map(Some),
    };
    let preview = keys.get("preview").map_or(Some(false), Field::truth);
    let idle = keys.get("idle").map_or(Some(Idle::Constant), |f| {
        f.word(&[("constant", Idle::Constant), ("keep-alive", Idle::KeepAlive)])
    });
    let universes = universes?;
    let settings = Arc::new(E131 {
        output: name.to_owned(),
        universes: universes.clone(),
        unicast: unicast?,
        multicast: multicast?,
        interface: interface?,
        priority: u8::try_from(priority?).ok()?,
        source_name: source_name?,
        sync_universe: sync_universe?,
        preview: preview?,
        idle: idle?,
    });
    let (rate, wake) = timing?;
    let of = |universe: &u16| Output {
        // With `:`, which no name of the plan has.
        name: if universes.len() == 1 { name.to_owned() } else { format!("{name}:{universe}") },
        kind: OutputKind::E131(Arc::clone(&settings)),
        universe: *universe,
        rate,
        wake,
    };
    Some(universes.iter().map(of).collect())
}

/// Reports what two network outputs may not share: a universe, or synchronization packets.
pub(super) fn clashes(t: &Table<'_>, new: &E131, before: &[(Output, Place)]) {
    let others = || {
        before.iter().filter_map(|(o, place)| match &o.kind {
            OutputKind::E131(settings) => Some((o, settings, place)),
            _ => None,
        })
    };
    if let Some((other, settings, place)) = others().find(|(o, ..)| new.universes.contains(&o.universe)) {
        let said = format!(
            "outputs `{}` and `{}` both send universe {} to the network",
            settings.output, new.output, other.universe
        );
        t.report(
            Problem::at(Kind::Conflict, t.place(), said)
                .label("this one")
                .also(*place, "and this one")
                .help("receivers would see the two fight: give one of them another universe"),
        );
    }
    let synced = others().find(|(_, o, _)| o.sync_universe.is_some() && o.sync_universe == new.sync_universe);
    if let (Some((_, settings, place)), Some(universe)) = (synced, new.sync_universe) {
        let said = format!(
            "outputs `{}` and `{}` both send synchronization packets in universe {universe}",
            settings.output, new.output
        );
        t.report(
            Problem::at(Kind::Conflict, t.place(), said)
                .label("this one")
                .also(*place, "and this one")
                .help("put their universes into one output, or give each its own `sync-universe`"),
        );
    }
}

fn universes(name: &str, t: &Table<'_>, keys: &Keys<'_>, one: Option<&Field<'_>>) -> Option<Vec<u16>> {
    let many = keys.get("universes");
    if let (Some(one), Some(many)) = (one, many) {
        let said = format!("output `{name}` has both `universe` and `universes`");
        t.report(
            Problem::at(Kind::Conflict, many.key_place(), said)
                .label("here")
                .also(one.key_place(), "and here")
                .help("keep one of them"),
        );
        return None;
    }
    let Some(many) = many else {
        let number = one.map_or(Some(1), |f| f.count(1, UNIVERSE_MAX.into(), 1))?;
        return Some(vec![u16::try_from(number).ok()?]);
    };
    let items = if many.as_text().is_some() { vec![many.clone()] } else { many.list("[1, \"5-8\"]")? };
    let mut all: Vec<u16> = Vec::new();
    for item in &items {
        let (first, last) = span(item)?;
        for universe in first..=last {
            if all.contains(&universe) {
                let said = format!("`universes` of output `{name}` names universe {universe} twice");
                item.wrong(Kind::Twice, said, "name each once");
                return None;
            }
            if all.len() == UNIVERSES_MOST {
                let said = format!("output `{name}` has over {UNIVERSES_MOST} universes");
                item.wrong(Kind::OutOfRange, said, "spread them over several outputs");
                return None;
            }
            all.push(universe);
        }
    }
    if all.is_empty() {
        let said = format!("`universes` of output `{name}` names none");
        many.wrong(Kind::OutOfRange, said, "write it like `universes = [1, 2]` or `universes = \"1-4\"`");
        return None;
    }
    Some(all)
}

/// One universe, or first and last of a text such as `5-8`.
fn span(item: &Field<'_>) -> Option<(u16, u16)> {
    let Some(text) = item.as_text() else {
        let number = u16::try_from(item.count(1, UNIVERSE_MAX.into(), 1)?).ok()?;
        return Some((number, number));
    };
    let universe = |part: &str| part.trim().parse::<u16>().ok().filter(|u| (1..=UNIVERSE_MAX).contains(u));
    let ends = text.split_once('-').and_then(|(a, b)| Some((universe(a)?, universe(b)?)));
    let found = ends.filter(|(first, last)| first <= last);
    if found.is_none() {
        let said = format!("\"{}\" is no span of universes from 1 to {UNIVERSE_MAX}", short(text));
        item.wrong(Kind::OutOfRange, said, "write the first and the last one, such as `\"5-8\"`");
    }
    found
}

/// Receivers: one text, or a list of them.
fn unicast(field: &Field<'_>) -> Option<Vec<SocketAddr>> {
    let items =
        if field.as_text().is_some() { vec![field.clone()] } else { field.list("[\"192.0.2.10\"]")? };
    let mut all = Vec::new();
    for item in &items {
        let address = receiver(item)?;
        if all.contains(&address) {
            let said = format!("`unicast` of {} names {address} twice", item.owner());
            item.wrong(Kind::Twice, said, "name each receiver once");
            return None;
        }
        all.push(address);
    }
    if all.is_empty() || all.len() > UNICAST_MOST {
        let said = format!("`unicast` of {} has {} receivers", field.owner(), all.len());
        field.wrong(
            Kind::OutOfRange,
            said,
            format!("name 1 to {UNICAST_MOST}, or leave it out and send by multicast"),
        );
        return None;
    }
    Some(all)
}

fn receiver(item: &Field<'_>) -> Option<SocketAddr> {
    let text = item.text("192.0.2.10")?.trim();
    let bare = |text: &str| text.parse::<IpAddr>().ok().map(|ip| SocketAddr::new(ip, PORT));
    let Some(address) = bare(text).or_else(|| text.parse::<SocketAddr>().ok()) else {
        let said = format!("\"{}\" is no IP address", short(text));
        let help = "write the receiver's address, such as `\"192.0.2.10\"` or `\"2001:db8::10\"`; names are not looked \
                    up, since that could hold up the light";
        item.wrong(Kind::WrongType, said, help);
        return None;
    };
    let ip = address.ip();
    let why = match ip {
        _ if ip.is_unspecified() => "means no receiver at all",
        _ if ip.is_multicast() => "is a multicast group",
        IpAddr::V4(Ipv4Addr::BROADCAST) => "is broadcast, which E1.31 does not use",
        _ if address.port() == 0 => "has port 0, where nobody listens",
        _ => return Some(address),
    };
    item.wrong(
        Kind::OutOfRange,
        format!("{} {why}", short(text)),
        "name one receiver's address; groups are made from the universe by `multicast`",
    );
    None
}

fn interface(
    field: &Field<'_>,
    unicast: Option<&[SocketAddr]>,
    multicast: Option<Multicast>,
) -> Option<Interface> {
    let text = field.text("eth0")?.trim();
    if let Ok(address) = text.parse::<IpAddr>() {
        if address.is_unspecified() || address.is_multicast() {
            let said = format!("{address} is no address of an interface");
            field.wrong(Kind::OutOfRange, said, "write its name, such as `\"eth0\"`, or an address it has");
            return None;
        }
        let v4 = multicast.is_some_and(Multicast::v4)
            || unicast.is_some_and(|all| all.iter().any(SocketAddr::is_ipv4));
        let v6 = multicast.is_some_and(Multicast::v6)
            || unicast.is_some_and(|all| all.iter().any(SocketAddr::is_ipv6));
        if v4 && address.is_ipv6() || v6 && address.is_ipv4() {
            let (has, needs) = if address.is_ipv4() { ("IPv4", "IPv6") } else { ("IPv6", "IPv4") };
            let said =
                format!("`interface` of {} is an {has} address, and it sends by {needs} too", field.owner());
            field.wrong(Kind::Conflict, said, "name the interface, such as `\"eth0\"`: a name serves both");
            return None;
        }
        return Some(Interface::Address(address));
    }
    let good = (1..=INTERFACE_LONGEST).contains(&text.len())
        && text.bytes().all(|b| b.is_ascii_graphic() && b != b'/')
        && text != "."
        && text != "..";
    if !good {
        let said = format!("\"{}\" is no interface's name or address", short(text));
        field.wrong(Kind::BadName, said, "`ip address` lists the names and addresses that this machine has");
        return None;
    }
    Some(Interface::Name(text.to_owned()))
}

fn source_name(field: &Field<'_>) -> Option<String> {
    let text = field.text("pilot station")?;
    if text.is_empty() || text.len() > NAME_MAX || text.chars().any(char::is_control) {
        let said = format!("`source-name` of {} has {} bytes", field.owner(), text.len());
        field.wrong(
            Kind::OutOfRange,
            said,
            format!("write 1 to {NAME_MAX} bytes of UTF-8, without control characters"),
        );
        return None;
    }
    Some(text.to_owned())
}

/// True for an IPv6 address that only means something on one link.
fn on_a_link(address: &SocketAddr) -> bool {
    matches!(address, SocketAddr::V6(v6) if v6.ip().is_unicast_link_local() && v6.scope_id() == 0)
}

/// Reports receivers whose address says nothing without an interface.
pub(super) fn links(t: &Table<'_>, settings: &E131) {
    if matches!(settings.interface, Some(Interface::Name(_))) {
        return;
    }
    if let Some(address) = settings.unicast.iter().find(|a| on_a_link(a)) {
        let said = format!(
            "output `{}` sends to {}, which every interface may reach",
            settings.output,
            address.ip()
        );
        t.report(
            Problem::at(Kind::MissingKey, t.place(), said)
                .label("`interface` is missing here")
                .help("add the name of the interface, such as `interface = \"eth0\"`"),
        );
    }
}

/// What must be known of network outputs where the last frame is to be left standing at the stop.
pub(super) fn no_hold(outputs: &[Output]) -> Option<String> {
    let network = |o: &&Output| matches!(o.kind, OutputKind::E131(_));
    let mut names: Vec<_> = outputs.iter().filter(network).map(Output::plan_name).collect();
    names.dedup();
    (!names.is_empty()).then(|| {
        format!(
            "{}: `on-stop = \"hold\"` cannot be promised on the network: receivers are told that the stream ends, and do \
             then what they are set to",
            names.join(", ")
        )
    })
}

//! What a network output sends, to whom: the settings of an `[output.ID]` of kind `e131`.

// Addresses from `core`: numbers alone, no socket.
use core::net::{IpAddr, SocketAddr};

/// UDP port that receivers listen at. Source: ANSI E1.31, clause 9 (`ACN_SDT_MULTICAST_PORT`).
pub const PORT: u16 = 5568;
/// Greatest universe for data. Source: ANSI E1.31, clause 6.2.7.
pub const UNIVERSE_MAX: u16 = 63_999;
/// Greatest priority. Source: ANSI E1.31, clause 6.2.3.
pub const PRIORITY_MAX: u8 = 200;
/// Priority of who does not choose one. Source: ANSI E1.31, clause 6.2.3.
pub const PRIORITY_DEFAULT: u8 = 100;
/// Longest source name in bytes of UTF-8: its field has 64, the last one zero. Source: ANSI E1.31, clause 6.2.2.
pub const NAME_MAX: usize = 63;

/// The settings that the universes of one network output share.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct E131 {
    /// The output's name in the plan; with several universes each has its own in [`super::Output::name`].
    pub output: String,
    /// Universes it carries, in the plan's order, each once, 1 to 63 999.
    pub universes: Vec<u16>,
    /// Receivers that get a copy of their own.
    pub unicast: Vec<SocketAddr>,
    /// Families whose multicast groups it sends to.
    pub multicast: Multicast,
    /// Way out of the machine; `None`: as its routes say.
    pub interface: Option<Interface>,
    /// Among several sources of a universe receivers take the greatest, 0 to 200.
    pub priority: u8,
    /// Name for people, at most 63 bytes; `None`: `lampkeep SET`.
    pub source_name: Option<String>,
    /// Universe of the synchronization packets that let all universes show at once; `None`: each shows when it
    /// comes.
    pub sync_universe: Option<u16>,
    /// True: marked for visualisers alone; lamps do not show it.
    pub preview: bool,
    /// What is sent while nothing changes.
    pub idle: Idle,
}

/// Families whose multicast groups are sent to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Multicast {
    /// None.
    Off,
    /// 239.255.high.low.
    Ipv4,
    /// ff18::83:00:high:low.
    Ipv6,
    /// One packet to each.
    Both,
}

impl Multicast {
    /// True if IPv4 groups are sent to.
    #[must_use]
    pub const fn v4(self) -> bool {
        matches!(self, Self::Ipv4 | Self::Both)
    }

    /// True if IPv6 groups are sent to.
    #[must_use]
    pub const fn v6(self) -> bool {
        matches!(self, Self::Ipv6 | Self::Both)
    }
}

/// A way out of the machine.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Interface {
    /// By its name, such as `eth0`.
    Name(String),
    /// By an address that it has.
    Address(IpAddr),
}

/// What is sent while nothing changes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Idle {
    /// Every frame, as on a serial line.
    Constant,
    /// After three repeats one packet every 0.8 to 1.0 s.
    KeepAlive,
}

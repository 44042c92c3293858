//! A way out of the machine: one socket for each address family and interface, whatever the number of universes.
//!
//! `rustix` sends many packets by one system call (`sendmmsg`); `socket2`, which the runtime brings in any case,
//! binds to an interface. Nothing here waits: a full socket is an error.

use std::array;
use std::io::IoSlice;
use std::net::{IpAddr, Ipv6Addr, SocketAddr};
use std::time::Duration;

use rustix::io::Errno;
use rustix::net::{MMsgHdr, SendAncillaryBuffer, SendFlags, SocketAddrAny, sendmmsg, sendto};
use socket2::{Domain, Protocol, Socket, Type};

use super::fault::NetError;
use crate::plan::e131::Interface;
use crate::units::Moment;

/// Most packets of one system call. Chosen: some 100 µs of a slow core, so that lateness is known that finely.
pub(super) const BATCH: usize = 64;
/// Room for packets that wait for the interface, in bytes: 256 universes with what the kernel adds to each. It
/// may give less.
const SEND_BUFFER: usize = 1 << 20;
/// Longest time between two tries.
const RETRY_MOST: Duration = Duration::from_secs(1);
/// The first wait that is not none; each further one is twice the one before.
const RETRY_FIRST: Duration = Duration::from_millis(50);
/// Between two looks at an interface's link.
const LOOK_EVERY: Duration = Duration::from_millis(500);

/// When something that failed is tried again: at once, then after 50, 100, … 1000 ms.
#[derive(Debug, Clone, Copy)]
pub(super) struct Retry {
    pub at: Moment,
    wait: Duration,
}

impl Retry {
    pub const fn at_once() -> Self {
        Self { at: Moment::START, wait: Duration::ZERO }
    }

    pub fn failed(&mut self, now: Moment) {
        self.at = now + self.wait;
        self.wait = (self.wait * 2).clamp(RETRY_FIRST, RETRY_MOST);
    }
}

/// One socket, or why there is none.
pub(super) struct Way {
    v6: bool,
    pub interface: Option<Interface>,
    socket: Option<Socket>,
    retry: Retry,
    /// Why nothing can go out by it.
    pub fault: Option<NetError>,
    /// True once it has been open: a further opening is counted.
    was_open: bool,
    /// The kernel took no more at this deadline.
    pub full: bool,
    look_at: Moment,
}

/// What came of looking after a way.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Kept {
    /// Its socket was opened once more.
    pub reopened: bool,
    /// Its fault is another than before.
    pub changed: bool,
}

/// A packet and where it goes.
pub(super) type Packet<'a> = (&'a [u8], &'a SocketAddrAny);

impl Way {
    pub fn new(v6: bool, interface: Option<Interface>) -> Self {
        Self {
            v6,
            interface,
            socket: None,
            retry: Retry::at_once(),
            fault: None,
            was_open: false,
            full: false,
            look_at: Moment::START,
        }
    }

    /// True if it serves this family by this interface.
    pub fn is(&self, v6: bool, interface: Option<&Interface>) -> bool {
        self.v6 == v6 && self.interface.as_ref() == interface
    }

    /// True if its addresses are IPv6.
    pub fn is_v6(&self) -> bool {
        self.v6
    }

    /// True if packets can be tried.
    pub fn usable(&self) -> bool {
        self.socket.is_some() && self.fault.is_none() && !self.full
    }

    /// Opens the socket where that is due, and looks at the link.
    ///
    /// Takes some ten microseconds, and reads a file of the kernel's twice a second where the plan names an
    /// interface: not for the time between a deadline and its packets.
    pub fn keep_open(&mut self, now: Moment) -> Kept {
        let mut kept = Kept::default();
        if self.socket.is_none() && now >= self.retry.at {
            let fault = match open(self.v6, self.interface.as_ref()) {
                Ok(socket) => {
                    self.socket = Some(socket);
                    kept.reopened = std::mem::replace(&mut self.was_open, true);
                    self.look_at = now;
                    None
                }
                Err(fault) => {
                    self.retry.failed(now);
                    Some(fault)
                }
            };
            kept.changed |= self.is_now(fault);
        }
        if self.socket.is_some() && now >= self.look_at {
            self.look_at = now + LOOK_EVERY;
            if let Some(Interface::Name(name)) = &self.interface {
                let fault = link_fault(name);
                kept.changed |= self.is_now(fault);
            }
        }
        kept
    }

    /// Sets the fault; true if it was another.
    fn is_now(&mut self, fault: Option<NetError>) -> bool {
        let changed = self.fault != fault;
        self.fault = fault;
        changed
    }

    /// Lets the socket go: its interface is no more what it was.
    pub fn close(&mut self, now: Moment, fault: NetError) {
        self.socket = None;
        self.fault = Some(fault);
        self.retry.failed(now);
    }

    /// It carried packets: the next fault is tried at once again.
    pub fn well(&mut self) {
        self.retry = Retry::at_once();
    }

    /// Hands packets to the kernel, at most [`BATCH`]; returns how many it took, at least one.
    ///
    /// Errors: why the first was not taken; the others were not tried then.
    pub fn send(&self, packets: &[Packet<'_>]) -> Result<usize, Errno> {
        let Some(socket) = &self.socket else { return Err(Errno::BADF) };
        match packets {
            [] => Ok(0),
            [(bytes, to)] => sendto(socket, bytes, SendFlags::DONTWAIT, *to).map(|_| 1),
            // The headers are made anew for each call: no more of them than are needed, roughly.
            few if few.len() <= 8 => send_many::<8>(socket, few),
            many => send_many::<BATCH>(socket, many),
        }
    }
}

fn send_many<const N: usize>(socket: &Socket, packets: &[Packet<'_>]) -> Result<usize, Errno> {
    let count = packets.len().min(N);
    let of = |i: usize| packets[i.min(count - 1)];
    let bytes: [IoSlice<'_>; N] = array::from_fn(|i| IoSlice::new(of(i).0));
    let mut control: [SendAncillaryBuffer<'_, '_, '_>; N] =
        array::from_fn(|_| SendAncillaryBuffer::default());
    let mut each = control.iter_mut();
    let mut headers: [MMsgHdr<'_>; N] = array::from_fn(|i| {
        let control = each.next().expect("as many as there are headers");
        MMsgHdr::new_with_addr(of(i).1, std::slice::from_ref(&bytes[i]), control)
    });
    sendmmsg(socket, &mut headers[..count], SendFlags::DONTWAIT)
}

pub(super) fn open(v6: bool, interface: Option<&Interface>) -> Result<Socket, NetError> {
    let io = |doing| move |e: std::io::Error| NetError::Other { doing, source: errno(&e) };
    let domain = if v6 { Domain::IPV6 } else { Domain::IPV4 };
    let socket = Socket::new(domain, Type::DGRAM.cloexec().nonblocking(), Some(Protocol::UDP))
        .map_err(io("open a socket"))?;
    // More is better; without it a burst of many universes may find the socket full, which is counted.
    let _ = socket.set_send_buffer_size(SEND_BUFFER);
    if v6 {
        socket.set_only_v6(true).map_err(io("make the socket IPv6 alone"))?;
    }
    match interface {
        None => {}
        Some(Interface::Name(name)) => {
            socket.bind_device(Some(name.as_bytes())).map_err(|e| match errno(&e) {
                Errno::NODEV => NetError::gone(&Interface::Name(name.clone())),
                Errno::PERM | Errno::ACCESS => NetError::InterfaceNotPermitted { interface: name.clone() },
                source => NetError::Other { doing: "bind to the interface", source },
            })?;
        }
        Some(found @ Interface::Address(address)) => {
            let to = SocketAddr::new(*address, 0).into();
            socket.bind(&to).map_err(|e| match errno(&e) {
                Errno::ADDRNOTAVAIL => NetError::gone(found),
                source => NetError::Other { doing: "bind to the interface's address", source },
            })?;
            match address {
                IpAddr::V4(v4) => socket.set_multicast_if_v4(v4).map_err(io("choose the interface"))?,
                IpAddr::V6(v6) => {
                    let index = index_of(*v6).ok_or_else(|| NetError::gone(found))?;
                    socket.set_multicast_if_v6(index).map_err(io("choose the interface"))?;
                }
            }
        }
    }
    Ok(socket)
}

pub(super) fn errno(error: &std::io::Error) -> Errno {
    Errno::from_io_error(error).unwrap_or(Errno::INVAL)
}

/// Number of the interface that has an IPv6 address. Source: Linux, `/proc/net/if_inet6`: address, index in
/// hex, and more.
fn index_of(address: Ipv6Addr) -> Option<u32> {
    index_in(&std::fs::read_to_string("/proc/net/if_inet6").ok()?, address)
}

fn index_in(text: &str, address: Ipv6Addr) -> Option<u32> {
    let wanted = format!("{:032x}", u128::from(address));
    text.lines().find_map(|line| {
        let mut fields = line.split_whitespace();
        (fields.next()? == wanted).then(|| u32::from_str_radix(fields.next()?, 16).ok())?
    })
}

/// What the kernel says of an interface's link; nothing where it says nothing. Source: Linux,
/// `Documentation/ABI/testing/sysfs-class-net`: `carrier` is 0 or 1, and cannot be read while it is down.
pub(super) fn link_fault(name: &str) -> Option<NetError> {
    let carrier = std::fs::read_to_string(format!("/sys/class/net/{name}/carrier")).ok()?;
    (carrier.trim() == "0").then(|| NetError::NoLink { interface: name.to_owned() })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: Linux, `/proc/net/if_inet6` as the kernel prints it.
    #[test]
    fn an_interface_is_found_by_its_ipv6_address() {
        let text = "00000000000000000000000000000001 01 80 10 80       lo\n\
                    fe800000000000000042acfffe110002 1b 40 20 80     eth0\n";
        assert_eq!(index_in(text, Ipv6Addr::LOCALHOST), Some(1));
        assert_eq!(index_in(text, "fe80::42:acff:fe11:2".parse().unwrap()), Some(27));
        assert_eq!(index_in(text, "fe80::1".parse().unwrap()), None);
    }

    #[test]
    fn tries_come_at_once_then_grow_to_a_second() {
        let mut retry = Retry::at_once();
        let now = Moment::START + Duration::from_secs(10);
        let waits: Vec<u128> = (0..8)
            .map(|_| {
                retry.failed(now);
                retry.at.after(now).as_millis()
            })
            .collect();
        assert_eq!(waits, [0, 50, 100, 200, 400, 800, 1000, 1000]);
    }

    #[test]
    fn an_interface_that_is_not_there_is_said_with_those_that_are() {
        let mut way = Way::new(false, Some(Interface::Name("mole-9".to_owned())));
        assert_eq!(way.keep_open(Moment::START), Kept { reopened: false, changed: true });
        let fault = way.fault.clone().unwrap();
        assert_eq!(fault.word(), "no-such-interface");
        assert!(fault.to_string().contains("lo"), "{fault}");
        assert!(!way.usable());
    }
}

//! Network outputs: is there a way to where they send.

use std::net::{IpAddr, Ipv4Addr, SocketAddr, UdpSocket};

use super::{Finding, Weight};

/// Port of E1.31. Source: ANSI E1.31-2018, clause 9.3.1 (ACN_SDT_MULTICAST_PORT).
const PORT: u16 = 5568;

/// Whether the machine knows a way to an address; sends nothing. `output`: whose it is.
#[must_use]
pub fn network(output: &str, to: IpAddr) -> Option<Finding> {
    let any =
        if to.is_ipv4() { SocketAddr::from((Ipv4Addr::UNSPECIFIED, 0)) } else { "[::]:0".parse().ok()? };
    let error = UdpSocket::bind(any).and_then(|socket| socket.connect((to, PORT))).err()?;
    let finding = if to.is_multicast() {
        Finding::new(
            "no-multicast-route",
            Weight::Stops,
            format!("there is no way to the multicast address {to} ({error})"),
            "name the network's interface in the output, or add a route: `sudo ip route add 239.255.0.0/16 dev INTERFACE`",
        )
    } else {
        Finding::new(
            "no-route",
            Weight::Stops,
            format!("there is no way to {to} ({error})"),
            "plug the network cable in, and see with `ip route` which networks this machine is on",
        )
    };
    Some(finding.of(output))
}

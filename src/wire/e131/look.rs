//! Looks whether there is a way to where a network output sends, without sending.

use socket2::SockAddr;

use super::fault::NetError;
use super::stream::addresses;
use super::way::{errno, link_fault, open};
use crate::plan::e131::{E131, Interface};

/// What stands in the way of one universe's packets, each fault once.
#[must_use]
pub fn look(settings: &E131, universe: u16) -> Vec<NetError> {
    let mut found: Vec<NetError> = Vec::new();
    for to in addresses(settings, universe) {
        let interface = settings.interface.as_ref();
        let tried = open(to.is_ipv6(), interface).and_then(|socket| {
            if let Some(Interface::Name(name)) = interface
                && let Some(fault) = link_fault(name)
            {
                return Err(fault);
            }
            // Of a datagram socket this only asks the routes.
            socket.connect(&SockAddr::from(to)).map_err(|e| NetError::sending(to, interface, errno(&e)))
        });
        if let Err(fault) = tried
            && !found.contains(&fault)
        {
            found.push(fault);
        }
    }
    found
}

//! E1.31 packets (streaming ACN): data, synchronization, universe discovery, and the multicast groups.
//!
//! ```text
//! data       root 38 | framing 77 | DMP 10 | start code 00, 512 slots     638 bytes
//! sync       root 38 | framing 11                                          49 bytes
//! discovery  root 38 | framing 74 | page 8 | up to 512 universes          120 to 1144 bytes
//! ```
//!
//! Source: ANSI E1.31-2018, clauses 4 to 8. Data packets equal `tests/reference/e131_packets.csv`; the layouts of
//! the other two are from memory and equal those of the PyPI library `sacn` (`tests/peers/e131.py`). Numbers
//! are big-endian. A data packet always holds all 512 slots: what a receiver does with the slots that a shorter
//! one leaves out is not the same everywhere (from memory). No socket here, and no clock.

use core::net::{Ipv4Addr, Ipv6Addr};

use crate::channels::SLOTS;
pub use crate::plan::e131::{NAME_MAX, PORT, PRIORITY_DEFAULT, PRIORITY_MAX, UNIVERSE_MAX};
use crate::wire::encode::dmx::START_CODE;

/// Bytes of a data packet.
pub const DATA_LEN: usize = 126 + SLOTS;
/// Bytes of a synchronization packet.
pub const SYNC_LEN: usize = 49;
/// Bytes of a discovery packet without its universes.
pub const DISCOVERY_HEAD: usize = 120;
/// Universes that one page of discovery holds. Source: ANSI E1.31, clause 8.5.
pub const PAGE: usize = 512;
/// Universe that discovery is sent to. Source: ANSI E1.31, appendix A (`E131_DISCOVERY_UNIVERSE`).
pub const DISCOVERY_UNIVERSE: u16 = 64_214;
/// Packets marked as the last of their stream that end it. Source: ANSI E1.31, clause 6.2.6.
pub const TERMINATIONS: u8 = 3;

/// Bit of the options: visualisers may show it, lamps must not. Source: ANSI E1.31, clause 6.2.6.
pub const PREVIEW: u8 = 0x80;
/// Bit of the options: the stream ends here. Source: ANSI E1.31, clause 6.2.6.
pub const TERMINATED: u8 = 0x40;
/// Bit of the options: when synchronization packets stop, show data without them. Source: ANSI E1.31, clause 6.2.6.
pub const FORCE_SYNC: u8 = 0x20;

// Source: ANSI E1.31, appendix A.
const ROOT_DATA: u32 = 0x04;
const ROOT_EXTENDED: u32 = 0x08;
const FRAMING_DATA: u32 = 0x02;
const EXTENDED_SYNC: u32 = 0x01;
const EXTENDED_DISCOVERY: u32 = 0x02;
const UNIVERSE_LIST: u32 = 0x01;
const DMP_SET_PROPERTY: u8 = 0x02;

// Where the fields that change stand. Source: ANSI E1.31, tables 4-1 to 4-3.
const SEQUENCE: usize = 111;
const OPTIONS: usize = 112;
const SLOT_1: usize = 126;
const SYNC_SEQUENCE: usize = 44;

/// Component identifier: an RFC 4122 UUID that stays the same for one source of packets over restarts.
/// Source: ANSI E1.31, clause 5.6.
pub type Cid = [u8; 16];

/// What a universe's data packets have in common.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Header<'a> {
    /// Who sends.
    pub cid: Cid,
    /// Name for people, UTF-8; cut at a character's end where it has over [`NAME_MAX`] bytes.
    pub source_name: &'a str,
    /// Among several sources of a universe the greatest wins, 0 to [`PRIORITY_MAX`].
    pub priority: u8,
    /// Universe whose synchronization packets let the data show; 0: shown at once.
    pub sync: u16,
    /// [`PREVIEW`], [`TERMINATED`], [`FORCE_SYNC`], or none.
    pub options: u8,
    /// 1 to [`UNIVERSE_MAX`].
    pub universe: u16,
}

/// A universe's data packet, made once; sequence number, options and slots are changed in place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Data {
    bytes: [u8; DATA_LEN],
}

impl Data {
    /// A packet with sequence number 0 and every slot at zero.
    ///
    /// ```
    /// use lampkeep::wire::encode::e131::{Data, Header};
    /// let header = Header { cid: [7; 16], source_name: "quay", priority: 100, sync: 0, options: 0, universe: 3 };
    /// let mut packet = Data::new(&header);
    /// packet.set_slots(&[255; 512]);
    /// assert_eq!((packet.bytes().len(), packet.bytes()[114], packet.bytes()[126]), (638, 3, 255));
    /// ```
    #[must_use]
    pub fn new(header: &Header<'_>) -> Self {
        let mut bytes = [0; DATA_LEN];
        root(&mut bytes, ROOT_DATA, &header.cid);
        flags_and_length(&mut bytes, 38);
        bytes[40..44].copy_from_slice(&FRAMING_DATA.to_be_bytes());
        name(&mut bytes[44..108], header.source_name);
        bytes[108] = header.priority;
        bytes[109..111].copy_from_slice(&header.sync.to_be_bytes());
        bytes[OPTIONS] = header.options;
        bytes[113..115].copy_from_slice(&header.universe.to_be_bytes());
        flags_and_length(&mut bytes, 115);
        bytes[117] = DMP_SET_PROPERTY;
        // Addresses of two bytes, the first one 0, one apart; start code and slots are so many properties.
        bytes[118] = 0xA1;
        bytes[121..123].copy_from_slice(&1_u16.to_be_bytes());
        bytes[123..125].copy_from_slice(&513_u16.to_be_bytes());
        bytes[125] = START_CODE;
        Self { bytes }
    }

    /// The packet's bytes.
    #[must_use]
    pub fn bytes(&self) -> &[u8; DATA_LEN] {
        &self.bytes
    }

    /// Its slots, slot 1 first.
    #[must_use]
    pub fn slots(&self) -> &[u8] {
        &self.bytes[SLOT_1..]
    }

    /// Sets all slots.
    pub fn set_slots(&mut self, slots: &[u8; SLOTS]) {
        self.bytes[SLOT_1..].copy_from_slice(slots);
    }

    /// Sets the sequence number: one more for each packet of the universe, 0 after 255.
    /// Source: ANSI E1.31, clause 6.7.2.
    pub fn set_sequence(&mut self, sequence: u8) {
        self.bytes[SEQUENCE] = sequence;
    }

    /// Marks it as one of the stream's last.
    pub fn terminate(&mut self) {
        self.bytes[OPTIONS] |= TERMINATED;
    }
}

/// A synchronization packet: receivers show the data that waits for this universe.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sync {
    bytes: [u8; SYNC_LEN],
}

impl Sync {
    /// A packet with sequence number 0. `universe`: 1 to [`UNIVERSE_MAX`].
    #[must_use]
    pub fn new(cid: &Cid, universe: u16) -> Self {
        let mut bytes = [0; SYNC_LEN];
        root(&mut bytes, ROOT_EXTENDED, cid);
        flags_and_length(&mut bytes, 38);
        bytes[40..44].copy_from_slice(&EXTENDED_SYNC.to_be_bytes());
        bytes[45..47].copy_from_slice(&universe.to_be_bytes());
        Self { bytes }
    }

    /// Sets the sequence number, which runs by itself for each synchronization universe.
    pub fn set_sequence(&mut self, sequence: u8) {
        self.bytes[SYNC_SEQUENCE] = sequence;
    }

    /// The packet's bytes.
    #[must_use]
    pub fn bytes(&self) -> &[u8; SYNC_LEN] {
        &self.bytes
    }
}

/// The discovery packets of a source, one a page: which universes it sends, sorted, each once.
///
/// `universes` in any order; over 256 pages of them (131 072) cannot be. None at all gives one empty page.
#[must_use]
pub fn discovery(cid: &Cid, source_name: &str, universes: &[u16]) -> Vec<Vec<u8>> {
    let mut sorted = universes.to_vec();
    sorted.sort_unstable();
    sorted.dedup();
    // At most 65 536 different numbers: 128 pages.
    let last = u8::try_from(sorted.len().div_ceil(PAGE).saturating_sub(1)).unwrap_or(u8::MAX);
    let page = |number: u8| {
        let from = usize::from(number) * PAGE;
        let listed = &sorted[from.min(sorted.len())..(from + PAGE).min(sorted.len())];
        let mut bytes = vec![0; DISCOVERY_HEAD + 2 * listed.len()];
        root(&mut bytes, ROOT_EXTENDED, cid);
        flags_and_length(&mut bytes, 38);
        bytes[40..44].copy_from_slice(&EXTENDED_DISCOVERY.to_be_bytes());
        name(&mut bytes[44..108], source_name);
        flags_and_length(&mut bytes, 112);
        bytes[114..118].copy_from_slice(&UNIVERSE_LIST.to_be_bytes());
        bytes[118] = number;
        bytes[119] = last;
        for (place, universe) in bytes[DISCOVERY_HEAD..].as_chunks_mut::<2>().0.iter_mut().zip(listed) {
            *place = universe.to_be_bytes();
        }
        bytes
    };
    (0..=last).map(page).collect()
}

/// IPv4 group of a universe. Source: ANSI E1.31, clause 9.3.1: 239.255.high.low.
#[must_use]
pub fn group_v4(universe: u16) -> Ipv4Addr {
    let [high, low] = universe.to_be_bytes();
    Ipv4Addr::new(239, 255, high, low)
}

/// IPv6 group of a universe. Source: ANSI E1.31-2018, clause 9.3.2: ff18::83:00:high:low, byte by byte (from memory).
#[must_use]
pub fn group_v6(universe: u16) -> Ipv6Addr {
    Ipv6Addr::new(0xFF18, 0, 0, 0, 0, 0, 0x8300, universe)
}

/// Root layer. Source: ANSI E1.31, table 5-1; ANSI E1.17, appendix on UDP.
fn root(bytes: &mut [u8], vector: u32, cid: &Cid) {
    bytes[0..2].copy_from_slice(&0x0010_u16.to_be_bytes());
    bytes[4..16].copy_from_slice(b"ASC-E1.17\0\0\0");
    flags_and_length(bytes, 16);
    bytes[18..22].copy_from_slice(&vector.to_be_bytes());
    bytes[22..38].copy_from_slice(cid);
}

/// Flags 7 and the length from `at` to the packet's end, in 12 bits. Source: ANSI E1.31, clause 4.
fn flags_and_length(bytes: &mut [u8], at: usize) {
    // The longest packet has 1144 bytes.
    let length = u16::try_from(bytes.len() - at).unwrap_or(0x0FFF) & 0x0FFF;
    bytes[at..at + 2].copy_from_slice(&(0x7000 | length).to_be_bytes());
}

/// A name in its field of 64 bytes, zeros after it.
fn name(field: &mut [u8], name: &str) {
    let mut end = name.len().min(NAME_MAX);
    while !name.is_char_boundary(end) {
        end -= 1;
    }
    field[..end].copy_from_slice(&name.as_bytes()[..end]);
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn header(source_name: &str) -> Header<'_> {
        Header { cid: [0xA5; 16], source_name, priority: 100, sync: 0, options: 0, universe: 1 }
    }

    fn number(bytes: &[u8], at: usize) -> u16 {
        u16::from_be_bytes([bytes[at], bytes[at + 1]])
    }

    /// Source: ANSI E1.31, clause 9.3.1: universe 7 at 239.255.0.7, 63 999 at 239.255.249.255; discovery at
    /// 239.255.250.214.
    #[test]
    fn a_universe_s_number_is_the_end_of_its_group() {
        assert_eq!(group_v4(7).to_string(), "239.255.0.7");
        assert_eq!(group_v4(63_999).to_string(), "239.255.249.255");
        assert_eq!(group_v4(DISCOVERY_UNIVERSE).to_string(), "239.255.250.214");
        assert_eq!(group_v6(258).to_string(), "ff18::8300:102");
    }

    #[test]
    fn a_name_that_is_too_long_is_cut_between_characters() {
        let packet = Data::new(&header(&"ü".repeat(40)));
        let field = &packet.bytes()[44..108];
        assert_eq!(std::str::from_utf8(&field[..62]).unwrap(), "ü".repeat(31));
        assert_eq!(field[62..], [0, 0]);
    }

    #[test]
    fn a_source_of_no_universe_tells_so_on_one_page() {
        let pages = discovery(&[1; 16], "quay", &[]);
        assert_eq!((pages.len(), pages[0].len(), pages[0][118], pages[0][119]), (1, 120, 0, 0));
    }

    proptest! {
        #[test]
        fn lengths_flags_and_zero_ends_hold_for_every_data_packet(
            cid in any::<[u8; 16]>(), source_name in ".{0,70}", priority in 0..=200_u8, sync in any::<u16>(),
            options in any::<u8>(), universe in 1..=UNIVERSE_MAX, sequence in any::<u8>(),
            slots in prop::collection::vec(any::<u8>(), SLOTS),
        ) {
            let mut packet = Data::new(&Header { cid, source_name: &source_name, priority, sync, options, universe });
            let slots: [u8; SLOTS] = slots.try_into().unwrap();
            packet.set_slots(&slots);
            packet.set_sequence(sequence);
            let bytes = packet.bytes();
            for at in [16, 38, 115] {
                prop_assert_eq!(number(bytes, at), 0x7000 | (638 - at) as u16);
            }
            prop_assert_eq!(bytes[107], 0, "a name ends with a zero");
            prop_assert_eq!(number(bytes, 123), 513);
            prop_assert_eq!((number(bytes, 113), number(bytes, 109)), (universe, sync));
            prop_assert_eq!((bytes[108], bytes[111], bytes[112], bytes[125]), (priority, sequence, options, 0));
            prop_assert_eq!(packet.slots(), &slots[..]);
            packet.terminate();
            prop_assert_eq!(packet.bytes()[112], options | 0x40);
        }

        #[test]
        fn discovery_lists_every_universe_once_in_order(
            universes in prop::collection::vec(1..=UNIVERSE_MAX, 0..2000),
        ) {
            let pages = discovery(&[3; 16], "quay", &universes);
            let mut listed = Vec::new();
            for (number_of, page) in pages.iter().enumerate() {
                prop_assert!(page.len() <= 1144);
                for at in [16, 38, 112] {
                    prop_assert_eq!(number(page, at), 0x7000 | (page.len() - at) as u16);
                }
                prop_assert_eq!((usize::from(page[118]), usize::from(page[119])), (number_of, pages.len() - 1));
                listed.extend((120..page.len()).step_by(2).map(|at| number(page, at)));
            }
            let mut sorted = universes.clone();
            sorted.sort_unstable();
            sorted.dedup();
            prop_assert_eq!(listed, sorted);
        }
    }
}

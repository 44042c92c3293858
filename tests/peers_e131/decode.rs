//! A receiver's view of a packet, taken apart without lampkeep's encoder, after ANSI E1.31-2018 tables 4-1 to 4-3,
//! 6-1 to 6-3 and 8-1.

/// What a packet says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Packet {
    Data(Data),
    Sync { cid: [u8; 16], sequence: u8, universe: u16 },
    Discovery { cid: [u8; 16], name: String, page: u8, last: u8, universes: Vec<u16> },
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Data {
    pub cid: [u8; 16],
    pub name: String,
    pub priority: u8,
    pub sync: u16,
    pub sequence: u8,
    pub preview: bool,
    pub terminated: bool,
    pub force_sync: bool,
    pub universe: u16,
    pub slots: Vec<u8>,
}

fn u16_at(bytes: &[u8], at: usize) -> u16 {
    u16::from_be_bytes(bytes[at..at + 2].try_into().unwrap())
}

fn u32_at(bytes: &[u8], at: usize) -> u32 {
    u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap())
}

/// Takes a packet apart; panics with a reason where a receiver would throw it away.
pub fn decode(bytes: &[u8]) -> Packet {
    let cut = |at: usize| {
        assert_eq!(u16_at(bytes, at) >> 12, 7, "flags at {at}");
        assert_eq!(usize::from(u16_at(bytes, at) & 0xFFF), bytes.len() - at, "length at {at}");
    };
    let name = |bytes: &[u8]| {
        let end = bytes.iter().position(|b| *b == 0).expect("a name ends with a zero");
        assert!(bytes[end..].iter().all(|b| *b == 0));
        String::from_utf8(bytes[..end].to_vec()).unwrap()
    };
    assert_eq!(bytes[..16], *b"\x00\x10\x00\x00ASC-E1.17\0\0\0");
    cut(16);
    cut(38);
    let cid = bytes[22..38].try_into().unwrap();
    match (u32_at(bytes, 18), u32_at(bytes, 40)) {
        (4, 2) => {
            cut(115);
            assert_eq!((bytes[117], bytes[118]), (2, 0xA1));
            assert_eq!((u16_at(bytes, 119), u16_at(bytes, 121)), (0, 1));
            assert_eq!(usize::from(u16_at(bytes, 123)), bytes.len() - 125);
            assert_eq!(bytes[125], 0, "start code");
            let options = bytes[112];
            assert_eq!(options & 0x1F, 0, "reserved bits");
            Packet::Data(Data {
                cid,
                name: name(&bytes[44..108]),
                priority: bytes[108],
                sync: u16_at(bytes, 109),
                sequence: bytes[111],
                preview: options & 0x80 != 0,
                terminated: options & 0x40 != 0,
                force_sync: options & 0x20 != 0,
                universe: u16_at(bytes, 113),
                slots: bytes[126..].to_vec(),
            })
        }
        (8, 1) => {
            assert_eq!((bytes.len(), u16_at(bytes, 47)), (49, 0));
            Packet::Sync { cid, sequence: bytes[44], universe: u16_at(bytes, 45) }
        }
        (8, 2) => {
            cut(112);
            assert_eq!((u32_at(bytes, 108), u32_at(bytes, 114)), (0, 1));
            let universes = (120..bytes.len()).step_by(2).map(|at| u16_at(bytes, at)).collect();
            Packet::Discovery {
                cid,
                name: name(&bytes[44..108]),
                page: bytes[118],
                last: bytes[119],
                universes,
            }
        }
        vectors => panic!("no vectors of E1.31: {vectors:?}"),
    }
}

//! tshark's dissector, which others wrote, reads what lampkeep sends: no complaint, and the same values.
//!
//! Packets are taken from a socket and put into a capture file with headers made here, so that nothing need be
//! captured live. tshark 4.0 knows no synchronization and no discovery packets, the library's own neither (seen):
//! there only a complaint counts; `tests/peers/e131.py` compares their bytes. Without tshark this fails, unless `LAMPKEEP_SKIP_TSHARK=1` says that it is to be left out.

use std::process::Command;

use lampkeep::plan::e131::{E131, Idle};
use lampkeep::wire::encode::e131::{Sync, discovery};

use super::loopback::{frame, network, settings, start};
use super::receiver::Receiver;

/// A capture of UDP payloads from 127.0.0.1 to port 5568. Source: the libpcap file format, link type 101 (raw IP);
/// RFC 791, RFC 768 (checksum 0: none).
fn capture(payloads: &[Vec<u8>]) -> Vec<u8> {
    let mut out = Vec::new();
    for word in [0xA1B2_C3D4_u32, 0x0004_0002, 0, 0, 65_535, 101] {
        out.extend(word.to_le_bytes());
    }
    for (number, payload) in payloads.iter().enumerate() {
        let length = 28 + payload.len();
        for word in [number as u32, 0, length as u32, length as u32] {
            out.extend(word.to_le_bytes());
        }
        let mut header = vec![0x45, 0];
        header.extend((length as u16).to_be_bytes());
        header.extend([0, 0, 0x40, 0, 16, 17, 0, 0, 127, 0, 0, 1, 239, 255, 0, 1]);
        let sum: u32 = header.as_chunks::<2>().0.iter().map(|b| u32::from(u16::from_be_bytes(*b))).sum();
        let folded = (sum & 0xFFFF) + (sum >> 16);
        header[10..12].copy_from_slice(&(!(folded as u16)).to_be_bytes());
        out.extend(header);
        for word in [40_000_u16, 5568, 8 + payload.len() as u16, 0] {
            out.extend(word.to_be_bytes());
        }
        out.extend(payload);
    }
    out
}

/// The values of fields in every packet, as tshark 4.0 gives them.
fn dissected(file: &std::path::Path, fields: &[&str]) -> Vec<Vec<String>> {
    let mut command = Command::new("tshark");
    command.args(["-r"]).arg(file).args(["--enable-heuristic", "acn", "-o", "acn.dmx_enable:TRUE"]);
    command.args(["-T", "fields", "-E", "separator=|", "-E", "occurrence=a"]);
    command.args(fields.iter().flat_map(|f| ["-e", f]));
    let done = command.output().expect("tshark runs");
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let text = String::from_utf8(done.stdout).unwrap();
    text.lines().map(|line| line.split('|').map(str::to_owned).collect()).collect()
}

#[test]
fn tsharks_dissector_reads_every_packet_without_a_complaint() {
    if Command::new("tshark").arg("--version").output().is_err() {
        let skip = std::env::var_os("LAMPKEEP_SKIP_TSHARK").is_some_and(|v| v == "1");
        assert!(skip, "there is no tshark: install it (tests/setup), or set LAMPKEEP_SKIP_TSHARK=1");
        eprintln!("NOT RUN: there is no tshark and LAMPKEEP_SKIP_TSHARK=1");
        return;
    }
    let receiver = Receiver::new();
    let mut payloads = Vec::new();
    let network = network();
    let settings = E131 {
        priority: 150,
        preview: true,
        sync_universe: Some(900),
        source_name: Some("Lotsenstube".to_owned()),
        idle: Idle::Constant,
        ..settings(receiver.address(), &[1, 300, 63_999])
    };
    let mut senders = start(&network, settings, 40);
    for (sender, universe) in senders.iter_mut().zip([1, 300, 63_999]) {
        sender.publish(&frame(universe, universe));
    }
    let mut bytes = [0; 2000];
    while payloads.len() < 60 {
        if let Ok(size) = receiver.socket.recv(&mut bytes) {
            payloads.push(bytes[..size].to_vec());
        }
    }
    drop(senders);
    network.stop();
    while let Ok(size) = receiver.socket.recv(&mut bytes) {
        payloads.push(bytes[..size].to_vec());
    }
    // Discovery goes to its group alone: as the encoder makes it, a page that is full and one that is not.
    payloads.extend(discovery(&[0x5A; 16], "Lotsenstube", &(1..=700).collect::<Vec<_>>()));
    payloads.push(Sync::new(&[0x5A; 16], 900).bytes().to_vec());

    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("wire.pcap");
    std::fs::write(&file, capture(&payloads)).unwrap();
    let fields = [
        "_ws.malformed",
        "_ws.expert.message",
        "frame.protocols",
        "acn.dmx.universe",
        "acn.dmx.priority",
        "acn.dmx.seq_number",
        "acn.dmx.source_name",
        "acn.dmx.option_p",
        "acn.dmx.option_s",
        "acn.cid",
    ];
    let read = dissected(&file, &fields);
    assert_eq!(read.len(), payloads.len());
    let (mut data, mut ended) = (0, 0);
    for (row, payload) in read.iter().zip(&payloads) {
        assert_eq!((row[0].as_str(), row[1].as_str()), ("", ""), "a complaint: {row:?}");
        if payload.len() == 638 {
            data += 1;
            assert!(row[2].contains("acn"), "not taken for E1.31: {row:?}");
            assert_eq!(row[9], "5a5a5a5a-5a5a-5a5a-5a5a-5a5a5a5a5a5a");
            let number = |i: usize| row[i].parse::<u16>().unwrap();
            assert!([1, 300, 63_999].contains(&number(3)), "{row:?}");
            assert_eq!(number(4), 150);
            assert_eq!(number(5), u16::from(payload[111]));
            assert_eq!(row[6], "Lotsenstube");
            assert!(["1", "True"].contains(&row[7].as_str()), "preview: {row:?}");
            ended += usize::from(["1", "True"].contains(&row[8].as_str()));
        }
    }
    assert!(data >= 40, "{data}");
    assert_eq!(ended, 9, "three packets marked as the last for each universe");
}

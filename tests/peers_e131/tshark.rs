//! tshark's dissector reads the packets that lampkeep sent.

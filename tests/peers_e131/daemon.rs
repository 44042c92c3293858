//! The built program on the network.

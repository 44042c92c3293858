#!/usr/bin/env bash
# The daemon while its broker is killed 50 times, paused for a minute, cut off (root, nftables), its disk full (root).
set -u -o pipefail
cd "$(dirname "$0")/../.." || exit 1
cargo test --locked --release --test peers_broker -- --ignored --nocapture --test-threads 1

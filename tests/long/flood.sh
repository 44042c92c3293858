#!/usr/bin/env bash
# Requests by the ten thousand on the socket for a minute, with the optimiser. LAMPKEEP_FLOOD_S sets another length.
set -u -o pipefail
cd "$(dirname "$0")/../.." || exit 1
export LAMPKEEP_FLOOD_S=${LAMPKEEP_FLOOD_S:-60}
cargo test --locked --release --test flood -- --nocapture

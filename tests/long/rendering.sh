#!/usr/bin/env bash
# The search for the best rendering against a fine grid, over many lamps, with the optimiser.
set -u -o pipefail
cd "$(dirname "$0")/../.." || exit 1
cargo test --locked --release --test published_rendering -- --ignored --nocapture

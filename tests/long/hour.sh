#!/usr/bin/env bash
# An hour in the simulator under a flood of random requests, some seeds, with the optimiser.
# LAMPKEEP_SEEDS is how many seeds; 4 unless it is set.
set -u -o pipefail
cd "$(dirname "$0")/../.." || exit 1
export LAMPKEEP_SEEDS=${LAMPKEEP_SEEDS:-4}
cargo test --locked --release --test engine hour::an_hour -- --ignored --nocapture

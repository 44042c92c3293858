#!/usr/bin/env bash
# The daemon while plugs are pulled at random instants: half an hour, 200 pulls of a raw and a framed interface.
# LAMPKEEP_SOAK_MINUTES and LAMPKEEP_SOAK_PULLS set another length (1 and 12: a first try), LAMPKEEP_SOAK_SEED repeats
# the instants of a run as far as the machine lets it.
set -u -o pipefail
cd "$(dirname "$0")/../.." || exit 1
cargo test --locked --release --test soak -- --ignored --nocapture

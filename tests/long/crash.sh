#!/usr/bin/env bash
# The take log through a thousand kills at random instants, with copies cut at random bytes, and through a disk that is
# full for ten minutes (needs root for a small file system), with the optimiser.
# LAMPKEEP_KILLS sets another number, LAMPKEEP_SEED repeats the instants as far as the machine lets it.
set -u -o pipefail
cd "$(dirname "$0")/../.." || exit 1
export LAMPKEEP_KILLS=${LAMPKEEP_KILLS:-1000}
cargo test --locked --release --test journal crash:: -- --nocapture &&
    cargo test --locked --release --test journal ten_minutes -- --ignored --nocapture

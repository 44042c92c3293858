#!/usr/bin/env bash
# Twenty daemons that start together at an instant, each on its own: tests/long/many.py, which says how.
set -u -o pipefail
cd "$(dirname "$0")/../.." || exit 1
command -v python3 >/dev/null || { echo "  no python3 here: install it"; exit 77; }
cargo build --locked --release && LAMPKEEP=target/release/lampkeep python3 tests/long/many.py

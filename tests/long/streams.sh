#!/usr/bin/env bash
# What 1, 50 and 200 readers of the status cost a real broker and the daemon, and 24 more on the socket: printed.
set -u -o pipefail
cd "$(dirname "$0")/../.." || exit 1
. tests/packages.sh
mkdir -p target
if [ -z "${MOSQUITTO:-}" ] && ! command -v mosquitto >/dev/null && [ ! -x /usr/sbin/mosquitto ]; then
    packages target/streams-apt.log mosquitto || { echo "NOT RUN: there is no mosquitto"; exit 77; }
fi
cargo test --locked --release --test streams -- --ignored --nocapture

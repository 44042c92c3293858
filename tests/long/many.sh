#!/usr/bin/env bash
# Twenty daemons that start together at an instant, each on its own: tests/long/many.py, which says how. Asked over
# their sockets, then all by one message over MQTT.
set -u -o pipefail
cd "$(dirname "$0")/../.." || exit 1
command -v python3 >/dev/null || { echo "  no python3 here: install it"; exit 77; }
cargo build --locked --release || exit 1
export LAMPKEEP=target/release/lampkeep
failed=0
python3 tests/long/many.py || failed=1
if command -v mosquitto_pub >/dev/null; then
    python3 tests/long/many.py --mqtt || failed=1
else
    echo "  NOT RUN over MQTT: no mosquitto_pub here: tests/run installs mosquitto-clients"
fi
exit "$failed"

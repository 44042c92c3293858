#!/usr/bin/env bash
# The properties of the engine and of the thermal guard with many more cases than every day, about 20
# minutes on two cores.
# LAMPKEEP_CASES is how many times the everyday number; 50 unless it is set.
set -u -o pipefail
cd "$(dirname "$0")/../.." || exit 1
export LAMPKEEP_CASES=${LAMPKEEP_CASES:-50}
echo "engine properties, $LAMPKEEP_CASES times the everyday cases"
cargo test --locked --test engine properties:: -- --nocapture --test-threads 2 | grep -E ' cases$|^test |panicked|minimal failing|^thread'
status=$?
echo "thermal guard, $LAMPKEEP_CASES times the everyday cases: 100 000 sequences of requests, rooms and restarts each"
cargo test --release --locked --test thermal properties:: -- --nocapture --test-threads 2 | grep -E ' cases$|^test |panicked|minimal failing|^thread'
thermal=$?
exit $(( status > thermal ? status : thermal ))

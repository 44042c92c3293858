#!/usr/bin/env bash
# The properties of the engine and its guards with many more cases than every day: some hours on two cores.
# LAMPKEEP_CASES is how many times the everyday number; 50 unless it is set.
set -u -o pipefail
cd "$(dirname "$0")/../.." || exit 1
export LAMPKEEP_CASES=${LAMPKEEP_CASES:-50}
echo "properties, $LAMPKEEP_CASES times the everyday cases"
run() { cargo test --locked "$@" --nocapture --test-threads 2 | grep -E ' cases$|^test |panicked|minimal failing|^thread'; }
failed=0
run --test engine properties:: -- || failed=1
# 100 000 sequences of requests, rooms and restarts each past the thermal guard where 50 is set.
run --release --test thermal properties:: -- || failed=1
# 20 times as many, with the optimiser: 100 000 random streams past the flash guard where 50 is set.
LAMPKEEP_CASES=$((20 * LAMPKEEP_CASES)) run --release --test flash --test identity -- || failed=1
# 100 000 floods of requests through the whole engine on each of two plans where 50 is set.
LAMPKEEP_CASES=$((20 * LAMPKEEP_CASES)) run --release --test engine floods:: -- || failed=1
# Long streams past the identity guard and in takes, and lights that move or come back after a start, which other guards
# look at too; where 50 is set: 1200 of `whatever`, which is slow and has few cases every day, 800 takes of 1000 requests each, 2000 and 3000 of motions, 2000 each of
# starts and of spoilt files.
LAMPKEEP_CASES=$((3 * LAMPKEEP_CASES)) run --release --test engine -- protect::whatever || failed=1
run --release --test engine -- takes::a_thousand motions:: restart:: || failed=1
# Identity: 100 000 short streams and restarts where 50 is set. Its other tests (protect_under_way::) have no random
# cases and run every day.
LAMPKEEP_CASES=$((20 * LAMPKEEP_CASES)) run --release --test engine -- protect::short || failed=1
# Takes: 100 000 short streams where 50 is set. Without the optimiser 0.6 s for 100.
LAMPKEEP_CASES=$((20 * LAMPKEEP_CASES)) run --release --test engine -- takes::short || failed=1
# Circuits and soft starts: 100 800 streams and gaps each where 50 is set. Without the optimiser 0.9 s for 24 each.
LAMPKEEP_CASES=$((84 * LAMPKEEP_CASES)) run --release --test engine -- load:: soft:: || failed=1
# Floors: 50 000 rows of fades and 50 000 of nudges where 50 is set. Without the optimiser 8 s for 40 each, some of it
# for tests that have no random cases.
LAMPKEEP_CASES=$((25 * LAMPKEEP_CASES)) run --release --test engine -- floors:: || failed=1
exit "$failed"

#!/usr/bin/env bash
# The properties of the engine and its guards with many more cases than every day, two and a half hours on two cores.
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
# The guards one by one, through the whole engine: 27 s where 1 is set, nearly all of it `protect::whatever`, a
# second a case; about 20 minutes where 50 is set.
run --release --test engine -- protect::whatever load:: soft:: floors:: motions:: restart:: || failed=1
# 100 000 short streams and restarts past the identity guard where 50 is set: 114 s for 2000, on one core; about 95
# minutes for all.
LAMPKEEP_CASES=$((20 * LAMPKEEP_CASES)) run --release --test engine -- protect::short || failed=1
exit "$failed"

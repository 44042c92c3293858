#!/usr/bin/env bash
# The request decoder against libFuzzer: a million inputs, a minute or two with the build.
# LAMPKEEP_FUZZ_RUNS is how many inputs, LAMPKEEP_FUZZ_SEED repeats a run. What was learned stays in
# target/fuzz/corpus; an input that fails is kept in target/fuzz and named at the end.
set -u -o pipefail
cd "$(dirname "$0")/../.." || exit 1
runs=${LAMPKEEP_FUZZ_RUNS:-1000000}
seed=${LAMPKEEP_FUZZ_SEED:-$((RANDOM * 32768 + RANDOM + 1))}
out=$PWD/target/fuzz

# Coverage as cargo-fuzz has it, on the stable compiler. No address sanitizer: the code under test has no `unsafe`.
flags="-Cpasses=sancov-module -Cllvm-args=-sanitizer-coverage-level=4 \
-Cllvm-args=-sanitizer-coverage-inline-8bit-counters -Cllvm-args=-sanitizer-coverage-pc-table \
-Cllvm-args=-sanitizer-coverage-trace-compares -Cllvm-args=-simplifycfg-branch-fold-threshold=0 --cfg fuzzing"
host=$(rustc -vV | sed -n 's/^host: //p')
# With a target named the flags are not for build scripts and macros.
RUSTC_BOOTSTRAP=1 RUSTFLAGS="$flags" CARGO_TARGET_DIR="$out/build" \
    cargo build --locked --release --manifest-path tests/fuzz/Cargo.toml --target "$host" || exit 1

mkdir -p "$out/corpus" "$out/seeds" || exit 1
number=0
while IFS= read -r line; do
    number=$((number + 1))
    printf '%s' "$line" >"$out/seeds/$number"
done <tests/fuzz/seeds.txt

log=$out/request.log
"$out/build/$host/release/request" "$out/corpus" "$out/seeds" -runs="$runs" -seed="$seed" -max_len=17000 \
    -len_control=10 -timeout=5 -rss_limit_mb=1024 -dict=tests/fuzz/request.dict -artifact_prefix="$out/" \
    -print_final_stats=1 >"$log" 2>&1
code=$?
done_runs=$(sed -n 's/^stat::number_of_executed_units: *//p' "$log")
rate=$(sed -n 's/^stat::average_exec_per_sec: *//p' "$log")
if [ $code != 0 ]; then
    tail -n 40 "$log"
    echo "request decoder: an input failed, with seed $seed: the file is named above"
    exit 1
fi
echo "request decoder: ${done_runs:-0} inputs, ${rate:-?} a second, seed $seed," \
    "$(find "$out/corpus" -type f | wc -l) inputs in the corpus: nothing failed"
[ "${done_runs:-0}" -ge "$runs" ]

#!/usr/bin/env bash
# What reads the outside against libFuzzer: ten million inputs in all, each target its share (tests/fuzz).
# LAMPKEEP_FUZZ_RUNS is how many inputs in all, LAMPKEEP_FUZZ_TARGETS which targets (all; each has its share of all),
# LAMPKEEP_FUZZ_SEED repeats a run, LAMPKEEP_FUZZ_WITHIN is how many seconds one input may take (5). What was learned
# stays in target/fuzz/corpus; an input that fails is kept in target/fuzz and named at the end: it belongs into the
# seeds (tests/fuzz/seeds, tests/fuzz/seeds.rs), which are tried every day, once the fault is mended.
set -u -o pipefail
cd "$(dirname "$0")/../.." || exit 1
runs=${LAMPKEEP_FUZZ_RUNS:-10000000}
seed=${LAMPKEEP_FUZZ_SEED:-$((RANDOM * 32768 + RANDOM + 1))}
within=${LAMPKEEP_FUZZ_WITHIN:-5}
out=$PWD/target/fuzz

# Target, its share of all inputs in thousandths, longest input in bytes. Shares: what reads bytes from anywhere most;
# a plan or an engine takes a thousand times as long for an input as a request.
shares="request 300 17000
device 150 4096
ies 130 4096
typed 120 512
reckon 90 4096
mqtt 90 2048
spectrum 40 4096
status 40 20000
state 15 60000
import 12 40000
engine 8 30000
plan 5 12000"

# Coverage as cargo-fuzz has it, on the stable compiler. No address sanitizer: the code under test has no `unsafe`.
flags="-Cpasses=sancov-module -Cllvm-args=-sanitizer-coverage-level=4 \
-Cllvm-args=-sanitizer-coverage-inline-8bit-counters -Cllvm-args=-sanitizer-coverage-pc-table \
-Cllvm-args=-sanitizer-coverage-trace-compares -Cllvm-args=-simplifycfg-branch-fold-threshold=0 --cfg fuzzing"
host=$(rustc -vV | sed -n 's/^host: //p')
# With a target named the flags are not for build scripts and macros.
RUSTC_BOOTSTRAP=1 RUSTFLAGS="$flags" CARGO_TARGET_DIR="$out/build" \
    cargo build --locked --release --manifest-path tests/fuzz/Cargo.toml --target "$host" || exit 1
built=$out/build/$host/release

rm -rf "$out/seeds" "$out/tmp"
mkdir -p "$out/corpus" "$out/tmp" || exit 1
"$built/seeds" . "$out/seeds" || exit 1
# Files that an input is laid out as are written by the thousand: into memory, where there is such a place.
TMPDIR=$(mktemp -d -p /dev/shm lampkeep-fuzz.XXXXXX 2>/dev/null || echo "$out/tmp")
export TMPDIR
trap 'rm -rf "$TMPDIR"' EXIT

all=0
while read -r target share longest; do
    case " ${LAMPKEEP_FUZZ_TARGETS:-$target} " in *" $target "*) ;; *) continue ;; esac
    wanted=$((runs * share / 1000))
    dict=()
    [ -e "tests/fuzz/dicts/$target.dict" ] && dict=("-dict=tests/fuzz/dicts/$target.dict")
    mkdir -p "$out/corpus/$target"
    log=$out/$target.log
    from=$SECONDS
    "$built/$target" "$out/corpus/$target" "$out/seeds/$target" -runs="$wanted" -seed="$seed" -max_len="$longest" \
        -len_control=10 -timeout="$within" -rss_limit_mb=1024 -malloc_limit_mb=256 "${dict[@]}" \
        -artifact_prefix="$out/$target-" -print_final_stats=1 >"$log" 2>&1
    code=$?
    done_runs=$(sed -n 's/^stat::number_of_executed_units: *//p' "$log")
    if [ $code != 0 ]; then
        tail -n 40 "$log"
        echo "$target: an input failed, with seed $seed: the file is named above"
        exit 1
    fi
    seconds=$((SECONDS - from))
    echo "$target: ${done_runs:-0} inputs in $seconds s," \
        "$(sed -n 's/^stat::average_exec_per_sec: *//p' "$log") a second," \
        "$(find "$out/corpus/$target" -type f | wc -l) inputs in the corpus," \
        "$(sed -n 's/^stat::peak_rss_mb: *//p' "$log") MB: nothing failed"
    [ "${done_runs:-0}" -ge "$wanted" ] || exit 1
    all=$((all + done_runs))
done <<<"$shares"
echo "in all: $all inputs in $SECONDS s, seed $seed"

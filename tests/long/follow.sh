#!/usr/bin/env bash
# The followed status under tmux at three sizes: normal, warning, a take that rolls, a protected face, the daemon gone and
# back. Captures are kept in target/follow for a person to look at; what must be seen in each is looked for here.
# LAMPKEEP: the binary; built for debugging where it is not set.
set -u -o pipefail
cd "$(dirname "$0")/../.." || exit 1
. tests/packages.sh
mkdir -p target/follow
if ! command -v tmux >/dev/null; then
    packages target/follow/apt.log tmux || { echo "NOT RUN: there is no tmux"; exit 77; }
fi
lampkeep=${LAMPKEEP:-}
if [ -z "$lampkeep" ]; then
    cargo build --locked || exit 1
    lampkeep=target/debug/lampkeep
fi
lampkeep=$(realpath "$lampkeep")
out=$PWD/target/follow
work=$(mktemp -d)
daemon=0
failed=0
export LAMPKEEP_SOCKET=$work/s.sock LAMPKEEP_STATE=$work/state LC_ALL=C.UTF-8
sizes="80x24 120x40 60x20"

in_tmux() { tmux -L "lampkeep-$$" -f /dev/null "$@"; }
# Each daemon is ended by its own id, the terminals by their own server.
stop() {
    [ "$daemon" = 0 ] || kill -9 "$daemon" 2>/dev/null
    wait "$daemon" 2>/dev/null
    daemon=0
}
trap 'stop; in_tmux kill-server 2>/dev/null; rm -rf "$work"' EXIT

start() {
    # Word splitting: none or one option.
    "$lampkeep" run "$work/plan.toml" ${1---simulate} >"$work/log" 2>&1 &
    daemon=$!
    for _ in $(seq 100); do
        "$lampkeep" status >/dev/null 2>&1 && return
        sleep 0.1
    done
    echo "the daemon does not answer"; cat "$work/log"; exit 1
}

# capture NAME WORDS...: each size once, and every word in it.
capture() {
    local name=$1
    shift
    # The word on the last key stays six seconds.
    sleep "${pause:-2}"
    for size in $sizes; do
        in_tmux capture-pane -p -t "$size" >"$out/$name-$size.txt"
        in_tmux capture-pane -e -p -t "$size" >"$out/$name-$size.ansi"
        for word in "$@"; do
            grep -qF -- "$word" "$out/$name-$size.txt" && continue
            echo "$name at $size does not show: $word"
            failed=1
        done
    done
}

cp config/pilot-station.toml "$work/plan.toml"
cp -r config/kit.toml config/profiles "$work/"
start
for size in $sizes; do
    in_tmux new-session -d -s "$size" -x "${size%x*}" -y "${size#*x}" \
        "NO_COLOR=${NO_COLOR:-} $lampkeep status --follow"
done
"$lampkeep" recall pilot-triangle --over 0s >/dev/null
capture normal pilot-station "nothing needs attention" "clock lamp" "7:30  key" "n  next"
in_tmux send-keys -t 80x24 n
capture key "step 2 of 11"
"$lampkeep" take start 4 >/dev/null
pause=7 capture take "TAKE 4/1 ROLLS" "dark (asks first)"
for size in $sizes; do in_tmux send-keys -t "$size" d; done
capture asks "dark while take 4/1 rolls?"
for size in $sizes; do in_tmux send-keys -t "$size" x; done
"$lampkeep" take end >/dev/null
# Kept by then.
sleep 1
stop
pause=7 capture gone "no daemon answers" "when last heard"
start
pause=7 capture back "nothing needs attention"
"$lampkeep" recall pilot-triangle --over 0s >/dev/null
"$lampkeep" protect on >/dev/null
capture protected "a face is protected" UNPLUG
# An interface that is not there, with lamps whose heat nobody has stated on it.
stop
sed -i '0,/kind = "simulator"/s//kind = "raw"\nport = "\/dev\/not-there"/' "$work/plan.toml"
start ""
"$lampkeep" recall harbour-loop --over 0s >/dev/null
pause=7 capture warning "does not send" "front-rail DOWN"
for size in $sizes; do in_tmux send-keys -t "$size" q; done
sleep 1
[ "$failed" = 0 ] && echo "captures of $sizes are in target/follow"
exit "$failed"

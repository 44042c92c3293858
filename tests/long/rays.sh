#!/usr/bin/env bash
# The face's renderer against Embree, a general-purpose ray library: what rays meet, and the light there.
set -u -o pipefail
cd "$(dirname "$0")/../.." || exit 1
venv=target/rays/venv
mkdir -p target/rays
if ! "$venv/bin/python" -c "import embreex" 2>/dev/null; then
    python3 -m venv "$venv" && "$venv/bin/pip" install -q "embreex>=4.4,<5" "numpy>=1.26,<3" >target/rays/pip.log 2>&1 ||
        { echo "NOT RUN: embreex cannot be had"; tail -n 3 target/rays/pip.log; exit 77; }
fi
cargo test --locked --release --test pictures_rays -- --ignored --nocapture || exit 1
"$venv/bin/python" tests/long/rays.py

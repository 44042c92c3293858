#!/usr/bin/env bash
# Every picture that the documents show, drawn anew: the same bytes. The drawing of the set alone is compared every day
# (tests/docs).
# LAMPKEEP: the binary; built for debugging where it is not set.
set -u -o pipefail
cd "$(dirname "$0")/../.." || exit 1
lampkeep=${LAMPKEEP:-}
if [ -z "$lampkeep" ]; then
    cargo build --locked || exit 1
    lampkeep=target/debug/lampkeep
fi
drawn=$(mktemp -d)
trap 'rm -rf "$drawn"' EXIT
for look in pilot-triangle quay-dusk night-watch unseen-pilot; do
    "$lampkeep" draw config/pilot-station.toml --look "$look" --size 400 --out "$drawn" >"$drawn/said" || exit 1
done
failed=0 compared=0
for picture in docs/pictures/*; do
    cmp "$drawn/$(basename "$picture")" "$picture" || failed=1
    compared=$((compared + 1))
done
echo "  $compared pictures compared"
[ "$failed" = 0 ] && [ "$compared" -gt 0 ]

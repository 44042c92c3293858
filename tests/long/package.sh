#!/usr/bin/env bash
# The Debian package: built twice to the same bytes, read by lintian, then in a clean Debian with systemd as its first
# process (a guest of QEMU's; tests/package/guest) installed, run, crashed, stuck, upgraded in a take, removed, purged;
# then, in a clean root, the newcomer's ten minutes by docs/getting-started.md alone. About eight minutes and a release
# build.
# LAMPKEEP_BINARY: pack this one instead of building.
set -u -o pipefail
cd "$(dirname "$0")/../.." || exit 1
. tests/packages.sh
work=target/package
mkdir -p "$work"
bad=0

binary=${LAMPKEEP_BINARY:-}
if [ -z "$binary" ]; then
    from=$SECONDS
    cargo build --release --locked --bin lampkeep || exit 1
    binary=target/release/lampkeep
    echo "   release build: $((SECONDS - from)) s on $(nproc) processors, $(sed -n 's/^model name.*: //p' /proc/cpuinfo | head -n 1)"
fi
for n in 1 2; do
    systemd/debian/build --binary "$binary" --revision $n --out "$work/$n" >"$work/build.log" || { cat "$work/build.log"; exit 1; }
done
systemd/debian/build --binary "$binary" --revision 1 --out "$work/again" >>"$work/build.log" || exit 1
first=$(ls "$work"/1/lampkeep_*.deb) second=$(ls "$work"/2/lampkeep_*.deb)
cmp "$first" "$work/again/$(basename "$first")" && echo "   the same bytes from the same checkout" || bad=1
ls -l "$first" | awk '{ printf "   %s: %.1f MB\n", $9, $5 / 1e6 }'

command -v lintian >/dev/null || packages "$work/apt.log" lintian
if command -v lintian >/dev/null; then
    lintian --allow-root --fail-on error,warning,info --display-info --show-overrides "$first" || bad=1
else
    echo "   NOT RUN: lintian cannot be had"
fi

tests/package/root "$work/guest" || exit
tests/package/guest "$work/guest" tests/package/service.sh "$first" "$second" tests/package/plan.toml || bad=1
python3 tests/package/newcomer.py docs/getting-started.md >"$work/newcomer.sh" || exit 1
cp "$first" "$work/lampkeep.deb"
# A message every 25 ms, 518 bytes each: minutes of them, by the real driver.
echo "   the interface was sent $(($(stat -c %s "$work/guest/dmx") / 518)) messages"
[ "$(stat -c %s "$work/guest/dmx")" -gt $((518 * 1000)) ] || bad=1
echo "   the newcomer's ten minutes, step by step, in a clean root without hardware"
tests/package/clean "$work/guest" "$work/newcomer.sh" "$work/lampkeep.deb" || bad=1
exit $bad

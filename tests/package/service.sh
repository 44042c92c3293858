#!/bin/bash
# What must hold of the installed package, checked by root in the guest (tests/package/guest) under a real service
# manager: installed, run with and without a plan, crashed, stuck, upgraded in a take, removed, purged. Two packages
# are given, of the same program and two revisions.
set -u
export LC_ALL=C DEBIAN_FRONTEND=noninteractive NO_COLOR=1
first=$(ls /given/lampkeep_*-1_*.deb) second=$(ls /given/lampkeep_*-2_*.deb)
failed=0

holds() { # holds WHAT COMMAND...: the command ends with 0
    local said
    if said=$("${@:2}" 2>&1); then
        echo "ok      $1"
    else
        echo "FAILED  $1: $said"
        failed=1
    fi
}
is() { # is WHAT FOUND EXPECTED
    if [ "$2" = "$3" ]; then echo "ok      $1"; else
        echo "FAILED  $1: $2, not $3"
        failed=1
    fi
}
has() { # has WHAT TEXT PART
    if [[ $2 == *"$3"* ]]; then echo "ok      $1"; else
        echo "FAILED  $1: no '$3' in: $2"
        failed=1
    fi
}
within() { # within SECONDS COMMAND...: soon it ends with 0
    local end=$((SECONDS + $1))
    until "${@:2}" >/dev/null 2>&1; do
        [ $SECONDS -lt $end ] || return 1
        sleep 0.2
    done
}
of() { systemctl show --property "$1" --value "${2:-lampkeep.service}"; }
# A value of the status, by its place in the JSON that people read: `now look`.
status() { # status SET FIELD: the first of that name
    lampkeep --set "$1" status --json | sed -n "s/^ *\"$2\": \(.*[^,]\),\{0,1\}$/\1/p" | head -n 1
}
install() { apt-get install --yes --no-install-recommends --allow-downgrades "$@" 2>&1; }
active() { [ "$(of ActiveState "${1:-lampkeep.service}")" = active ]; }

echo "== installed"
said=$(install "$first") || { echo "$said"; exit 1; }
is "nothing is started by itself" "$(of ActiveState)" inactive
is "nothing is enabled by itself" "$(systemctl is-enabled lampkeep)" disabled
has "the service's user may open serial ports" "$(id -nG lampkeep)" dialout
is "the folder of plans belongs to the group" "$(stat -c '%U:%G %a' /etc/lampkeep)" "root:lampkeep 2775"
is "the units are as systemd wants them" "$(systemd-analyze verify lampkeep.service lampkeep@x.service 2>&1)" ""
for page in lampkeep lampkeep-recall; do holds "man $page" man -w "$page"; done
holds "bash completes" bash -c '. /usr/share/bash-completion/completions/lampkeep; complete -p lampkeep'
holds "the examples are good plans" lampkeep check /usr/share/doc/lampkeep/examples/pilot-station.toml
holds "its licences are told" bash -c 'zcat /usr/share/doc/lampkeep/licences.gz | grep "^serde " >/dev/null'

echo "== started without a plan"
holds "it does not start" bash -c '! systemctl start lampkeep'
is "and is not started again and again" "$(of NRestarts)" 0
has "the log says what is missing" "$(journalctl -u lampkeep -o cat)" /etc/lampkeep/plan.toml
systemctl reset-failed lampkeep

echo "== started with a plan, on the USB interface of the guest"
within 10 test -e /dev/ttyUSB0
is "the port belongs to the group of serial ports" "$(stat -c '%U:%G %a' /dev/ttyUSB0)" "root:dialout 660"
cp /given/plan.toml /etc/lampkeep/plan.toml
chgrp lampkeep /etc/lampkeep/plan.toml
from=$(cut -d ' ' -f 1 /proc/uptime)
holds "it starts and says when it is ready" systemctl enable --now lampkeep
echo "        $(echo "$(cut -d ' ' -f 1 /proc/uptime) $from" | awk '{ printf "%.2f s from the command to ready", $1 - $2 }')"
pid=$(of MainPID)
# The status is some tenths of a second behind the first frame.
driven() { [ "$(status pier state)" = '"up"' ]; }
within 5 driven
is "the interface is driven" "$(status pier state)" '"up"'
is "senders have real-time priority" "$(status pier priority)" 40
is "memory is locked" "$(status pier memory_locked)" true
is "no capability is left" "$(awk '/^CapEff/ { print $2 }' "/proc/$pid/status")" 0000000000000000
is "system calls are filtered" "$(awk '/^Seccomp:/ { print $2 }' "/proc/$pid/status")" 2
holds "a filtered call killed or refused nothing that it says" bash -c '! journalctl -u lampkeep -o cat -p warning | grep -i "not permitted"'
holds "users are its own" bash -c "! grep 4294967295 /proc/$pid/uid_map"
is "the watchdog is on" "$(of WatchdogUSec)" 10s
lampkeep recall quay-dusk --over 0s
holds "a kept look is written beside the plan" lampkeep keep low-tide
is "as a file of the service's user" "$(stat -c %U /etc/lampkeep/plan.looks/low-tide.toml)" lampkeep
holds "an operator of the group may ask" bash -c 'usermod -aG lampkeep pilot && su pilot -c "lampkeep recall quay-dusk"'
holds "nobody else may" bash -c '! su -s /bin/sh nobody -c "lampkeep status"'
holds "a reload takes a changed plan" bash -c 'sed -i "s/^fade = .*/fade = \"3 s\"/" /etc/lampkeep/plan.toml && systemctl reload lampkeep && sleep 1 && journalctl -u lampkeep -o cat | grep -q "^.*reload: "'

echo "== several sets"
for set in east west; do sed -e "s/^name = .*/name = \"$set\"/" -e 's/^kind = .*/kind = "simulator"/' -e '/^port/d' /given/plan.toml >/etc/lampkeep/$set.toml; done
holds "two more start" systemctl start lampkeep@east lampkeep@west
lampkeep --set east recall quay-dusk --over 0s
is "each answers to its name" "$(status east look) $(status west look)" '"quay-dusk" "dark"'
holds "one stops" systemctl stop lampkeep@east
is "and takes no other's socket away" "$(status pier look) $(status west look)" '"quay-dusk" "dark"'

echo "== the engine is stuck"
engine=$(grep -lx engine /proc/"$pid"/task/*/comm | cut -d / -f 5)
# ptrace(2): seize, interrupt; then wait until it is killed. perl tells a stop as 0.
perl -e 'my $id = $ARGV[0] + 0;
    syscall(101, 0x4206, $id, 0, 0) == 0 && syscall(101, 0x4207, $id, 0, 0) == 0 or die "ptrace: $!";
    while (waitpid($id, 0x40000000) == $id) { last if $? }' "$engine" &
stuck=$SECONDS
holds "the doors are open and the light stands" test -S /run/lampkeep/pier.sock
holds "it is started again" within 30 bash -c "[ \"\$(systemctl show -p NRestarts --value lampkeep)\" = 1 ] && [ \"\$(systemctl is-active lampkeep)\" = active ]"
echo "        $((SECONDS - stuck)) s after it stood still"
has "for the watchdog" "$(journalctl -u lampkeep -o cat)" "Watchdog timeout"
has "and the log told before" "$(journalctl -u lampkeep -o cat)" "the engine has worked out no frame for"
is "with its light" "$(status pier look)" '"quay-dusk"'
kill %1 2>/dev/null
wait 2>/dev/null

echo "== a crash, and crashes without an end"
kill -KILL "$(of MainPID)"
holds "it is started again" within 10 bash -c "[ \"\$(systemctl show -p NRestarts --value lampkeep)\" = 2 ] && [ \"\$(systemctl is-active lampkeep)\" = active ]"
is "with its light" "$(status pier look)" '"quay-dusk"'
for _ in 1 2 3; do
    pid=$(of MainPID)
    # A service that is down has process 0, and `kill 0` would be the end of this script.
    [ "$pid" = 0 ] || kill -KILL "$pid"
    sleep 3
done
is "after three in five minutes a person must look" "$(of ActiveState)" failed
systemctl reset-failed lampkeep
systemctl start lampkeep

echo "== upgraded"
lampkeep --set pier recall quay-dusk --over 0s
sleep 4
holds "a take rolls" lampkeep --set pier take start 4
pid=$(of MainPID) frames=$(status pier frames) slots=$(lampkeep --set pier status | grep '^key ')
said=$(install "$second") || failed=1
has "told: it goes on as it runs" "$said" "goes on as it runs, with the version before, so that no light changes: pier: take 4/1 rolls"
is "the process is the same" "$(of MainPID)" "$pid"
is "the take rolls" "$(status pier take)" '"4/1"'
is "the light is the same" "$(lampkeep --set pier status | grep '^key ' | awk '{ print $NF, $(NF - 1) }')" "$(awk '{ print $NF, $(NF - 1) }' <<<"$slots")"
is "the output was not opened again" "$(status pier reopened)" 0
holds "frames go on" test "$(status pier frames)" -gt "$frames"
# A lamp that was lit a minute ago is cold, here as anywhere; nothing else was unsteady.
has "and the take was sent steady" "$(lampkeep --set pier take end good)" "not steady: a lamp cold: key (lit for"
install --reinstall "$second" >/dev/null
is "lit, it goes on too" "$(of MainPID)" "$pid"
lampkeep --set pier dark --now
sleep 1
systemctl stop lampkeep@west
install --reinstall "$second" >/dev/null
holds "dark, it is restarted" bash -c "[ \"\$(systemctl show -p MainPID --value lampkeep)\" != $pid ] && systemctl is-active lampkeep"
has "its takes are there" "$(lampkeep --set pier take list)" 4/1

echo "== removed"
sleep 1
said=$(apt-get remove --yes lampkeep 2>&1) || { echo "FAILED  $said"; failed=1; }
holds "no daemon is left" bash -c '! pidof lampkeep'
holds "no program is left" test ! -e /usr/bin/lampkeep
holds "takes and plans are" test -e /var/lib/lampkeep/pier/journal.db -a -e /etc/lampkeep/plan.toml -a -e /etc/lampkeep/plan.looks/low-tide.toml
install "$second" >/dev/null
is "installed again it is enabled as before" "$(systemctl is-enabled lampkeep)" enabled
is "and not started by itself" "$(of ActiveState)" inactive
holds "and goes on with its log" bash -c 'systemctl start lampkeep && lampkeep --set pier take list | grep 4/1'

echo "== purged"
said=$(apt-get purge --yes lampkeep 2>&1) || { echo "FAILED  $said"; failed=1; }
has "told what is left" "$said" "left where they are: takes, plans, what protects faces. Whoever wants none of it: rm -r /var/lib/lampkeep /etc/lampkeep"
holds "takes and plans" test -e /var/lib/lampkeep/pier/journal.db -a -e /etc/lampkeep/plan.toml
holds "nothing of simulated sets" test ! -e /var/lib/lampkeep/east.simulated
is "no unit, rule or socket" "$(ls -d /usr/lib/systemd/system/lampkeep* /usr/lib/udev/rules.d/*lampkeep* /run/lampkeep /etc/systemd/system/*/lampkeep* /var/lib/systemd/deb-systemd-helper-enabled/*lampkeep* 2>/dev/null)" ""
rm -r /var/lib/lampkeep /etc/lampkeep
install "$second" >/dev/null
said=$(apt-get purge --yes lampkeep 2>&1)
holds "a purge of what was never used leaves no folder" test ! -e /var/lib/lampkeep -a ! -e /etc/lampkeep

echo
exit $failed

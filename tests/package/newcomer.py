#!/usr/bin/env python3
"""Turns docs/getting-started.md into a script for a clean root: its commands in their order, each timed.

Nothing is added but what a reader does without being told: the folder for the shoot, a second terminal for what comes
after the daemon, the wait for a line that is shown. Of the two ways to install it takes the package's. Answers are
typed as the document shows them, behind each prompt.

There is no service manager in a clean root: that the service starts is checked in the guest (service.sh).

    newcomer.py docs/getting-started.md > script
"""

import re
import shlex
import sys

# The way not taken, what needs a service manager, and what is for the day after (the login that makes a new group
# count).
SKIPPED = ("cargo build", "sudo install -m 755 target/", "sudo systemctl", "sudo usermod")
# Words a minute of somebody who reads to understand. Judgement: slow reading, common practice, no source.
READ = 150


def blocks(text):
    """Each block of a terminal: its lines."""
    return [block.splitlines() for block in re.findall(r"^```console\n(.*?)^```", text, re.M | re.S)]


def commands(lines):
    """Each command of a block with the lines shown after it."""
    found = []
    for line in lines:
        if line.startswith("$ "):
            found.append((line[2:].strip(), []))
        elif found:
            found[-1][1].append(line)
    return found


def typed(shown):
    """What the reader types: what stands behind a prompt's brackets, empty for Enter. Questions that are left out take
    Enter too; there is one before each `…`."""
    answers = []
    for line in shown:
        prompt = re.search(r"\[[^\]]*\]: ?(.*)$", line)
        if prompt:
            answers.append(prompt.group(1).strip())
    return answers


def main():
    text = open(sys.argv[1], encoding="utf-8").read()
    words = len(re.findall(r"\w+", re.sub(r"```.*?```", "", text, flags=re.S)))
    print(PROLOGUE.replace("WORDS", str(words)).replace("READ", f"{words / READ:.1f}"))
    steps = 0
    for lines in blocks(text):
        for command, shown in commands(lines):
            if command.startswith(SKIPPED):
                continue
            steps += 1
            command = command.replace("./lampkeep.deb", "/given/lampkeep.deb")
            if command.startswith("lampkeep run"):
                print(f"background {shlex.quote(command)} 'every output has sent its first frame'")
            elif command.startswith("lampkeep new"):
                print(f"answered {shlex.quote(command)} {shlex.quote(chr(10).join(typed(shown)))}")
            else:
                print(f"step {shlex.quote(command)}")
    print(EPILOGUE)
    return 0 if steps >= 10 else "too few commands were found: has the document changed its form?"


PROLOGUE = r"""#!/bin/bash
# Made by tests/package/newcomer.py.
set -u
export LC_ALL=C NO_COLOR=1
failed=0 began=$(cut -d ' ' -f 1 /proc/uptime)
# What a login gives (pam_systemd), and the folder for the shoot.
install -d -o pilot -g pilot -m 700 /run/user/1000 /home/pilot/shoot
now() { cut -d ' ' -f 1 /proc/uptime; }
pilot() { su pilot -c "cd /home/pilot/shoot && export XDG_RUNTIME_DIR=/run/user/1000 DEBIAN_FRONTEND=noninteractive && $1"; }
told() { # told FROM CODE COMMAND OUTPUT
    printf '%7.2f s  $ %s\n' "$(echo "$(now) $1" | awk '{ print $1 - $2 }')" "$3"
    if [ "$2" != 0 ]; then failed=1; echo "FAILED, $2:"; fi
    { [ "$2" = 0 ] && tail -n 3 "$4" || tail -n 40 "$4"; } | cut -c 1-110 | sed 's/^/             /'
}
step() { local from code; from=$(now); pilot "$1" >/tmp/out 2>&1 </dev/null; code=$?; told "$from" $code "$1" /tmp/out; }
answered() { local from code; from=$(now); printf '%s\n' "$2" "" "" "" "" "" "" "" "" | pilot "$1" >/tmp/out 2>&1; code=$?; told "$from" $code "$1" /tmp/out; }
background() {
    local from; from=$(now)
    : >/tmp/background
    pilot "$1" >>/tmp/background 2>&1 </dev/null &
    for _ in $(seq 100); do grep -q "$2" /tmp/background && break; sleep 0.05; done
    grep -q "$2" /tmp/background
    told "$from" $? "$1   (first terminal)" /tmp/background
}
echo "the document has WORDS words beside its examples: about READ min to read"
"""

EPILOGUE = r"""
echo
printf '%7.2f s  in all, without reading and typing\n' "$(echo "$(now) $began" | awk '{ print $1 - $2 }')"
holds() { if "${@:2}" >/dev/null 2>&1; then echo "ok      $1"; else echo "FAILED  $1"; failed=1; fi; }
holds "a look was recalled in the simulator, and came back" test "$(grep -c 'simulate=true\|softer .* fading\|first .* fading' /tmp/background)" -ge 4
holds "all three lamps are in the plan" grep -q 'first .* 3 lamps' /tmp/background
holds "what was kept is there" test -e /home/pilot/shoot/interview.looks/softer.toml
holds "the plan is where the service takes it" cmp /home/pilot/shoot/interview.toml /etc/lampkeep/plan.toml
kill %1 2>/dev/null
exit $failed
"""

if __name__ == "__main__":
    sys.exit(main())

#!/usr/bin/env python3
"""Holds what the daemon really calls, by strace, against the filter of its unit, as systemd-analyze spells it out.

    syscalls.py BINARY      a run with a serial port (a pseudo-terminal), the network, a broker that is not there, kept
                            looks, a reload, a take, real-time priority and locked memory as root gets them

Ends with 1 if a call would be refused that is not known for it, 77 where strace or systemd-analyze is missing.
"""

import os
import pathlib
import pty
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time

# Refused in the sandbox, and meant to be: it reads whether the clock is kept right, and could set it too.
# The daemon takes systemd-timesyncd's word then (src/clock.rs).
REFUSED = {"adjtimex", "clock_adjtime"}
# SQLite gives its files to the folder's owner when it runs as root, and only then (its os_unix.c, robustFchown).
if os.geteuid() == 0:
    REFUSED.add("fchown")

PLAN = """
name = "traced"
fade = "0 s"
[camera.main]
iso = 800
f-number = 2.8
shutter = "1/50"
[output.desk]
kind = "framed"
port = "{port}"
[output.raw]
kind = "raw"
port = "{raw}"
universe = 4
[output.net]
kind = "e131"
universes = "2-3"
[mqtt]
host = "127.0.0.1"
port = 1
[fixture.key]
profile = "bicolour-mat"
output = "desk"
address = 1
clock = "7:30"
distance = "1.5 m"
[fixture.fill]
profile = "bicolour-mat"
universe = 2
output = "net"
address = 1
clock = "4:30"
distance = "1.5 m"
[look.quay-dusk]
key = {{ stops = -1 }}
fill = {{ stops = -2 }}
"""


def groups():
    """Every group of system calls by its name, as systemd knows them."""
    text = subprocess.check_output(["systemd-analyze", "syscall-filter", "--no-pager"], text=True, stderr=subprocess.DEVNULL)
    found, name = {}, None
    for line in text.splitlines():
        word = line.strip()
        if line.startswith("@"):
            name = word
            found[name] = []
        elif word and not word.startswith("#") and name:
            found[name].append(word)
    return found


def calls(words, known):
    """The calls of a list of calls and groups."""
    return {c for w in words for c in (calls(known[w], known) if w.startswith("@") else [w])}


def allowed(unit):
    """What the unit's filter lets through, line after line as systemd.exec(5) has it."""
    known, through = groups(), set()
    for line in re.findall(r"^SystemCallFilter=(.*)$", unit, re.M):
        taken = line.startswith("~")
        named = calls(line.lstrip("~").split(), known)
        through = through - named if taken else through | named
    return through


def terminal():
    """A pseudo-terminal whose far end is read and thrown away; the path of the near one."""
    near, far = pty.openpty()
    threading.Thread(target=lambda: [None for _ in iter(lambda: os.read(near, 4096), b"")], daemon=True).start()
    return os.ttyname(far)


def main():
    binary = os.path.abspath(sys.argv[1])
    for tool in ("strace", "systemd-analyze"):
        if not shutil.which(tool):
            print(f"   NOT RUN: {tool} is missing")
            return 77
    unit = pathlib.Path("systemd/lampkeep.service").read_text()
    with tempfile.TemporaryDirectory() as folder:
        env = {"PATH": os.environ["PATH"], "LAMPKEEP_SOCKET": f"{folder}/s.sock", "LAMPKEEP_STATE": f"{folder}/state"}
        plan = pathlib.Path(folder, "plan.toml")
        plan.write_text(PLAN.format(port=terminal(), raw=terminal()))
        notify = {"NOTIFY_SOCKET": f"{folder}/nobody", "WATCHDOG_USEC": "400000"}
        trace = f"{folder}/trace"
        command = ["strace", "-f", "-qq", "-o", trace, binary, "run", str(plan)]
        daemon = subprocess.Popen(command, env=env | notify, stderr=subprocess.PIPE, text=True)
        log = []
        threading.Thread(target=lambda: log.extend(daemon.stderr), daemon=True).start()

        def ask(*words):
            said = subprocess.run([binary, *words], env=env, capture_output=True, text=True, timeout=30)
            if said.returncode:
                raise SystemExit(f"{words}: {said.stdout}{said.stderr}{''.join(log)}")
            return said.stdout

        for _ in range(300):
            if os.path.exists(f"{folder}/s.sock"):
                break
            time.sleep(0.05)
        time.sleep(1)
        for words in ("recall quay-dusk", "keep low-tide", "take start", "take end good", "reload", "take list", "protect on", "dark"):
            ask(*words.split())
        time.sleep(1.5)
        for line in pathlib.Path(trace).read_text().splitlines()[:1]:
            tracee = int(line.split()[0])
        os.kill(tracee, signal.SIGTERM)
        daemon.wait(30)
        seen = {}
        for line in pathlib.Path(trace).read_text().splitlines():
            call = re.match(r"\d+ +(\w+)\((.*)", line)
            if call:
                seen.setdefault(call[1], call[2][:60])
    # What the manager does before the filter is in force.
    through = allowed(unit) | {"execve"}
    refused = {name: how for name, how in seen.items() if name not in through}
    for name, how in sorted(refused.items()):
        known = "known, and not needed in the service" if name in REFUSED else "NOT ALLOWED by systemd/lampkeep.service"
        print(f"   {name}({how}: {known}")
    used = [c for c in ("sched_setscheduler", "mlockall", "ioctl", "sendmmsg", "fdatasync", "fsync", "connect") if c in seen]
    print(f"   {len(seen)} system calls used, {len(refused)} refused; among them {', '.join(used)}")
    return 0 if set(refused) <= REFUSED and {"sched_setscheduler", "mlockall", "ioctl", "connect"} <= set(used) else 1


if __name__ == "__main__":
    sys.exit(main())

"""Boots the guest, has lampkeep send to the emulated interface, pulls the plug, and checks what came out.

    guest.py WORK KERNEL INITRAMFS

Sources of what is expected: the plan beside this file, of linear lamps, by hand (80 % of 255 is 204); ANSI E1.11
(250 kbit/s, 8N2, break of 92 us or more; 176 us are asked); the requirement on the wire (frame back within 2 s of the plug's return);
the requirement on dimming (a lamp that may be dark comes up softly, every other standing frame goes out unchanged).
SET_DATA is 0x5008 for break on and 0x1008 for break off, 8N2: measured, Linux's ftdi_sio under QEMU 7.2.
"""
import bisect
import json
import os
import random
import re
import socket
import subprocess
import sys
import threading
import time

RATE = 40
PULLS = int(os.environ.get("LAMPKEEP_PULLS", "6"))
STEADY_S = float(os.environ.get("LAMPKEEP_STEADY_S", "8"))
SEED = int(os.environ.get("LAMPKEEP_SEED", str(os.getpid())))
BACK_WITHIN_S = 2.0
# Levels of the two lamps: 80 % and 40 %, 60 % and 20 % of 255.
WORK, EVENING = (204, 102), (153, 51)
PINNED = [(i * 7) % 251 for i in range(2, 511)]
# A lamp that may be dark comes up over 1 s; the rest is room for a busy machine.
SOFT_S, MAY_BE_DARK_S, SLACK_S = 1.0, 1.0, 1.0
PATIENCE_S = 240

failures = []


def check(holds, said):
    if not holds:
        failures.append(said)
        print(f"   WRONG: {said}", flush=True)
    return holds


def connect(path, guest):
    until = time.time() + 30
    while True:
        try:
            sock = socket.socket(socket.AF_UNIX)
            sock.connect(path)
            return sock
        except OSError:
            if time.time() > until or guest.poll() is not None:
                raise
            time.sleep(0.05)


class Stream(threading.Thread):
    """All that came out of the interface, and when."""

    def __init__(self, sock):
        super().__init__(daemon=True)
        self.sock, self.bytes, self.ends, self.times = sock, bytearray(), [], []
        self.start()

    def run(self):
        while True:
            try:
                part = self.sock.recv(65536)
            except OSError:
                return
            if not part:
                return
            now = time.time()
            self.bytes += part
            self.times.append(now)
            self.ends.append(len(self.bytes))

    def at(self, offset):
        """When the byte at this offset was read."""
        return self.times[bisect.bisect_right(self.ends, offset)]

    def wait_beyond(self, offset, patience=PATIENCE_S):
        until = time.time() + patience
        while len(self.bytes) <= offset:
            if time.time() > until:
                raise TimeoutError(f"nothing came out of the interface for {patience} s")
            time.sleep(0.002)


class Console:
    """The guest's shell, a command at a time."""

    def __init__(self, sock):
        self.sock, self.text = sock, b""
        sock.settimeout(PATIENCE_S)

    def until(self, mark):
        while True:
            found = re.search(mark, self.text)
            if found:
                before, self.text = self.text[: found.start()], self.text[found.end():]
                return before.decode(errors="replace"), found
            part = self.sock.recv(65536)
            if not part:
                raise ConnectionError("the guest's console ended")
            self.text += part

    def ask(self, command):
        self.sock.sendall(command.encode() + b"\n")
        text, found = self.until(rb"=end (\d+)\r?\n")
        return text.strip(), int(found[1])

    def need(self, command):
        text, code = self.ask(command)
        if code != 0:
            raise RuntimeError(f"in the guest, `{command}` ended with {code}: {text}")
        return text


class Monitor:
    """QEMU's machine protocol."""

    def __init__(self, sock):
        self.file = sock.makefile("rw")
        self.read()
        self.do("qmp_capabilities")

    def read(self):
        return json.loads(self.file.readline())

    def do(self, command, event=None, **arguments):
        self.file.write(json.dumps({"execute": command, "arguments": arguments}) + "\n")
        self.file.flush()
        answered = seen = False
        while not (answered and (seen or event is None)):
            said = self.read()
            if "error" in said:
                raise RuntimeError(f"{command}: {said['error']}")
            answered = answered or "return" in said
            seen = seen or said.get("event") == event


class Asked:
    """What the light was asked to be: at any time the least and the most level of each lamp."""

    def __init__(self):
        self.changes = []

    def change(self, before, levels, since, until):
        self.changes.append((before, levels, since - SLACK_S, until + SLACK_S))

    def bounds(self, lamp, t):
        levels = set()
        for before, after, since, until in self.changes:
            if t > until:
                levels = {after[lamp]}
            elif t >= since:
                levels |= {before[lamp], after[lamp]}
        return min(levels), max(levels)


def frames(stream, part, asked):
    """Looks at every byte of what came between two plugs; gives (raw frames, framed frames, left over)."""
    start, end, before = part
    at, counts, fill_before, first_at = start, [0, 0], None, None
    while at < end:
        framed = stream.bytes[at] == 0x7E
        head, tail = (bytes([0x7E, 6, 513 & 255, 513 >> 8, 0]), b"\xe7") if framed else (b"\0", b"")
        length = len(head) + 512 + len(tail)
        got = bytes(stream.bytes[at : min(at + length, end)])
        wanted = head + bytes([0] + PINNED + [0, 99]) + tail
        mask = bytearray(b"\1" * length)
        mask[len(head)] = mask[len(head) + 510] = 0
        wrong = [i for i, (g, w, m) in enumerate(zip(got, wanted, mask)) if m and g != w]
        here = f"frame {sum(counts)} of the plug at byte {start}"
        if wrong:
            i = wrong[0]
            check(False, f"{here}: {len(wrong)} bytes differ, the first is {i}: {got[i]}, not {wanted[i]}")
            return counts, end - at
        if len(got) < length:
            # The plug was pulled in it; what did come is right.
            return counts, len(got)
        when = stream.at(at)
        first_at = first_at or when
        key, fill = got[len(head)], got[len(head) + 510]
        least, most = asked.bounds(0, when)
        check(least <= key <= most, f"{here}: the key has {key}, not {least} to {most}")
        least, most = asked.bounds(1, when)
        up = when - first_at <= SOFT_S + SLACK_S
        check((0 if up else least) <= fill <= most, f"{here}: the fill has {fill}, not {least} to {most}")
        if fill_before is None and before is not None:
            gap = when - before
            check(fill == 0 or gap < MAY_BE_DARK_S + SLACK_S, f"{here}: lit at once, {fill}, after {gap:.2f} s")
        elif fill_before is not None and least == most:
            check(fill >= min(fill_before, most), f"{here}: the fill fell from {fill_before} to {fill}")
        fill_before = fill
        counts[framed] += 1
        at += length
    return counts, 0


def percentile(values, share):
    values = sorted(values)
    return values[min(len(values) - 1, int(len(values) * share))]


def traced(path):
    """Breaks (since, until), speeds, data settings and the order's faults, from QEMU's trace."""
    breaks, speeds, settings, faults, since = [], set(), set(), 0, None
    for line in open(path, errors="replace"):
        found = re.match(r"\d+@([\d.]+):(usb_serial_\w+) (.*)", line)
        if not found:
            continue
        t, event, said = float(found[1]), found[2], found[3]
        if event == "usb_serial_set_baud":
            speeds.add(said.split()[-1])
        elif event == "usb_serial_set_data":
            settings.add(said.split(" ", 2)[-1])
        elif event == "usb_serial_reset":
            since = None
        elif event == "usb_serial_handle_control" and said.endswith("value 0x5008"):
            faults += since is not None
            since = t
        elif event == "usb_serial_handle_control" and said.endswith("value 0x1008") and since is not None:
            breaks.append((since, t))
            since = None
    return breaks, speeds, settings, faults


def main(work, kernel, initramfs):
    os.chdir(work)
    for name in ("dmx.sock", "console.sock", "qmp.sock", "trace.log"):
        if os.path.exists(name):
            os.remove(name)
    dice = random.Random(SEED)
    print(f"   seed {SEED}, {PULLS} pulls", flush=True)
    command = ["qemu-system-x86_64", "-accel", "tcg", "-m", "256", "-nodefaults", "-no-reboot", "-display", "none"]
    # no_timer_check: on a busy machine the check of the emulated timer fails, and the guest stops there.
    command += ["-kernel", kernel, "-initrd", initramfs, "-append", "console=ttyS0 loglevel=4 panic=-1 no_timer_check"]
    command += ["-device", "qemu-xhci,id=xhci", "-chardev", "socket,id=dmx,path=dmx.sock,server=on,wait=off"]
    command += ["-device", "usb-serial,chardev=dmx,id=pier,bus=xhci.0,serial=PIER-1", "-serial", "file:kernel.log"]
    command += ["-serial", "unix:console.sock,server=on,wait=off", "-qmp", "unix:qmp.sock,server=on,wait=off"]
    command += ["-trace", "usb_serial_*", "-msg", "timestamp=on", "-D", "trace.log"]
    from_s = time.time()
    with open("qemu.log", "w") as log:
        guest = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
    try:
        stream = Stream(connect("dmx.sock", guest))
        console = Console(connect("console.sock", guest))
        monitor = Monitor(connect("qmp.sock", guest))
        run(dice, stream, console, monitor, from_s)
    finally:
        guest.terminate()
        try:
            guest.wait(10)
        except subprocess.TimeoutExpired:
            guest.kill()
            guest.wait()


def run(dice, stream, console, monitor, from_s):
    console.until(rb"=ready [\d.]+\r?\n")
    console.need("i=0; while ! [ -e /dev/ttyUSB0 ] && [ $i -lt 600 ]; do sleep 0.1; i=$((i+1)); done; [ -e /dev/ttyUSB0 ]")
    print(f"   guest: {console.need('uname -r')}, port there {time.time() - from_s:.1f} s after its start", flush=True)
    # What the driver and the kernel tell of the interface, without udev: there is no /dev/serial.
    port = "/sys/bus/usb-serial/devices/ttyUSB0"
    # The driver keeps the timer and the emulated interface takes it; there it starts at 0, where a real one has 16.
    latency = console.need(f"cat {port}/latency_timer")
    check(latency.isdigit() and int(latency) <= 255, f"the latency timer reads {latency!r}")
    set_to = console.need(f"echo 2 >{port}/latency_timer; cat {port}/latency_timer")
    check(set_to == "2", f"the latency timer was set to 2 and reads {set_to!r}")
    found = console.need(f"D=$(readlink -f {port}/../..); cat $D/idVendor $D/idProduct $D/serial").split()
    check(found == ["0403", "6001", "PIER-1"], f"vendor, product, serial: {found}")
    _, by_id = console.ask("[ -e /dev/serial/by-id ]")
    print(f"   latency timer {latency} ms, set to {set_to} ms; {' '.join(found)}; /dev/serial/by-id {'is' if by_id == 0 else 'not'} there")

    asked = Asked()
    console.need("cp /plans/raw.toml /plan.toml; (lampkeep run /plan.toml >/dev/null 2>/run/log &)")
    console.need("i=0; while ! [ -S /run/lampkeep.sock ] && [ $i -lt 600 ]; do sleep 0.1; i=$((i+1)); done")

    def recall(look, before, levels, soft_s=0.0):
        since = time.time()
        console.need(f"lampkeep recall {look} --over 0s")
        asked.change(before, levels, since, time.time() + soft_s)

    # Of a first start nothing is known before it: every lamp may be dark, and comes up softly.
    asked.change((0, 0), (0, 0), 0.0, 0.0)
    recall("work", (0, 0), WORK, BACK_WITHIN_S + SOFT_S)
    stream.wait_beyond(513)
    print(f"   first frame {stream.times[0] - from_s:.1f} s after the guest's start", flush=True)
    time.sleep(3)

    # Steady, with a change in the middle.
    status = json.loads(console.need("lampkeep status --json"))["outputs"][0]
    steady = (len(stream.bytes), time.time())
    time.sleep(STEADY_S / 2)
    recall("evening", WORK, EVENING)
    time.sleep(STEADY_S / 2)
    steady = (len(stream.bytes) - steady[0], time.time() - steady[1])
    rate = steady[0] / 513 / steady[1]
    recall("work", EVENING, WORK)

    # Pulled at random instants, back after as random a while.
    parts, start, before, back = [], 0, None, []

    def pull():
        nonlocal start, before
        time.sleep(dice.uniform(1.5, 3.5))
        monitor.do("device_del", "DEVICE_DELETED", id="pier")
        time.sleep(0.05)
        parts.append((start, len(stream.bytes), before))
        start = len(stream.bytes)
        before = stream.times[-1]
        time.sleep(dice.choice([0.0, dice.uniform(0.0, 0.8), dice.uniform(0.8, 3.0)]))
        returned = time.time()
        monitor.do("device_add", driver="usb-serial", chardev="dmx", id="pier", bus="xhci.0", serial="PIER-1")
        stream.wait_beyond(start, 30)
        back.append(stream.at(start) - returned)
        return console.need("ls /dev/ttyUSB*")

    for _ in range(PULLS):
        name = pull()
        check(name == "/dev/ttyUSB0", f"it came back as {name}")
    time.sleep(2.5)
    late = json.loads(console.need("lampkeep status --json"))["outputs"][0]

    # The same interface with framed messages.
    since = time.time()
    console.need("cp /plans/framed.toml /plan.toml; lampkeep reload")
    asked.change((0, 0), WORK, since, time.time() + BACK_WITHIN_S + SOFT_S)
    framed_since = time.time() + SLACK_S
    time.sleep(4)
    # Now it is named by what it says of itself, and comes back under another name: while a program holds the dead
    # port open, its name is taken.
    names = ["/dev/ttyUSB0"]
    for _ in range(2):
        console.need(f"(sleep 600 <{names[-1]} &)")
        names.append(pull())
        console.need("killall sleep")
        check(names[-1] != names[-2], f"it came back as {names[-1]} too")
    time.sleep(2.5)
    framed = json.loads(console.need("lampkeep status --json"))["outputs"][0]
    log = console.need("cat /run/log")
    code = console.ask("kill -TERM $(pidof lampkeep); i=0; while pidof lampkeep >/dev/null && [ $i -lt 100 ]; do "
                       "sleep 0.1; i=$((i+1)); done; ! pidof lampkeep")[1]
    time.sleep(0.3)
    parts.append((start, len(stream.bytes), before))

    in_all, cut = [0, 0], 0
    for part in parts:
        counts, left = frames(stream, part, asked)
        in_all = [a + b for a, b in zip(in_all, counts)]
        cut += left > 0
        last_left = left
    check(last_left == 0, f"the last frame before the stop was cut: {last_left} bytes of it")
    print(f"   {in_all[0]} raw and {in_all[1]} framed frames, {len(stream.bytes)} bytes, looked at byte for byte; "
          f"{cut} cut by a plug")
    print(f"   {rate:.2f} frames a second over {steady[1]:.1f} s steady")
    check(in_all[0] > 0 and in_all[1] > 0, f"frames: {in_all}")
    # Loosely: on a busy machine the guest is late. What it lost it says itself.
    check(rate > 0.5 * RATE, f"{rate:.2f} frames a second instead of {RATE}")

    breaks, speeds, settings, faults = traced("trace.log")
    held = [(until - since) * 1e6 for since, until in breaks]
    print(f"   {len(breaks)} breaks in the trace; length p50 {percentile(held, 0.5):.0f} us, p99 "
          f"{percentile(held, 0.99):.0f} us, least {min(held):.0f} us; SET_BAUD {', '.join(speeds)}; {'; '.join(settings)}")
    check("250000" in speeds, f"speeds set: {speeds}")
    check(min(held) >= 176, f"a break of {min(held):.0f} us")
    check(faults == 0, f"{faults} breaks began in a break")
    # Each plug may have been pulled between a break and its frame.
    check(in_all[0] <= len(breaks) <= in_all[0] + len(parts), f"{len(breaks)} breaks for {in_all[0]} frames")
    check(not [b for b in breaks if b[0] > framed_since], "breaks between framed messages")

    print("   frame back after the plug's return: " + ", ".join(f"{s:.2f}" for s in back)
          + f" s; the guest's longest gap so far {late['last_gap_s']} s (the last), reopened {late['reopened']}")
    print(f"   by vendor, product and serial number it was found again as {', then '.join(names)}")
    check(max(back) <= BACK_WITHIN_S, f"a frame came back only {max(back):.2f} s after the plug")
    check(late["reopened"] >= PULLS and late["state"] == "up", f"status: {late}")
    check(framed["state"] == "up" and framed["kind"] == "framed" and framed["reopened"] >= 2, f"status: {framed}")
    check(code == 0, "it did not stop when told to")
    print(f"   in the guest: late p50 {late['late_us_p50']:.0f} us, p99.9 {late['late_us_p999']:.0f} us; "
          f"{status['rate']} frames a second; {time.time() - from_s:.0f} s in all")
    if failures:
        print("   what lampkeep said in the guest:\n" + log)


if __name__ == "__main__":
    try:
        main(*sys.argv[1:])
    except (OSError, RuntimeError, TimeoutError) as fault:
        check(False, f"{type(fault).__name__}: {fault}")
    sys.exit(1 if failures else 0)

#!/usr/bin/env python3
"""Twenty daemons on one machine, asked to recall a look at the same instants: each over its own socket, or all of them
by one message to lampkeep/all/ask (`--mqtt`; needs mosquitto and mosquitto_pub).

Each sends E1.31 to one receiver here; the kernel stamps every packet as it comes (SO_TIMESTAMPNS), on the clock that
the instants are of. Told: how long after the instant each one's first changed packet came. Fails where one came before
it, or where one in a hundred came later than a frame period and 5 ms after it (the requirement on many machines).

LAMPKEEP_MANY_DAEMONS and LAMPKEEP_MANY_ROUNDS set other numbers; LAMPKEEP is the binary.
"""
import json
import os
import random
import shutil
import socket
import struct
import subprocess
import sys
import tempfile
import threading
import time
import uuid
from datetime import datetime, timezone

DAEMONS = int(os.environ.get("LAMPKEEP_MANY_DAEMONS", "20"))
ROUNDS = int(os.environ.get("LAMPKEEP_MANY_ROUNDS", "30"))
LAMPKEEP = os.path.abspath(os.environ.get("LAMPKEEP", "target/release/lampkeep"))
PERIOD_S = 1 / 40
SLACK_S = 0.005
SO_TIMESTAMPNS = 35  # linux, asm-generic/socket.h
ROOT_LAYER = b"ASC-E1.17\0\0\0"  # E1.31, 5.3

PLAN = """
name = "{name}"
fade = "1 s"
on-stop = "hold"
[camera.main]
iso = 800
f-number = 2.8
shutter = "1/50"
[output.net]
kind = "e131"
universe = {universe}
rate = "40 Hz"
unicast = "127.0.0.1:{port}"
[fixture.key]
profile = "bicolour-mat"
address = 1
clock = "7:30"
distance = "1.5 m"
[look.high]
key = {{ stops = -1 }}
[look.low]
key = {{ stops = -4 }}
"""


MQTT = """
[mqtt]
host = "127.0.0.1"
port = {port}
requests = true
"""


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def mosquitto(folder, port):
    """A broker of this run's own on loopback, once it listens."""
    path = os.path.join(folder, "broker.conf")
    with open(path, "w") as file:
        file.write(f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\nset_tcp_nodelay true\n")
    program = os.environ.get("MOSQUITTO") or shutil.which("mosquitto") or "/usr/sbin/mosquitto"
    broker = subprocess.Popen([program, "-c", path], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    deadline = time.monotonic() + 10
    while True:
        try:
            socket.create_connection(("127.0.0.1", port), 1).close()
            return broker
        except OSError:
            assert time.monotonic() < deadline, "the broker does not start"
            time.sleep(0.02)


def publish(port, request):
    sent = datetime.now(timezone.utc).isoformat().replace("+00:00", "Z")
    payload = json.dumps(dict(request, id=str(uuid.uuid4()), sent=sent))
    to = ["-p", str(port), "-t", "lampkeep/all/ask", "-q", "1", "-m", payload]
    subprocess.run(["mosquitto_pub", "-V", "5", "-h", "127.0.0.1", *to], check=True, timeout=10)


class Receiver(threading.Thread):
    """Keeps the newest slots of each universe, and when each change came."""

    def __init__(self):
        super().__init__(daemon=True)
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 22)
        self.socket.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
        self.socket.bind(("127.0.0.1", 0))
        self.port = self.socket.getsockname()[1]
        self.slots = {}
        self.changes = []

    def run(self):
        while True:
            packet, extra, _, _ = self.socket.recvmsg(2048, 256)
            if packet[4:16] != ROOT_LAYER or packet[18:22] != b"\0\0\0\x04":
                continue
            stamp = next(data for level, kind, data in extra if level == socket.SOL_SOCKET and kind == SO_TIMESTAMPNS)
            seconds, nanos = struct.unpack("qq", stamp[:16])
            universe = struct.unpack("!H", packet[113:115])[0]
            slots = packet[126:]
            if self.slots.get(universe) != slots:
                self.slots[universe] = slots
                self.changes.append((universe, seconds * 1_000_000_000 + nanos))


def ask(path, request):
    with socket.socket(socket.AF_UNIX) as s:
        s.settimeout(10)
        s.connect(path)
        s.sendall(json.dumps(request).encode() + b"\n")
        answer = json.loads(s.makefile().readline())
        assert answer["ok"], answer
        return answer


def share(values, part):
    values = sorted(values)
    return values[min(len(values) - 1, int(part * len(values)))]


def main():
    receiver = Receiver()
    receiver.start()
    over_mqtt = "--mqtt" in sys.argv[1:]
    daemons, paths, broker, port = [], [], None, free_port()
    with tempfile.TemporaryDirectory() as folder:
        try:
            if over_mqtt:
                broker = mosquitto(folder, port)
            for n in range(1, DAEMONS + 1):
                plan = os.path.join(folder, f"pier-{n}.toml")
                with open(plan, "w") as file:
                    mqtt = MQTT.format(port=port) if over_mqtt else ""
                    text = PLAN.format(name=f"pier-{n}", universe=n, port=receiver.port)
                    file.write(text.replace("[camera.main]", f"{mqtt}[camera.main]", 1))
                path = os.path.join(folder, f"{n}.sock")
                env = dict(os.environ, LAMPKEEP_SOCKET=path, LAMPKEEP_STATE=os.path.join(folder, f"state-{n}"))
                log = open(os.path.join(folder, f"{n}.log"), "w")
                daemons.append(subprocess.Popen([LAMPKEEP, "run", plan], env=env, stdout=log, stderr=log))
                paths.append(path)
            deadline = time.monotonic() + 30
            for path in paths:
                while not os.path.exists(path):
                    assert time.monotonic() < deadline, "a daemon does not start"
                    time.sleep(0.02)
            for path in paths:
                ask(path, {"do": "recall", "look": "low", "over_s": 0})
            # Lamps that may have been dark come up softly.
            time.sleep(6)
            off = []
            for number in range(ROUNDS):
                look = "high" if number % 2 == 0 else "low"
                over_s = 0 if number % 4 < 2 else 1.0
                del receiver.changes[:]
                instant = time.time_ns() + 1_000_000_000 + random.randrange(25_000_000)
                second, nanos = divmod(instant, 1_000_000_000)
                text = datetime.fromtimestamp(second, timezone.utc).strftime("%Y-%m-%dT%H:%M:%S") + f".{nanos:09}Z"
                request = {"do": "recall", "look": look, "over_s": over_s, "at": text}
                if over_mqtt:
                    publish(port, request)
                else:
                    for path in paths:
                        ask(path, request)
                time.sleep(max(0.0, (instant - time.time_ns()) / 1e9) + 1.5)
                first = {}
                for universe, at in receiver.changes:
                    first.setdefault(universe, at)
                missing = [n for n in range(1, DAEMONS + 1) if n not in first]
                assert not missing, f"nothing changed on {missing}"
                off += [(at - instant) / 1e9 for at in first.values()]
        finally:
            for daemon in daemons:
                daemon.terminate()
            for daemon in daemons:
                daemon.wait(timeout=20)
            if broker is not None:
                broker.terminate()
                broker.wait(timeout=20)
    early = sum(1 for s in off if s < 0)
    late = sum(1 for s in off if s > PERIOD_S + SLACK_S)
    p99 = share(off, 0.99)
    print(
        f"{'one message over MQTT' if over_mqtt else 'each over its socket'}: "
        f"{DAEMONS} daemons, {ROUNDS} instants, {len(off)} starts: after the instant by {min(off) * 1e3:.2f} ms at "
        f"least, {share(off, 0.5) * 1e3:.2f} ms half of them, {p99 * 1e3:.2f} ms p99, {max(off) * 1e3:.2f} ms at most; "
        f"{early} before it, {late} later than {(PERIOD_S + SLACK_S) * 1e3:.0f} ms"
    )
    return 0 if early == 0 and p99 <= PERIOD_S + SLACK_S else 1


if __name__ == "__main__":
    sys.exit(main())

#!/usr/bin/env python3
"""Requests and answers over MQTT 5, between the built lampkeep and a client that others wrote.

    target/peers/venv/bin/python tests/peers/mqtt.py

Two daemons in simulation on one mosquitto; the PyPI library `paho-mqtt` asks, and reads every property of MQTT 5
that lampkeep sets: will and birth, response topic, correlation data, expiry, content type, user property. Ends with 1
if one check fails; what could not be run is printed as `NOT RUN: ...`.
"""

import datetime
import json
import os
import queue
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
import uuid
from pathlib import Path

import paho.mqtt
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

ROOT = Path(__file__).resolve().parents[2]
LAMPKEEP = ROOT / "target/debug/lampkeep"
# Longest wait for anything that must come; far more than any of it takes.
PATIENCE = 30.0
# Long enough for a message that was let through to have come.
A_WHILE = 0.5

PLAN = """
name = "{name}"
fade = "0.2 s"
[camera.main]
iso = 800
f-number = 2.8
shutter = "1/50"
[output.desk]
kind = "simulator"
[mqtt]
host = "127.0.0.1"
port = {port}
keep-alive = "5 s"
requests = true
[fixture.key]
profile = "bicolour-mat"
address = 1
clock = "7:30"
distance = "1.5 m"
[look.bright]
key = {{ stops = -1 }}
[look.low]
key = {{ stops = -3 }}
"""

failures = []
checks = 0


def check(good, what):
    global checks
    checks += 1
    if not good:
        failures.append(what)
        print(f"FAILED: {what}")


def stamp(seconds=0.0):
    moment = datetime.datetime.now(datetime.timezone.utc) + datetime.timedelta(seconds=seconds)
    return moment.isoformat().replace("+00:00", "Z")


class Client:
    """A paho client of MQTT 5 that keeps what it hears."""

    def __init__(self, port, topics):
        self.heard = queue.Queue()
        ready = queue.Queue()
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self.client.on_message = lambda _client, _data, message: self.heard.put(message)
        self.client.on_subscribe = lambda *_: ready.put(True)
        self.client.connect("127.0.0.1", port)
        options = SubscribeOptions(qos=2, retainAsPublished=True)
        self.client.subscribe([(topic, options) for topic in topics])
        self.client.loop_start()
        ready.get(timeout=PATIENCE)

    def wait(self, wanted):
        """The next message that is as wanted, or None."""
        until = time.monotonic() + PATIENCE
        while time.monotonic() < until:
            try:
                message = self.heard.get(timeout=until - time.monotonic())
            except queue.Empty:
                return None
            if wanted(message):
                return message
        return None

    def silent(self):
        time.sleep(A_WHILE)
        return self.heard.empty()

    def ask(self, topic, request, qos=1, retain=False, **properties):
        held = Properties(PacketTypes.PUBLISH)
        for name, value in properties.items():
            setattr(held, name, value)
        payload = request if isinstance(request, bytes) else json.dumps(request)
        self.client.publish(topic, payload, qos=qos, retain=retain, properties=held)

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()


def answers(message):
    return json.loads(message.payload)


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def look(daemon):
    return daemon.status()["now"]["look"]


class Daemon:
    def __init__(self, folder, name, port):
        self.plan = Path(folder) / f"{name}.toml"
        self.plan.write_text(PLAN.format(name=name, port=port))
        self.env = {
            **os.environ,
            "LAMPKEEP_SOCKET": str(Path(folder) / f"{name}.sock"),
            "LAMPKEEP_STATE": str(Path(folder) / "state"),
        }
        self.start()

    def start(self):
        command = [LAMPKEEP, "run", self.plan, "--simulate"]
        self.process = subprocess.Popen(command, env=self.env, stderr=subprocess.DEVNULL)
        until = time.monotonic() + PATIENCE
        while time.monotonic() < until:
            status = self.status()
            if status and (status["mqtt"] or {}).get("state") == "up":
                return
            time.sleep(0.05)
        raise SystemExit("lampkeep did not reach the broker")

    def status(self):
        run = subprocess.run([LAMPKEEP, "status", "--json"], env=self.env, capture_output=True, text=True)
        return json.loads(run.stdout) if run.returncode == 0 else None

    def kill(self):
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def stop(self):
        self.process.terminate()
        return self.process.wait(timeout=PATIENCE)


def request(do, seconds=0.0, **fields):
    return {"id": str(uuid.uuid4()), "sent": stamp(seconds), "do": do, **fields}


def properties(client, east):
    """Everything that MQTT 5 says beside a payload."""
    for qos in (0, 1, 2):
        data = bytes([0, 255, qos])
        asked = request("recall", look=("bright", "low", "bright")[qos])
        client.ask("lampkeep/east/ask", asked, qos=qos, ResponseTopic="chair/answers", CorrelationData=data)
        heard = client.wait(lambda m: m.topic == "chair/answers")
        check(heard is not None, f"an answer to a request of QoS {qos}")
        if heard is None:
            continue
        said = heard.properties
        check(said.CorrelationData == data, f"the correlation data comes back as sent, QoS {qos}")
        check(said.ContentType == "application/json", "the content type")
        check(said.PayloadFormatIndicator == 1, "the payload is marked as UTF-8")
        check(said.UserProperty == [("set", "east")], "the user property names the set")
        check(0 < said.MessageExpiryInterval <= 60, "an answer does not wait for ever")
        check(not hasattr(said, "ResponseTopic"), "an answer asks for none")
        check(not heard.retain and heard.qos == 1, "an answer is not kept and has QoS 1")
        told = answers(heard)
        check(told["ok"] and told["id"] == asked["id"], f"{told}")
        check(look(east) == asked["look"], "the light is what was asked for")


def refusals(client, east):
    """Nothing old, early, doubled, kept or broken changes light."""
    client.ask("lampkeep/east/ask", request("recall", look="low"))
    client.wait(lambda m: m.topic == "lampkeep/east/answer")
    for what, asked, kind, more in [
        ("old", request("recall", -6, look="bright"), "too-late", {}),
        ("old with an expiry", request("recall", -60, look="bright"), "too-late", {"MessageExpiryInterval": 5}),
        ("early", request("recall", 3, look="bright"), "too-early", {}),
        ("without id", {"sent": stamp(), "do": "dark"}, "bad-field", {}),
        ("without sent", {"id": "x", "do": "dark"}, "bad-field", {}),
        ("to a topic of status", request("dark"), "bad-request", {"ResponseTopic": "lampkeep/east/now"}),
        ("broken", b"{", "bad-request", {}),
        ("no UTF-8", b"\xff", "bad-request", {}),
        ("unknown", request("drak"), "unknown-request", {}),
    ]:
        client.ask("lampkeep/east/ask", asked, **more)
        heard = client.wait(lambda m: m.topic == "lampkeep/east/answer")
        found = answers(heard)["error"]["kind"] if heard else None
        check(found == kind, f"{what}: {found}, not {kind}")
    kept = request("recall", look="bright")
    client.ask("lampkeep/east/ask", kept, retain=True)
    heard = client.wait(lambda m: m.topic == "lampkeep/east/answer")
    check(heard and answers(heard)["error"]["kind"] == "retained", "kept by the broker")
    client.ask("lampkeep/east/ask", b"", retain=True)
    check(client.silent(), "the empty message that clears it is no request")
    check(look(east) == "low", "none of it changed the light")

    step = request("nudge", lamp="key", stops=-0.5)
    said = []
    for _ in range(3):
        client.ask("lampkeep/east/ask", step)
        heard = client.wait(lambda m: m.topic == "lampkeep/east/answer")
        said.append(heard.payload if heard else None)
    check(said[0] is not None and len(set(said)) == 1, f"the same answer three times: {said}")
    # The nudge fades; a second one would have gone half a stop further by then.
    time.sleep(2)
    asked = east.status()["fixtures"][0]["asked"]["stops"]
    check(abs(asked - -3.5) < 0.02, f"nudged once by half a stop: {asked}")


def all_sets(client, east, west):
    """One message reaches every set, and each answer says whose it is."""
    asked = request("recall", look="bright")
    client.ask("lampkeep/all/ask", asked, ResponseTopic="chair/answers", CorrelationData=b"all")
    sets = set()
    for _ in range(2):
        heard = client.wait(lambda m: m.topic == "chair/answers")
        if heard:
            check(answers(heard)["ok"] and heard.properties.CorrelationData == b"all", "each answers")
            sets.update(value for name, value in heard.properties.UserProperty if name == "set")
    check(sets == {"east", "west"}, f"both sets answer: {sets}")
    check(look(east) == look(west) == "bright", "both are lit")


def away(client, east):
    """Will and birth; and what is sent while nobody is there is never done."""
    online = lambda m: m.topic == "lampkeep/east/online"
    while not client.heard.empty():
        client.heard.get()
    east.kill()
    will = client.wait(online)
    check(will is not None and will.payload == b"false", "the will says false")
    for qos in (1, 2):
        client.ask("lampkeep/east/ask", request("dark", 1.5), qos=qos)
    time.sleep(0.2)
    east.start()
    birth = client.wait(online)
    check(birth is not None and birth.payload == b"true", "the birth says true")
    if will and birth:
        check((will.retain, will.qos) == (birth.retain, birth.qos) == (True, 1), "will and birth are alike")
    client.heard.queue.clear()
    time.sleep(A_WHILE)
    heard = [m for m in list(client.heard.queue) if m.topic.endswith("/answer")]
    check(not heard, f"what was sent meanwhile is not answered: {heard}")
    check(east.status()["mqtt"]["requests"]["taken"] == 0, "and not done")
    east.stop()
    gone = client.wait(online)
    check(gone is not None and gone.payload == b"false", "a stop says false")


class Capture:
    """What crosses loopback on the broker's port, where tshark may look."""

    def __init__(self, folder, port):
        self.file = Path(folder) / "broker.pcapng"
        self.port = port
        self.process = None
        if not shutil.which("tshark"):
            print("NOT RUN: tests/peers/mqtt.py: there is no tshark to read the packets")
            return
        command = ["tshark", "-q", "-i", "lo", "-f", f"tcp port {port}", "-w", self.file]
        self.process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        for line in self.process.stderr:
            if "Capturing on" in line:
                time.sleep(A_WHILE)
                return
        print("NOT RUN: tests/peers/mqtt.py: tshark may not look at loopback here")
        self.process = None

    def count(self, wanted):
        command = ["tshark", "-r", self.file, "-d", f"tcp.port=={self.port},mqtt", "-Y", wanted]
        run = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE * 4)
        return len(run.stdout.splitlines())

    def judge(self):
        if not self.process:
            return
        time.sleep(A_WHILE)
        self.process.send_signal(signal.SIGINT)
        self.process.wait(timeout=PATIENCE)
        read, wrong = self.count("mqtt"), self.count("mqtt && (_ws.malformed || _ws.expert.severity == error)")
        check(read > 100, f"tshark reads the packets: {read}")
        check(wrong == 0, f"{wrong} of {read} packets are malformed")
        print(f"mqtt.py: {read} packets read by tshark, {wrong} malformed")


def main():
    if not shutil.which("mosquitto"):
        print("NOT RUN: tests/peers/mqtt.py: there is no mosquitto")
        return 0
    with tempfile.TemporaryDirectory() as folder:
        port = free_port()
        config = Path(folder) / "broker.conf"
        config.write_text(
            f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\nset_tcp_nodelay true\n"
        )
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        broker = subprocess.Popen(["mosquitto", "-c", config], **quiet)
        daemons = []
        try:
            until = time.monotonic() + PATIENCE
            while time.monotonic() < until:
                with socket.socket() as s:
                    if s.connect_ex(("127.0.0.1", port)) == 0:
                        break
                time.sleep(0.02)
            capture = Capture(folder, port)
            east, west = daemons = [Daemon(folder, name, port) for name in ("east", "west")]
            client = Client(port, ["lampkeep/+/answer/#", "chair/#", "lampkeep/+/online"])
            properties(client, east)
            refusals(client, east)
            all_sets(client, east, west)
            away(client, east)
            client.close()
            capture.judge()
        finally:
            for daemon in daemons:
                daemon.process.kill()
                daemon.process.wait()
            broker.kill()
            broker.wait()
    print(f"mqtt.py: {checks} checks, {len(failures)} failed, paho-mqtt {paho.mqtt.__version__}")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())

#!/usr/bin/env python3
"""E1.31 from the built lampkeep to a receiver that others wrote, over real sockets and between network namespaces.

    target/peers/venv/bin/python tests/peers/e131.py

The daemon sends one network by multicast and unicast; the PyPI library `sacn` listens, on loopback and in another
namespace; every slot of every universe must be what `lampkeep status` says is sent. Synchronization and discovery
packets must equal those that `sacn` makes, byte for byte. Then one packet in ten is lost by an nftables rule, the
link is pulled, and the daemon is stopped: three packets marked as the last. Ends with 1 if one check fails; what
could not be run is printed as `NOT RUN: ...`.
"""

import json
import os
import shutil
import socket
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import sacn
from sacn.messages.data_packet import DataPacket
from sacn.messages.sync_packet import SyncPacket
from sacn.messages.universe_discovery import UniverseDiscoveryPacket

ROOT = Path(__file__).resolve().parents[2]
LAMPKEEP = ROOT / "target/debug/lampkeep"
PORT = 5568
# Longest wait for anything that must come; far more than any of it takes.
PATIENCE = 30.0
UNIVERSES = [1, 2, 3, 20]

PLAN = """
name = "pier-net"
on-stop = "hold"
[camera.main]
iso = 800
f-number = 2.8
shutter = "1/50"

[output.stage]
kind = "e131"
universes = "1-3"
{multicast}
sync-universe = 100
source-name = "Lotsenstube Ü"

[output.window]
kind = "e131"
universe = 20
unicast = "{unicast}"
{interface}

[fixture.key]
profile = "bicolour-mat"
universe = 1
address = 1
clock = "7:30"
distance = "1.5 m"

[fixture.fill]
profile = "tint-panel"
mode = "cct-tint-16"
universe = 2
address = 11
clock = "5:00"
distance = "2 m"

[fixture.hair]
profile = "spot"
mode = "dim-8"
universe = 3
address = 512
clock = "1:00"
distance = "2 m"

[fixture.window]
profile = "five-colour-panel"
mode = "emitters-16"
universe = 20
address = 100
clock = "9:00"
distance = "1.8 m"

[look.watch]
key = {{ stops = -1 }}
fill = {{ to-key = -2 }}
hair = {{ to-key = -1 }}
window = {{ to-key = -1.5 }}

[look.tide]
key = {{ stops = -2 }}
fill = {{ to-key = -1 }}
hair = {{ to-key = -2 }}
window = {{ to-key = -1, kelvin = 6500 }}
"""

failed = []


def check(what, good, found=""):
    print(f"  {'ok' if good else 'FAILED'}: {what}{f' ({found})' if found != '' else ''}", flush=True)
    if not good:
        failed.append(what)


def not_run(what):
    print(f"NOT RUN: {what}", flush=True)


# --- the receiver, a program of its own so that it can live in another namespace ------------------------------------


class Sequence:
    """ANSI E1.31, clause 6.7.2: a packet is thrown away if its number less the last one, as a signed byte, is over
    -20 and at most 0. (The library takes the difference without the wrap.)"""

    def __init__(self):
        self.last = {}

    def takes(self, universe, number):
        if universe in self.last:
            step = (number - self.last[universe] + 128) % 256 - 128
            if -20 < step <= 0:
                return False
        self.last[universe] = number
        return True


def receive(address, groups):
    """Prints what came, a JSON object a line, until its input ends: the library's view and the raw packets'."""
    library = sacn.sACNreceiver(bind_address=address)
    seen = {u: {"levels": None, "count": 0} for u in UNIVERSES}
    gone = []

    def on(packet):
        seen[packet.universe] = {
            "levels": list(packet.dmxData),
            "count": seen[packet.universe]["count"] + 1,
            "name": packet.sourceName,
            "priority": packet.priority,
        }

    def available(universe, changed):
        if changed == "timeout":
            gone.append(universe)

    library.register_listener("availability", available)
    for universe in UNIVERSES:
        library.register_listener("universe", on, universe=universe)
        if groups:
            library.join_multicast(universe)
    library.start()
    # Beside it the packets themselves, by a socket that shares the port. Multicast reaches both, unicast only the one
    # bound last: there the library is alone.
    raw = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    raw.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    raw.bind(("", PORT if groups else 0))
    for universe in [*UNIVERSES, 100, 64214] if groups else []:
        group = socket.inet_aton(f"239.255.{universe >> 8}.{universe & 255}")
        raw.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, group + socket.inet_aton(address))
    raw.settimeout(0.05)
    sequence, shown, steps = Sequence(), {}, []
    packets = {"data": 0, "sync": 0, "discovery": 0, "refused": 0, "terminated": {}, "other": 0}
    samples = {}
    os.set_blocking(0, False)
    while True:
        try:
            line = os.read(0, 4096)
            if line == b"":
                break
            print(json.dumps({"seen": seen, "gone": gone, "packets": packets, "samples": samples,
                              "shown": shown, "steps": steps}), flush=True)
        except BlockingIOError:
            pass
        try:
            data = raw.recv(2048)
        except TimeoutError:
            continue
        root, framing = struct.unpack(">I", data[18:22])[0], struct.unpack(">I", data[40:44])[0]
        if (root, framing) == (4, 2):
            packets["data"] += 1
            packet = DataPacket.make_data_packet(list(data))
            if bytes(packet.getBytes()) != data:
                packets["other"] += 1
            if packet.option_StreamTerminated:
                key = str(packet.universe)
                packets["terminated"][key] = packets["terminated"].get(key, 0) + 1
            if not sequence.takes(packet.universe, packet.sequence):
                packets["refused"] += 1
            elif not packet.option_StreamTerminated:
                levels = list(packet.dmxData)
                if shown.get(str(packet.universe)) != levels:
                    steps.append([packet.universe, levels[:16]])
                shown[str(packet.universe)] = levels
        elif (root, framing) == (8, 1):
            packets["sync"] += 1
            samples["sync"] = data.hex()
        elif (root, framing) == (8, 2):
            packets["discovery"] += 1
            samples["discovery"] = data.hex()
        else:
            packets["other"] += 1
    library.stop()


class Receiver:
    def __init__(self, into, address, groups=True):
        arguments = [sys.executable, __file__, "--receive", address, "groups" if groups else "-"]
        self.process = subprocess.Popen([*into, *arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def look(self):
        self.process.stdin.write("\n")
        self.process.stdin.flush()
        return json.loads(self.process.stdout.readline())

    def until(self, is_so):
        end = time.monotonic() + PATIENCE
        while True:
            found = self.look()
            if is_so(found) or time.monotonic() > end:
                return found
            time.sleep(0.1)

    def end(self):
        self.process.stdin.close()
        self.process.wait(PATIENCE)


# --- the sender -----------------------------------------------------------------------------------------------------


class Daemon:
    def __init__(self, into, **plan):
        self.folder = tempfile.TemporaryDirectory()
        folder = Path(self.folder.name)
        (folder / "plan.toml").write_text(PLAN.format(**{"multicast": "", "interface": "", **plan}))
        self.environment = {
            **os.environ,
            "LAMPKEEP_SOCKET": str(folder / "s.sock"),
            "LAMPKEEP_STATE": str(folder / "state"),
        }
        self.log = open(folder / "log", "w+")
        self.process = subprocess.Popen(
            [*into, str(LAMPKEEP), "run", str(folder / "plan.toml")], env=self.environment, stderr=self.log, stdout=self.log
        )
        end = time.monotonic() + PATIENCE
        while self.run("status").returncode != 0:
            if time.monotonic() > end or self.process.poll() is not None:
                raise SystemExit(f"lampkeep does not run: {(folder / 'log').read_text()}")
            time.sleep(0.05)

    def run(self, *arguments):
        return subprocess.run([str(LAMPKEEP), *arguments], env=self.environment, capture_output=True, text=True, timeout=PATIENCE)

    def status(self):
        return json.loads(self.run("status", "--json").stdout)

    def slots(self):
        """What is sent, by universe, from the status."""
        first = {"key": (1, 1), "fill": (2, 11), "hair": (3, 512), "window": (20, 100)}
        all_of = {u: [0] * 512 for u in UNIVERSES}
        for fixture in self.status()["fixtures"]:
            universe, address = first[fixture["id"]]
            for i, slot in enumerate(fixture["slots"]):
                all_of[universe][address - 1 + i] = slot
        return all_of

    def outputs(self):
        return {o["name"]: o for o in self.status()["outputs"]}

    def until(self, is_so):
        end = time.monotonic() + PATIENCE
        while True:
            found = self.outputs()
            if is_so(found) or time.monotonic() > end:
                return found
            time.sleep(0.1)

    def cid(self):
        return (Path(self.environment["LAMPKEEP_STATE"]) / "pier-net" / "cid").read_text().strip()

    def recall(self, look):
        done = self.run("recall", look, "--over", "0s")
        if done.returncode != 0:
            raise SystemExit(f"recall: {done.stdout}{done.stderr}")

    def stop(self):
        self.process.terminate()
        self.process.wait(PATIENCE)
        self.log.seek(0)
        return self.log.read()


def levels_arrive(what, daemon, receiver, universes):
    """Each look's slots, all 512, come to the library, and are what the status says."""
    for look in ["watch", "tide"]:
        daemon.recall(look)
        end = time.monotonic() + PATIENCE
        while True:
            # The heat of a lamp may move a slot in between: both sides are read again.
            found, sent = receiver.look()["seen"], daemon.slots()
            right = [u for u in universes if found[str(u)]["levels"] == sent[u]]
            # A look's first frames may still be dark on both sides, which is the same and no light.
            lit = all(any(sent[u]) for u in universes)
            if right == universes and lit or time.monotonic() > end:
                break
            time.sleep(0.1)
        check(f"{what}: every slot of universes {universes} in {look}", right == universes and lit, f"{len(right)} of {len(universes)}")
    some = receiver.look()["seen"][str(universes[0])]
    check(f"{what}: source name and priority", (some.get("name"), some.get("priority")) in [("Lotsenstube Ü", 100), ("lampkeep pier-net", 100)])


def bytes_equal(daemon, receiver):
    found = receiver.until(lambda f: f["packets"]["discovery"] > 0 and f["packets"]["sync"] > 0)
    cid = tuple(bytes.fromhex(daemon.cid().replace("-", "")))
    sync = bytes.fromhex(found["samples"].get("sync", ""))
    own = bytes(SyncPacket(cid=cid, syncAddr=100, sequence=sync[44] if sync else 0).getBytes())
    check("synchronization packet equals the library's", sync == own)
    discovery = bytes.fromhex(found["samples"].get("discovery", ""))
    name = discovery[44:108].rstrip(b"\0").decode()
    own = bytes(UniverseDiscoveryPacket(cid=cid, sourceName=name, universes=(1, 2, 3, 20, 100)).getBytes())
    check("discovery packet equals the library's", discovery == own)
    check("every data packet is what the library would write", found["packets"]["other"] == 0, f"{found['packets']['data']} packets")


def ends(daemon, receiver, universes):
    log = daemon.stop()
    found = receiver.until(lambda f: all(f["packets"]["terminated"].get(str(u), 0) >= 3 for u in universes))
    counts = {u: found["packets"]["terminated"].get(str(u), 0) for u in universes}
    check("three packets marked as the last for each universe", all(n == 3 for n in counts.values()), counts)
    check("the library calls each universe gone at once", all(u in found["gone"] for u in universes))
    check("hold is not promised: the log says what lamps do now is up to them", "up to them" in log)


def unicast(into, receiver_into, to):
    """All universes to one receiver, the library alone."""
    receiver = Receiver(receiver_into, to, groups=False)
    daemon = Daemon(into, multicast=f'unicast = "{to}"', unicast=to)
    levels_arrive("unicast", daemon, receiver, UNIVERSES)
    daemon.stop()
    found = receiver.until(lambda f: set(UNIVERSES) <= set(f["gone"]))
    check("unicast: the library calls each universe gone", set(UNIVERSES) <= set(found["gone"]))
    receiver.end()


def loopback(into):
    print("loopback")
    unicast(into, into, "127.0.0.1")
    receiver = Receiver(into, "127.0.0.1")
    daemon = Daemon(into, multicast='interface = "lo"', unicast="127.0.0.1")
    levels_arrive("multicast", daemon, receiver, [1, 2, 3])
    bytes_equal(daemon, receiver)
    ends(daemon, receiver, [1, 2, 3])
    receiver.end()


def ip(*arguments):
    subprocess.run(["ip", *arguments], check=True, capture_output=True)


class Namespaces:
    """Two machines with a cable between them."""

    def __init__(self):
        pid = os.getpid()
        self.a, self.b = f"lk-a-{pid}", f"lk-b-{pid}"

    def __enter__(self):
        for name in (self.a, self.b):
            ip("netns", "add", name)
            ip("-n", name, "link", "set", "lo", "up")
        self.cable()
        return self

    def cable(self):
        ip("-n", self.a, "link", "add", "quay0", "type", "veth", "peer", "name", "mast0", "netns", self.b)
        ip("-n", self.a, "address", "add", "192.0.2.1/24", "dev", "quay0")
        ip("-n", self.b, "address", "add", "192.0.2.2/24", "dev", "mast0")
        for name, link in ((self.a, "quay0"), (self.b, "mast0")):
            ip("-n", name, "link", "set", link, "up")
            ip("-n", name, "route", "add", "239.255.0.0/16", "dev", link)

    def __exit__(self, *_):
        for name in (self.a, self.b):
            subprocess.run(["ip", "netns", "del", name], capture_output=True)

    @staticmethod
    def into(name):
        return ["ip", "netns", "exec", name]


def two_machines(spaces):
    print("between two network namespaces")
    a, b = spaces.into(spaces.a), spaces.into(spaces.b)
    unicast(a, b, "192.0.2.2")
    receiver = Receiver(b, "192.0.2.2")
    daemon = Daemon(a, unicast="192.0.2.2")
    levels_arrive("multicast", daemon, receiver, [1, 2, 3])
    pulled(spaces, daemon)
    lossy(spaces, daemon, receiver)
    ends(daemon, receiver, [1, 2, 3])
    receiver.end()


def pulled(spaces, daemon):
    """The route to the groups goes, then the whole link; the outputs that need them say so, and come back."""
    states = daemon.until
    ip("-n", spaces.a, "route", "del", "239.255.0.0/16")
    found = states(lambda o: o["stage:1"]["state"] == "down")
    check("a lost route is told with its cure", "no route to the multicast group 239.255.0.1" in str(found["stage:1"]["said"]), found["stage:1"]["said"])
    check("the other output goes on meanwhile", found["window"]["state"] == "up")
    ip("-n", spaces.a, "route", "add", "239.255.0.0/16", "dev", "quay0")
    found = states(lambda o: o["stage:1"]["state"] == "up")
    check("it is back by itself", found["stage:1"]["state"] == "up", f"gap {found['stage:1']['last_gap_s']} s")
    ip("-n", spaces.a, "link", "set", "quay0", "down")
    found = states(lambda o: o["window"]["state"] == "down")
    check("a link that is gone is told", "no route to 192.0.2.2" in str(found["window"]["said"]), found["window"]["said"])
    ip("-n", spaces.a, "link", "set", "quay0", "up")
    ip("-n", spaces.a, "route", "replace", "239.255.0.0/16", "dev", "quay0")
    found = states(lambda o: all(output["state"] == "up" for output in o.values()))
    check("all outputs are back", all(o["state"] == "up" for o in found.values()))


def by_name(spaces):
    """An interface that the plan names: switched off, without a link, gone and back; and IPv6 groups by it."""
    a, b = spaces.into(spaces.a), spaces.into(spaces.b)
    for at in (a, b):
        # Without this the machine first waits a while for another that might have its address.
        subprocess.run([*at, "sh", "-c", "echo 0 > /proc/sys/net/ipv6/conf/all/accept_dad"], capture_output=True)
    receiver = subprocess.Popen([*b, sys.executable, __file__, "--receive6", "mast0"], stdout=subprocess.PIPE, text=True)
    daemon = Daemon(a, multicast='multicast = "both"\ninterface = "quay0"', unicast="192.0.2.2")
    daemon.recall("watch")
    line = receiver.stdout.readline()
    packet = DataPacket.make_data_packet(list(bytes.fromhex(line))) if line.strip() else None
    check("an IPv6 group is sent to", packet is not None and packet.universe == 1)
    receiver.wait(PATIENCE)

    def told(word, name="stage:1"):
        found = daemon.until(lambda o: word in str(o[name]["said"]))
        check(f"told: {word}", word in str(found[name]["said"]), found[name]["said"])

    ip("-n", spaces.b, "link", "set", "mast0", "down")
    told("interface `quay0` has no link; check its cable")
    ip("-n", spaces.b, "link", "set", "mast0", "up")
    found = daemon.until(lambda o: all(output["state"] == "up" for output in o.values()))
    check("back with the link", all(o["state"] == "up" for o in found.values()))
    ip("-n", spaces.a, "link", "set", "quay0", "down")
    told("interface `quay0` is down; `ip link set quay0 up`")
    ip("-n", spaces.a, "link", "del", "quay0")
    told("there is no interface `quay0`; plug it in")
    spaces.cable()
    found = daemon.until(lambda o: all(output["state"] == "up" for output in o.values()))
    again = found["stage:1"]
    check("back with the interface, under a new number", again["state"] == "up" and again["reopened"] >= 1, f"reopened {again['reopened']}, gap {again['last_gap_s']} s")
    daemon.stop()


def receive6(name):
    """Prints the first packet that comes to universe 1's IPv6 group."""
    group = socket.inet_pton(socket.AF_INET6, "ff18::8300:1")
    raw = socket.socket(socket.AF_INET6, socket.SOCK_DGRAM)
    # What the other output sends by IPv4 is not for it.
    raw.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
    raw.bind(("::", PORT))
    raw.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_JOIN_GROUP, group + struct.pack("@I", socket.if_nametoindex(name)))
    raw.settimeout(PATIENCE)
    try:
        print(raw.recv(2048).hex(), flush=True)
    except TimeoutError:
        print("", flush=True)


def lossy(spaces, daemon, receiver):
    """One packet in ten is lost; the light still only goes forward, and ends where it should."""
    if shutil.which("nft") is None:
        return not_run("E1.31 with losses: there is no nft here")
    rule = "udp dport 5568 numgen random mod 10 == 0 counter drop"
    rules = f"table ip lossy {{\n chain in {{\n type filter hook input priority 0\n {rule}\n }}\n}}\n"
    done = subprocess.run([*spaces.into(spaces.b), "nft", "-f", "-"], input=rules, text=True, capture_output=True)
    if done.returncode != 0:
        return not_run(f"E1.31 with losses: nftables refuses the rule ({done.stderr.strip()})")
    before = receiver.look()
    daemon.run("dark", "--now")
    dark = receiver.until(lambda f: f["shown"]["1"][0] == 0)
    count = len(dark["steps"])
    done = daemon.run("recall", "watch", "--over", "5s")
    check("10 % loss: a fade begins", done.returncode == 0, done.stdout.strip())
    end = time.monotonic() + PATIENCE
    stands = False
    while not stands and time.monotonic() < end:
        time.sleep(0.1)
        status, found, sent = daemon.status(), receiver.look(), daemon.slots()
        stands = not status["now"]["fading"] and all(found["shown"].get(str(u)) == sent[u] for u in [1, 2, 3])
    check("10 % loss: the standing look is shown", stands)
    levels = [levels[0] for universe, levels in found["steps"][count:] if universe == 1]
    rising = all(a <= b for a, b in zip(levels, levels[1:]))
    check("10 % loss: through the whole fade no old level comes after a new one", rising and len(levels) > 20, f"{len(levels)} steps")
    listed = subprocess.run([*spaces.into(spaces.b), "nft", "list", "ruleset"], capture_output=True, text=True).stdout
    dropped = int(listed.split("packets ")[1].split()[0])
    arrived = found["packets"]["data"] - before["packets"]["data"]
    check("10 % loss: the rule dropped about a tenth", 0.05 < dropped / (dropped + arrived) < 0.2, f"{dropped} of {dropped + arrived}")
    subprocess.run([*spaces.into(spaces.b), "nft", "flush", "ruleset"], check=True)


def main():
    permitted = os.geteuid() == 0 and shutil.which("ip") is not None
    if permitted:
        probe = f"lk-probe-{os.getpid()}"
        permitted = subprocess.run(["ip", "netns", "add", probe], capture_output=True).returncode == 0
        subprocess.run(["ip", "netns", "del", probe], capture_output=True)
    if not permitted:
        not_run("E1.31 between network namespaces, with losses and a pulled link: namespaces are not permitted here")
        loopback([])
    else:
        with Namespaces() as spaces:
            loopback(spaces.into(spaces.a))
            two_machines(spaces)
            by_name(spaces)
    if failed:
        print(f"{len(failed)} checks failed")
        sys.exit(1)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--receive"]:
        receive(sys.argv[2], sys.argv[3] == "groups")
    elif sys.argv[1:2] == ["--receive6"]:
        receive6(sys.argv[2])
    else:
        main()

#!/usr/bin/env python3
"""Checks lampkeep's light from outside: plan and slots in, light out, by an arithmetic of its own.

    target/peers/venv/bin/python tests/peers/light.py [--looks 2000] [--seed 20110] [PLAN...]

For every look of each PLAN (config's), and for random lamps and looks, `lampkeep explain LOOK --plan PLAN --json` gives
slots and what they are said to give. chain/ reads the same plan by itself, turns slots to drives to a
spectrum to lux, CCT and Duv with numpy, scipy and colour-science, and the two are compared. Prints the
distribution of every error; ends with 1 if one is out of its bound.
"""

import argparse
import json
import math
import subprocess
import sys
import tempfile
import warnings
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

warnings.filterwarnings("ignore", message=".*Matplotlib.*")
sys.path.insert(0, str(Path(__file__).parent))
from chain import colour_facts as cf  # noqa: E402
from chain import random_plans  # noqa: E402
from chain.lamp import most_light, nearest_reachable, on_the_line, weights  # noqa: E402
from chain.meter import Meter  # noqa: E402
from chain.plan import Plan  # noqa: E402

# What is bounded, with the reason. The first group is the same sum done twice: only rounding is between them,
# and for lamps that mix by themselves what a linear program leaves. The second is what slots can do.
BOUNDS = {
    "asked light, relative": (1e-9, "the same formulas in doubles"),
    "asked share of most light": (1e-5, "as the most light that it is a share of"),
    "asked colour, u'v'": (1e-6, "the contract of the reference tables"),
    "most light, relative": (1e-5, "the contract of mix_targets.csv"),
    "light of the slots, relative": (1e-6, "the same sum; scipy's program at 1e-10"),
    "colour of the slots, u'v'": (1e-6, "the contract of the reference tables"),
    "watts of the slots, W": (1e-3, "as light, times the lamp's power"),
    "CCT of the slots, relative": (1e-5, "the contract of xy_to_cct_duv.csv"),
    "Duv of the slots": (1e-6, "the contract of xy_to_cct_duv.csv"),
    "16 bits: light against asked, stops": (0.01, "what the requirement promises: in gamut, in range, over the floor"),
    "16 bits: colour against asked, u'v'": (0.0005, "the same"),
    "light over asked, relative": (1e-9, "slots are never over"),
    "meter points, example plans: light, stops": (0.03, "parts of 25 cm of wall against 10 cm; a penumbra by samples"),
    "meter points, example plans: colour, u'v'": (0.001, "the same"),
    "meter points, random rooms: light, stops": (0.1, "a big front with a beam over 150 deg a hand from a wall: both sums are coarse"),
    "meter points, random rooms: colour, u'v'": (0.004, "the same"),
    "balanced: reading against what it says, stops": (0.1, "as the readings in random rooms"),
}


DEMOS = ["config/pilot-station.toml", "config/five-lamps.toml", "config/two-lamps.toml"]


class Errors:
    def __init__(self):
        self.found = {name: [] for name in BOUNDS}
        self.worst = {}

    def add(self, name, value, where):
        self.found.setdefault(name, []).append(value)
        if value >= self.worst.get(name, (-1, ""))[0]:
            self.worst[name] = (value, where)

    def report(self):
        good = True
        print(f"{'error':<42}{'n':>7}{'median':>11}{'p99':>11}{'worst':>11}{'bound':>9}")
        for name, values in self.found.items():
            if not values:
                continue
            bound = BOUNDS.get(name, (None, ""))[0]
            v = np.array(values)
            over = bound is not None and not v.max() <= bound
            good &= not over
            print(
                f"{name:<42}{len(v):>7}{np.median(v):>11.2e}{np.quantile(v, 0.99):>11.2e}{v.max():>11.2e}"
                f"{'' if bound is None else format(bound, '.0e'):>9}{'  OVER: ' + self.worst[name][1] if over else ''}"
            )
        return good


def explain(lampkeep, plan, look):
    done = subprocess.run(
        [lampkeep, "explain", look, "--plan", str(plan), "--json"], capture_output=True, text=True, timeout=120
    )
    if done.returncode != 0:
        raise SystemExit(f"explain {look} --plan {plan}: exit {done.returncode}\n{done.stdout}{done.stderr}")
    return json.loads(done.stdout)


def light_of(fixture, drives):
    """Lux at the aim, x, y, by way of the whole spectrum."""
    power = sum(
        (lux * drive * e.spectrum_per_lux() for e, lux, drive in zip(fixture.seen, fixture.lux, drives)),
        np.zeros(len(cf.WAVELENGTHS_NM)),
    )
    lux = float(power @ cf.OBSERVER[:, 1]) * fixture.gain
    return lux, (cf.xy_of_spectrum(power) if lux > 0 else None)


def distance(a, b):
    return float(np.hypot(*(cf.uv76(a) - cf.uv76(b))))


def reachable(fixture, xy, white):
    """The chromaticity that this lamp should give for an asked one, and its most light there in lux at the aim."""
    emitters = fixture.seen
    for e, lux in zip(emitters, fixture.lux):
        e.lux = lux
    words = fixture.mode.words
    names = [e.name for e in emitters]
    if not any(w in names or w in ("kelvin", "hue") for w in words):
        full = np.ones(len(emitters))
        return None, full
    if white and len(emitters) == 2:
        near = on_the_line(*emitters, white[0])
    else:
        near, _ = nearest_reachable(emitters, xy)
    return near, most_light(emitters, near)


def check(errors, plan, look, said):
    asked = plan.asked(look)
    by_id = {lamp["id"]: lamp for lamp in said["lamps"]}
    # What a balanced look asks of its lamps is judged by what the meter reads.
    balanced = isinstance(plan.look(look).get("meter"), dict)
    for name, (lux, share, xy, white) in asked.items():
        fixture, lamp = plan.fixtures[name], by_id.get(name)
        where = f"{plan.table.get('name', plan.folder)} {look} {name}"
        if lamp is None:
            raise SystemExit(f"{where}: not explained")
        if lux is not None and lux > 0 and not balanced:
            errors.add("asked light, relative", abs(lamp["asked"]["lux"] / lux - 1), where)
        if lamp["asked"]["lux"] > 0 and not balanced:
            errors.add("asked colour, u'v'", distance((lamp["asked"]["x"], lamp["asked"]["y"]), xy), where)
        own_mixing = any(w in ("kelvin", "hue") for w in fixture.mode.words)
        near, full = reachable(fixture, xy, white)
        full_lux = float(full @ weights(fixture.seen)[:, 1]) * fixture.gain
        if not own_mixing and not fixture.hand:
            errors.add("most light, relative", abs(lamp["full_lux"] / full_lux - 1), where)
            if share is not None and share > 0 and not balanced:
                errors.add("asked share of most light", abs(lamp["asked"]["lux"] / (full_lux * share) - 1), where)
        if fixture.hand or not lamp["slots"]:
            continue
        drives = fixture.mode.drives(lamp["slots"])
        sent_lux, sent_xy = light_of(fixture, drives)
        sent = lamp["sent"]
        if sent_lux > 0 and sent["lux"] > 0:
            errors.add("light of the slots, relative", abs(sent["lux"] / sent_lux - 1), where)
            errors.add("colour of the slots, u'v'", distance((sent["x"], sent["y"]), sent_xy), where)
            kelvin, duv = cf.cct_of_xy(sent_xy)
            if sent["kelvin"] is not None and abs(duv) < 0.0499 and 1001 < kelvin < 19_900:
                errors.add("CCT of the slots, relative", abs(sent["kelvin"] / kelvin - 1), where)
                errors.add("Duv of the slots", abs(sent["duv"] - duv), where)
        else:
            errors.add("light of the slots, relative", abs(sent["lux"] - sent_lux), where)
        watts = fixture.standby + float(drives @ fixture.watts)
        errors.add("watts of the slots, W", abs(lamp["watts"] - watts), where)
        target = lamp["asked"]["lux"]
        if target <= 0:
            continue
        errors.add("light over asked, relative", max(sent_lux / target - 1, 0.0), where)
        limited = set(lamp["limited_by"]) - {"colour"}
        if limited or sent_lux <= 0:
            continue
        coarse = any(size == 1 and c["drives"] != "fixed" for _, size, c in fixture.mode.channels)
        stops = abs(math.log2(sent_lux / target))
        near = xy if near is None else near
        miss = distance(sent_xy, near) if near is not xy else 0.0
        if coarse:
            errors.add("8 bits: light against asked, stops", stops, where)
            errors.add("8 bits: colour against reachable, u'v'", miss, where)
            continue
        curved = all(c.get("curve", "linear") != "linear" for *_, c in fixture.mode.channels if _light(c, fixture))
        depth = math.log2(lamp["full_lux"] / target)
        if depth > (8 if curved else 7) or own_mixing:
            errors.add("16 bits, deeper or mixing itself: stops", stops, where)
            errors.add("16 bits, deeper or mixing itself: u'v'", miss, where)
        elif distance(xy, near) < 1e-9:
            errors.add("16 bits: light against asked, stops", stops, where)
            errors.add("16 bits: colour against asked, u'v'", miss, where)
        else:
            errors.add("16 bits, out of gamut: stops", stops, where)
            errors.add("16 bits, out of gamut: u'v'", miss, where)


def check_meter(errors, plan, meter, look, said, rooms):
    """The readings at the meter points, and what a balanced look asks of them, by sums over samples."""
    key = plan.look(look).get("key-is", "key")
    key = {f.table.get("lamp"): f.id for f in plan.fixtures.values()}.get(key, key)
    subjects = {s["id"]: s for s in plan.subjects}
    shown = lambda light: (light["lux"], (light["x"], light["y"]) if light["lux"] > 0 else None)
    sent = {lamp["id"]: shown(lamp["sent"]) for lamp in said["lamps"]}
    # Before rounding, for what a balance promises.
    most = lambda lamp: min(lamp["asked"]["lux"], lamp["full_lux"])
    asked = {lamp["id"]: (most(lamp), sent[lamp["id"]][1]) for lamp in said["lamps"]}
    asked = {name: (lux if xy else 0.0, xy) for name, (lux, xy) in asked.items()}
    for point in said["meter"]["points"]:
        word, _, subject = point["point"].partition("@")
        where = f"{plan.table.get('name', plan.folder)} {look} {point['point']}"
        subject = subjects[subject] if subject else plan.subjects[0]
        lux, xy = meter.reading(word, subject, key, sent)
        ours = point["light"]
        if max(lux, ours["lux"]) < 1e-3 * plan.zero_stops:
            continue
        errors.add(f"meter points, {rooms}: light, stops", abs(math.log2(ours["lux"] / lux)), where)
        errors.add(f"meter points, {rooms}: colour, u'v'", distance((ours["x"], ours["y"]), xy), where)
    for point in (said["balance"] or {"points": []})["points"]:
        word, _, subject = point["point"].partition("@")
        subject = subjects[subject] if subject else plan.subjects[0]
        lux, _ = meter.reading(word, subject, key, asked)
        where = f"{plan.table.get('name', plan.folder)} {look} {point['point']}"
        # What it says that it is off by, nothing where it is met.
        wanted = plan.zero_stops * 2 ** (point["asked_stops"] + point["off_stops"])
        if min(lux, wanted) > 1e-3 * plan.zero_stops:
            errors.add("balanced: reading against what it says, stops", abs(math.log2(lux / wanted)), where)


def _light(channel, fixture):
    return channel["drives"] == "intensity" or channel["drives"] in [e.name for e in fixture.bare]


def main():
    ask = argparse.ArgumentParser()
    ask.add_argument("--lampkeep", default="target/debug/lampkeep")
    ask.add_argument("--shipped", default="config/profiles", help="folder of the shipped profiles")
    ask.add_argument("--looks", type=int, default=2000)
    ask.add_argument("--seed", type=int, default=20110)
    ask.add_argument("plans", nargs="*", default=DEMOS)
    asked = ask.parse_args()
    errors, count = Errors(), 0
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(2) as pool:
        made = random_plans.write(folder, asked.looks, np.random.default_rng(asked.seed))
        own = [Path(p) for p in asked.plans]
        for index, path in enumerate(own + made):
            plan = Plan(path, asked.shipped)
            rooms = "example plans" if path in own else "random rooms"
            # Sums over samples take their time: the meter points of every eighth random plan.
            meter = Meter(plan) if path in own or (index - len(own)) % 8 == 1 else None
            looks = list(plan.table["look"])
            for look, said in zip(looks, pool.map(lambda name: explain(asked.lampkeep, path, name), looks)):
                check(errors, plan, look, said)
                if meter:
                    check_meter(errors, plan, meter, look, said, rooms)
                count += 1
    print(f"{count} looks, {len(errors.found['light of the slots, relative'])} lamps lit; seed {asked.seed}")
    good = errors.report()
    print("all within bounds" if good else "OUT OF BOUNDS")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())

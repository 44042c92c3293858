"""A plan with its kit and profiles, read by docs/plan-reference.md: places, gains, targets."""

import math
import tomllib
from pathlib import Path

import numpy as np

from . import colour_facts as cf
from .amounts import amount, clock_direction
from .lamp import Emitter, Mode

LOOK_KEYS = {"about", "protect", "like", "key-is", "fade", "meter", "kelvin", "duv", "xy", "hue", "saturation"}
COLOUR = ("kelvin", "duv", "xy", "hue", "saturation")


def read_spectrum(path):
    """wavelength_nm, power at 360..830 nm, straight lines between, nothing outside."""
    rows = []
    for line in Path(path).read_text().splitlines():
        line = line.split("#")[0].strip()
        try:
            rows.append([float(x) for x in line.split(",")[:2]])
        except ValueError:
            continue
    table = np.array([r for r in rows if len(r) == 2])
    return np.interp(cf.WAVELENGTHS_NM, table[:, 0], table[:, 1], left=0.0, right=0.0)


class Fixture:
    """A lamp in its place."""


class Plan:
    def __init__(self, path, shipped):
        path = Path(path)
        self.table = tomllib.loads(path.read_text())
        self.folder = path.parent
        kit_path = self.folder / self.table.get("kit", "kit.toml")
        self.kit = tomllib.loads(kit_path.read_text()) if kit_path.exists() else {}
        self.profiles = {}
        for file in sorted(Path(shipped).glob("*.toml")):
            for name, profile in tomllib.loads(file.read_text()).get("profile", {}).items():
                self.profiles[name] = (profile, Path(shipped))
        for source in (self.kit, self.table):
            for name, profile in source.get("profile", {}).items():
                self.profiles[name] = (profile, self.folder)
        self._cameras()
        self._subjects()
        self.room = self.table.get("room", {})
        self.fixtures = {name: self._fixture(name, table) for name, table in self.table["fixture"].items()}

    def _cameras(self):
        camera = next(iter(self.table["camera"].values()))
        shutter = camera["shutter"]
        if "/" in shutter:
            over, under = shutter.split("/")
            seconds = float(over) / float(under)
        elif "deg" in shutter or "°" in shutter:
            seconds = amount(shutter) / 360 / float(camera["fps"])
        else:
            seconds = amount(shutter)
        stop = float(camera.get("t-stop", camera.get("f-number", 0)))
        self.constant = float(camera.get("constant", 250))
        # ISO 2720, and ISO 5-1 for the neutral filter.
        self.zero_stops = self.constant * stop**2 / (seconds * float(camera["iso"])) * 10 ** float(camera.get("nd", 0))
        self.white_balance = float(camera.get("white-balance", 5600))

    def _subjects(self):
        self.subjects = []
        for name, table in (self.table.get("subject") or {"subject": {}}).items():
            eye = amount(table.get("eye-height", "1.2 m"))
            nose = clock_direction(table.get("faces", "6:00"))
            first = self.subjects[0] if self.subjects else None
            if "at" in table:
                x, y = (amount(t) for t in table["at"])
            elif "clock" in table and first:
                way = clock_direction(table["clock"])
                x, y = (w * amount(table["distance"]) for w in way)
            else:
                x = y = 0.0
            z = eye - first["eye"] if first else 0.0
            self.subjects.append({"id": name, "eye": eye, "at": np.array([x, y, z]), "nose": np.array([*nose, 0.0])})

    @property
    def eye(self):
        return self.subjects[0]["eye"]

    def hair(self, subject):
        return subject["at"] - 0.1 * subject["nose"] + np.array([0, 0, 0.1])

    def place(self, table, centre, fallback=None):
        """Where something stands, round `centre`."""
        if "at" in table:
            return np.array([amount(t) for t in table["at"]])
        way = clock_direction(table["clock"] if "clock" in table else fallback[0])
        up = None
        if "height" in table:
            up = amount(table["height"]) - self.eye - centre[2]
        if "floor-distance" in table:
            floor = amount(table["floor-distance"])
            if "raise" in table:
                up = floor * math.tan(math.radians(amount(table["raise"])))
            up = up or 0.0
        else:
            straight = amount(table["distance"]) if "distance" in table else fallback[1]
            if "raise" in table:
                up = straight * math.sin(math.radians(amount(table["raise"])))
            up = up or 0.0
            floor = math.sqrt(straight**2 - up**2)
        return centre + np.array([way[0] * floor, way[1] * floor, up])

    def _fixture(self, name, table):
        body = self.kit.get("lamp", {}).get(table.get("lamp"), {})
        both = {**body, **table}
        profile, folder = self.profiles[both["profile"]]
        out = Fixture()
        out.id, out.table, out.profile, out.body = name, table, profile, body
        out.bare = [Emitter(n, e, lambda f: read_spectrum(folder / f)) for n, e in profile["emitter"].items()]
        mode = both.get("mode") or next(iter(profile["mode"]))
        out.mode = Mode(profile["mode"][mode], out.bare)
        out.standby = amount(profile.get("standby", "0 W"))
        out.hand = table.get("control") == "hand"
        self._modifiers(out)
        scale = amount(body["calibration"]["output"]) if "calibration" in body else 1.0
        out.seen = [e.behind(out.mired, out.duv) for e in out.bare]
        out.lux = np.array([e.lux * scale for e in out.bare])
        watts = np.array([e.watts for e in out.bare])
        if "watts" in body and watts.sum() > 0:
            watts = watts * (amount(body["watts"]) - out.standby) / watts.sum()
        out.watts = watts
        self._aim(out)
        return out

    def _modifiers(self, out):
        out.loss = out.mired = out.duv = 0.0
        out.radius = amount(out.profile["radius"]) if "radius" in out.profile else None
        out.beam = amount(out.profile["beam"]) if "beam" in out.profile else None
        for name in out.table.get("modifiers", []):
            modifier = self.table["modifier"][name]
            out.loss += amount(modifier.get("loss", "0 stops"))
            out.mired += amount(modifier.get("mired", "0 mired"))
            out.duv += float(modifier.get("duv", 0))
            if "size" in modifier:
                out.radius = amount(modifier["size"]) / math.sqrt(math.pi)
            if "radius" in modifier:
                out.radius = amount(modifier["radius"])
            if "beam" in modifier:
                out.beam = amount(modifier["beam"])

    def _aim(self, out):
        table, normal = out.table, None
        aim = table.get("aim", self.subjects[0]["id"])
        words = [] if isinstance(aim, list) else aim.split()
        by_id = {s["id"]: s for s in self.subjects}
        centre = np.zeros(3)
        if isinstance(aim, list):
            target = np.array([amount(t) for t in aim])
        elif words[-1] == "hair":
            target = centre = self.hair(by_id[words[0]] if len(words) > 1 else self.subjects[0])
        elif words[-1] == "wall":
            target = None
        else:
            target = centre = by_id[aim]["at"]
        if target is None:
            side = {"wall": "back", "left": "left", "right": "right"}[words[0]]
            sign = {"back": 1, "left": -1, "right": 1}[side]
            wall = sign * amount(self.room[side])
            normal = {"back": (0, -1, 0), "left": (1, 0, 0), "right": (-1, 0, 0)}[side]
            up = amount(table["aim-height"]) - self.eye if "aim-height" in table else 0.0
            if "from-wall" in table:
                along = amount(table.get("along", "0 m"))
                inward = wall - sign * amount(table["from-wall"])
                height = amount(table["height"]) - self.eye
                out.at = np.array([along, inward, height] if side == "back" else [inward, along, height])
            else:
                out.at = self.place(table, np.zeros(3))
            target = np.array([out.at[0], wall, up] if side == "back" else [wall, out.at[1], up])
        else:
            out.at = self.place(table, centre)
        out.target = target
        ray = out.at - target
        out.distance = float(np.sqrt(ray @ ray))
        out.cosine = float(np.array(normal) @ ray / out.distance) if normal else 1.0
        # A matt disc on its axis, from its reading at 1 m: E ~ 1 / (d^2 + R^2).
        square = (out.radius or 0.0) ** 2
        out.gain = 2**-out.loss * out.cosine * (1 + square) / (out.distance**2 + square)

    # ---- looks -------------------------------------------------------------------------------

    def look(self, name):
        """A look with what it is `like` under it, and groups spread over their members."""
        table = self.table["look"][name]
        own = self._spread(table)
        if "like" not in table:
            return own
        under = self.look(table["like"])
        out = dict(under)
        for key, value in own.items():
            if isinstance(value, dict) and key in out and key not in LOOK_KEYS:
                out[key] = self._over(out[key], value)
            elif key == "meter" and isinstance(value, dict) and isinstance(out.get("meter"), dict):
                out[key] = {**out[key], **value}
            else:
                out[key] = value
        return out

    @staticmethod
    def _over(under, over):
        """Field by field; a level replaces a level, a colour a colour."""
        out = dict(under)
        if {"stops", "to-key", "lux", "of-full"} & set(over):
            for key in ("stops", "to-key", "lux", "of-full"):
                out.pop(key, None)
        if {"xy"} & set(over):
            for key in COLOUR:
                out.pop(key, None)
        if {"kelvin", "duv"} & set(over) and not {"hue", "saturation"} & set(over):
            for key in ("xy", "hue", "saturation"):
                out.pop(key, None)
        if {"hue", "saturation"} & set(over):
            out.pop("xy", None)
        out.update(over)
        return out

    def _spread(self, table):
        groups = self.table.get("group", {})
        bodies = {f.table.get("lamp"): f.id for f in self.fixtures.values() if f.table.get("lamp")}
        out = {k: v for k, v in table.items() if k in LOOK_KEYS}
        for key, value in table.items():
            if key in groups:
                for member in groups[key]["members"]:
                    member = bodies.get(member, member)
                    out[member] = self._over(value, out.get(member, {}))
        for key, value in table.items():
            if key not in LOOK_KEYS and key not in groups:
                name = bodies.get(key, key)
                out[name] = self._over(out.get(name, {}), value)
        return out

    def colour(self, look, target):
        """The asked chromaticity, and (kelvin, duv) where it is a white."""
        both = {k: look[k] for k in COLOUR if k in look}
        own = {k: target[k] for k in COLOUR if k in target}
        if own:
            both = self._over(both, own)
        if "xy" in both:
            return tuple(both["xy"]), None
        kelvin = float(both.get("kelvin", self.white_balance))
        if "hue" in both:
            white = cf.uv76(cf.xy_of_cct(kelvin, 0.0))
            angle = math.radians(amount(both["hue"]))
            way = np.array([math.cos(angle), math.sin(angle)])
            edge = cf.edge_of_all_colours(white, way)
            return tuple(cf.xy_of_uv76(white + amount(both["saturation"]) * edge * way)), None
        duv = float(both.get("duv", 0.0))
        return tuple(cf.xy_of_cct(kelvin, duv)), (kelvin, duv)

    def moved(self, xy, target):
        """The colour at recall of one that moves: on its circle about the target's, at the stated hue."""
        circle = target.get("move")
        if not isinstance(circle, dict):
            return xy
        circle = circle["hue-circle"]
        centre, angle = cf.uv76(xy), math.radians(amount(circle.get("start", "0 deg")))
        way = np.array([math.cos(angle), math.sin(angle)])
        return tuple(cf.xy_of_uv76(centre + amount(circle["depth"]) * cf.edge_of_all_colours(centre, way) * way))

    def asked(self, look_name):
        """Per lit fixture: asked lux (None for a share of its most light), that share, chromaticity, white."""
        look = self.look(look_name)
        lamps = {k: v for k, v in look.items() if k in self.fixtures}
        key = look.get("key-is", "key")
        key = {f.table.get("lamp"): f.id for f in self.fixtures.values()}.get(key, key)

        def lux(target):
            if "stops" in target:
                return self.zero_stops * 2 ** float(target["stops"]), None
            if "lux" in target:
                return float(target["lux"]), None
            if "to-key" in target:
                base, share = lux(lamps[key])
                return (base * 2 ** float(target["to-key"]), None) if base is not None else (None, None)
            return None, amount(target["of-full"])

        out = {}
        for name, target in lamps.items():
            xy, white = self.colour(look, target)
            if "move" in target:
                xy, white = self.moved(xy, target), None
            level, share = lux(target)
            out[name] = (level, share, xy, white)
        return out

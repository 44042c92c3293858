"""One lamp: slots to emitter drives to light, from a profile as a plan writes it."""

import math

import numpy as np
from scipy.optimize import linprog

from . import colour_facts as cf
from .amounts import amount


class Emitter:
    """A colour of light: chromaticity, a spectrum that has it, lux at 1 m, watts."""

    def __init__(self, name, table, spectra):
        self.name = name
        self.lux = float(table["lux"]) if "lux" in table else amount(table["candela"])
        self.watts = amount(table.get("watts", "0 W"))
        self.measured = None
        if "spectrum" in table:
            self.measured = spectra(table["spectrum"])
            self.xy = cf.xy_of_spectrum(self.measured)
        elif "xy" in table:
            self.xy = tuple(table["xy"])
        else:
            self.xy = tuple(cf.xy_of_cct(float(table["kelvin"]), float(table.get("duv", 0.0))))

    def spectrum_per_lux(self):
        """Its spectrum, scaled so that its Y is 1 lx."""
        power = self.measured if self.measured is not None else cf.spectrum_for(self.xy)
        return power / (power @ cf.OBSERVER[:, 1])

    def behind(self, mired, duv):
        """The same behind a gel: one that has a colour temperature is shifted; a saturated one stays, and so does
        one that the shift would take out of all colours."""
        if mired == 0 and duv == 0:
            return self
        kelvin, tint = cf.cct_of_xy(self.xy)
        if abs(tint) > 0.05 or not 1000 <= kelvin <= 20000:
            return self
        seen = object.__new__(Emitter)
        seen.__dict__ = dict(self.__dict__, measured=None)
        shifted = min(max(1e6 / kelvin + mired, 50.0), 1000.0)
        seen.xy = tuple(cf.xy_of_cct(1e6 / shifted, min(max(tint + duv, -0.05), 0.05)))
        return seen if cf.is_real(seen.xy) else self


def curve(channel, value):
    """Relative light of a channel's value, 0 to 1."""
    q = value / (255 if channel.get("bits", 8) == 8 else 65535)
    law = channel.get("curve", "linear")
    if law == "linear":
        return q
    if law == "square":
        return q * q
    if law == "gamma-2.2":
        return q**2.2
    if law == "lightness":  # CIE 15, 8.2.1.1, solved for Y
        lightness = 100 * q
        return ((lightness + 16) / 116) ** 3 if lightness > 8 else lightness * 27 / 24389
    raise ValueError(law)


def weights(emitters):
    """Rows: emitters; columns: X, Y, Z of full drive, Y in lux."""
    return np.array([[e.lux * e.xy[0] / e.xy[1], e.lux, e.lux * (1 - e.xy[0] - e.xy[1]) / e.xy[1]] for e in emitters])


def hull(points):
    """Corners of the convex hull, counter-clockwise; degenerate sets give a point or a segment."""
    rest = sorted({tuple(p) for p in points})
    if len(rest) < 3:
        return [np.array(p) for p in rest]

    def half(chain):
        out = []
        for p in chain:
            while len(out) >= 2 and _turn(out[-2], out[-1], p) <= 1e-15:
                out.pop()
            out.append(p)
        return out[:-1]

    return [np.array(p) for p in half(rest) + half(rest[::-1])]


def _turn(a, b, c):
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def nearest_reachable(emitters, xy):
    """The chromaticity nearest in u'v' that a mix can have, and its distance (0 inside)."""
    at = cf.uv76(xy)
    corners = hull([cf.uv76(e.xy) for e in emitters])
    if len(corners) == 1:
        return cf.xy_of_uv76(corners[0]), float(np.hypot(*(corners[0] - at)))
    edges = list(zip(corners, corners[1:] + corners[:1])) if len(corners) > 2 else [tuple(corners)]
    if len(corners) > 2 and all(_turn(a, b, at) >= 0 for a, b in edges):
        return np.array(xy), 0.0
    best = None
    for a, b in edges:
        way = np.clip((at - a) @ (b - a) / ((b - a) @ (b - a)), 0, 1)
        point = a + way * (b - a)
        distance = float(np.hypot(*(point - at)))
        if best is None or distance < best[1]:
            best = (point, distance)
    return cf.xy_of_uv76(best[0]), best[1]


def most_light(emitters, xy):
    """Drives of the brightest mix at a reachable chromaticity, by scipy's linear program.

    Among equally bright mixes this may be another than lampkeep's: compare light and colour, not drives.
    """
    big = weights(emitters)
    x, y = xy
    total = big.sum(1)
    # In units of the whole lamp, and with room for rounding: a target on the outline leaves none.
    rows = np.array([big[:, 0] - x * total, big[:, 1] - y * total]) / total.max()
    for slack in (0.0, 1e-12, 1e-10, 1e-8):
        found = linprog(
            -big[:, 1] / big[:, 1].max(),
            A_ub=np.vstack([rows, -rows]),
            b_ub=np.full(4, slack),
            bounds=[(0, 1)] * len(emitters),
            method="highs",
            options={"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10},
        )
        if found.status == 0 and -found.fun > 1e-6:
            return found.x
    return np.zeros(len(emitters))


def on_the_line(one, two, kelvin):
    """Where the straight line between two emitters has this CCT; beyond its ends the end nearer in mired."""
    a, b = cf.uv60(one.xy), cf.uv60(two.xy)
    ka, kb = cf.cct_of_xy(one.xy)[0], cf.cct_of_xy(two.xy)[0]
    asked = 1e6 / kelvin
    ma, mb = 1e6 / ka, 1e6 / kb
    if not min(ma, mb) < asked < max(ma, mb):
        return one.xy if abs(ma - asked) < abs(mb - asked) else two.xy
    # The isotherm of the asked CCT cuts the line.
    u, v, du, dv = cf._locus(asked)
    foot = np.array([u, v])
    way = np.array([du, dv])
    share = ((foot - a) @ way) / ((b - a) @ way)
    return cf.xy_of_uv60(a + share * (b - a))


def most_light_white(emitters, kelvin, duv, tint):
    """The brightest mix at a white, as near as the emitters come; two emitters meet the CCT."""
    if len(emitters) == 2 and not tint:
        return most_light(emitters, on_the_line(*emitters, kelvin))
    return most_light(emitters, nearest_reachable(emitters, cf.xy_of_cct(kelvin, duv))[0])


class Mode:
    """A mode: channels in slot order, and what their values do."""

    def __init__(self, table, emitters):
        self.channels, at = [], 0
        for channel in table["slots"]:
            size = 1 if channel.get("bits", 8) == 8 else 2
            self.channels.append((at, size, channel))
            at += size
        self.white = float(table.get("kelvin", 5600))
        self.emitters = emitters
        self.words = [c["drives"] for *_, c in self.channels]

    def value(self, word, slots):
        for at, size, channel in self.channels:
            if channel["drives"] == word:
                return channel, slots[at] if size == 1 else slots[at] * 256 + slots[at + 1]
        return None, 0

    def share(self, word, slots):
        channel, value = self.value(word, slots)
        return value / (255 if channel.get("bits", 8) == 8 else 65535)

    def level(self, word, slots):
        channel, value = self.value(word, slots)
        return curve(channel, value)

    def drives(self, slots):
        """What the slots drive each emitter to, 0 to 1."""
        names = [e.name for e in self.emitters]
        master = self.level("intensity", slots) if "intensity" in self.words else 1.0
        if "hue" in self.words:
            white, _ = nearest_reachable(self.emitters, cf.xy_of_cct(self.white, 0.0))
            from_uv = cf.uv76(white)
            angle = 2 * math.pi * self.share("hue", slots)
            way = np.array([math.cos(angle), math.sin(angle)])
            edge = _exit(hull([cf.uv76(e.xy) for e in self.emitters]), from_uv, way)
            target = cf.xy_of_uv76(from_uv + self.share("saturation", slots) * edge * way)
            return master * most_light(self.emitters, nearest_reachable(self.emitters, target)[0])
        if "kelvin" in self.words:
            low, high = self.value("kelvin", slots)[0]["kelvin"]
            kelvin = low + (high - low) * self.share("kelvin", slots)
            duv = 0.0
            if "tint" in self.words:
                low, high = self.value("tint", slots)[0]["duv"]
                duv = low + (high - low) * self.share("tint", slots)
            return master * most_light_white(self.emitters, kelvin, duv, "tint" in self.words)
        if any(word in names for word in self.words):
            return np.array([master * self.level(name, slots) for name in names])
        return np.full(len(names), master)


def _exit(corners, origin, way):
    best = 0.0
    for a, b in zip(corners, corners[1:] + corners[:1]):
        matrix = np.column_stack([way, a - b])
        if abs(np.linalg.det(matrix)) < 1e-18:
            continue
        distance, share = np.linalg.solve(matrix, a - origin)
        if distance > 0 and -1e-9 <= share <= 1 + 1e-9:
            best = max(best, distance)
    return best

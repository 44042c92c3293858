"""Light at the meter points by sums over samples, from docs/light.md: no closed form of the program's is used."""

import math

import numpy as np

from .amounts import amount
from . import colour_facts as cf

FINE, COARSE = 6000, 150
WALL_PART = 0.1
BOARD_PART = 0.05
OPEN_END, WALL_HEIGHT, WALL_ASIDE = 3.0, 2.5, 1.0
WINDOW_RADIUS = 0.564


def unit(v):
    return v / np.linalg.norm(v)


def across(axis):
    side = np.cross([0.0, 0.0, 1.0], axis)
    side = unit(side) if np.linalg.norm(side) > 1e-9 else np.array([1.0, 0.0, 0.0])
    return side, np.cross(axis, side)


class Card:
    """A rectangle that faces along `facing`, its width level."""

    def __init__(self, middle, facing, size):
        side, up = across(facing)
        self.middle, self.facing = middle, facing
        self.half = side * size[0] / 2, up * size[1] / 2

    def parts(self, part):
        n = [max(1, math.ceil(2 * np.linalg.norm(h) / part)) for h in self.half]
        a, b = (((2 * np.arange(k) + 1) / k - 1) for k in n)
        a, b = (x.ravel() for x in np.meshgrid(a, b))
        area = 4 * np.linalg.norm(self.half[0]) * np.linalg.norm(self.half[1]) / len(a)
        return self.middle + a[:, None] * self.half[0] + b[:, None] * self.half[1], area

    def stops(self, start, end):
        """Whether each straight way from `start` to `end` (arrays of points) goes through it."""
        way = end - start
        down = way @ self.facing
        with np.errstate(divide="ignore", invalid="ignore"):
            part = ((self.middle - start) @ self.facing) / down
        off = start + part[..., None] * way - self.middle
        inside = [np.abs(off @ h) <= h @ h for h in self.half]
        return (np.abs(down) > 1e-12) & (part >= 0) & (part <= 1) & inside[0] & inside[1]


class Front:
    def __init__(self, at, axis, radius, beam):
        self.at, self.axis, self.radius = at, axis, radius or 0.0
        if beam is not None and beam < 180:
            self.power = math.log(0.5) / math.log(math.cos(math.radians(beam / 2)))
        else:
            self.power = 1.0 if beam is None and self.radius > 0 else None

    def on(self, points, normals, flags):
        """Lux on small planes for 1 lx at 1 m on the axis."""
        way = points - self.at
        distance = np.linalg.norm(way, axis=1)
        direction = way / distance[:, None]
        cosine = direction @ self.axis
        if self.power is None:
            facing, shape, relative = direction, np.ones(len(points)), np.ones(len(points))
        else:
            relative = np.where(cosine > 0, np.maximum(cosine, 1e-12) ** self.power, 0.0)
            facing, shape = np.broadcast_to(self.axis, direction.shape), relative / np.maximum(cosine, 0.02)
        if self.radius <= 0:
            lux = relative * np.maximum(-np.sum(direction * normals, axis=1), 0) / distance**2
            for flag in flags:
                lux = np.where(flag.stops(np.broadcast_to(self.at, points.shape), points), 0.0, lux)
            return lux
        samples = FINE if len(points) == 1 else COARSE
        k = np.arange(samples)
        far, turn = self.radius * np.sqrt((k + 0.5) / samples), k * 2.399963229728653
        # One frame for the whole disc, or one for each point where it faces all of them.
        side = np.cross(np.array([0.0, 0.0, 1.0]), facing)
        bare = np.linalg.norm(side, axis=1) < 1e-9
        side[bare] = [1.0, 0.0, 0.0]
        side /= np.linalg.norm(side, axis=1)[:, None]
        up = np.cross(facing, side)
        spots = self.at + (far * np.cos(turn))[None, :, None] * side[:, None] + (far * np.sin(turn))[None, :, None] * up[:, None]
        ray = spots - points[:, None]
        square = np.sum(ray**2, axis=2)
        light = np.maximum(np.sum(ray * normals[:, None], axis=2), 0) * np.maximum(-np.sum(ray * facing[:, None], axis=2), 0)
        light = light / square**2
        for flag in flags:
            light = np.where(flag.stops(spots, np.broadcast_to(points[:, None], spots.shape)), 0.0, light)
        return (1 + self.radius**2) * shape * light.mean(axis=1)


class Meter:
    """Every meter point of a plan, and what each lamp sends there for each lux that it reads at 1 m."""

    def __init__(self, plan):
        self.plan = plan
        table = plan.table
        self.lamps = list(plan.fixtures)
        self.fronts = [Front(f.at, unit(f.target - f.at), f.radius, f.beam) for f in plan.fixtures.values()]
        origin = np.zeros(3)
        stands = lambda t: plan.place(t, origin)
        size = lambda t: [amount(s) for s in (t["size"] if isinstance(t.get("size"), list) else [t.get("size", "1 m")] * 2)]
        self.flags = []
        for flag in table.get("flag", {}).values():
            at = stands(flag)
            cut = plan.fixtures[flag["cuts"]].at if "cuts" in flag else origin
            self.flags.append(Card(at, unit(cut - at), size(flag)))
        self.boards = []
        for board in table.get("bounce", {}).values():
            if "fed-by" in board:
                at = stands(board)
                card = Card(at, unit(plan.subjects[0]["at"] - at), size(board))
                self.boards.append((board["fed-by"], card, amount(board.get("reflectance", "80 %"))))
        self.windows = []
        for window in table.get("daylight", {}).values():
            at = stands(window)
            front = Front(at, unit(-at), WINDOW_RADIUS, 360.0)
            here = front.on(np.zeros((1, 3)), unit(at)[None], [])[0]
            self.windows.append((front, float(window["lux"]) / here, cf.xy_of_cct(float(window["kelvin"]), 0.0)))
        self.lit = [self._spread(card, WALL_PART, self.fronts) for card in self._surfaces()]
        self.reflectance = amount(plan.room.get("reflectance", "50 %")) if plan.room else 0.0
        self.fed = [self._spread(card, BOARD_PART, [self.fronts[self.lamps.index(lamp)]]) for lamp, card, _ in self.boards]

    def _spread(self, card, part, fronts):
        points, area = card.parts(part)
        normals = np.broadcast_to(card.facing, points.shape)
        return card, points, area, [front.on(points, normals, self.flags) for front in fronts]

    def _surfaces(self):
        room = self.plan.room
        if not room:
            return []
        floor = -self.plan.eye
        at = lambda key, otherwise: amount(room[key]) if key in room else otherwise
        left, right, back, front = -at("left", OPEN_END), at("right", OPEN_END), at("back", OPEN_END), -OPEN_END
        top = floor + at("ceiling", WALL_HEIGHT)
        x, y, z = (left + right) / 2, (front + back) / 2, (floor + top) / 2
        wide, deep, high = right - left, back - front, top - floor
        v = lambda *a: np.array(a, dtype=float)
        cards = {
            "back": Card(v(x, back, z), v(0, -1, 0), (wide, high)),
            "left": Card(v(left, y, z), v(1, 0, 0), (deep, high)),
            "right": Card(v(right, y, z), v(-1, 0, 0), (deep, high)),
            "ceiling": Card(v(x, y, top), v(0, 0, -1), (wide, deep)),
        }
        return [card for key, card in cards.items() if key in room]

    def receptor(self, word, subject, key):
        at, nose, room = subject["at"], subject["nose"], self.plan.room or {}
        if word == "hair":
            at = self.plan.hair(subject)
            own = [f for f in self.plan.fixtures.values() if np.allclose(f.target, at)]
            return at, unit(own[0].at - at) if own else unit(-nose + np.array([0, 0, 1.0]))
        if word == "face-camera":
            return at, unit(self.camera() - at)
        if word.startswith("face"):
            way = unit(self.plan.fixtures[key].at - at)
            aside = np.array([-nose[1], nose[0], 0.0])
            return at, way if word == "face-lit" else way - 2 * (way @ aside) * aside
        x = at[0]
        if word == "wall-left":
            x -= min(WALL_ASIDE, (at[0] + amount(room["left"])) / 2 if "left" in room else WALL_ASIDE)
        if word == "wall-right":
            x += min(WALL_ASIDE, (amount(room["right"]) - at[0]) / 2 if "right" in room else WALL_ASIDE)
        return np.array([x, amount(room["back"]), at[2]]), np.array([0.0, -1.0, 0.0])

    def camera(self):
        table = next(iter(self.plan.table["camera"].values()))
        return self.plan.place(table, np.zeros(3), ("6:00", 2.5))

    def sent(self, point, normal):
        """Per lamp; modifiers' loss in."""
        one = lambda front: front.on(point[None], normal[None], self.flags)[0]
        sums = np.array([one(f) for f in self.fronts])
        def returned(card, points, area):
            way = point - points
            square = np.sum(way**2, axis=1)
            seen = np.maximum(way @ card.facing, 0) * np.maximum(-(way @ normal), 0) / np.maximum(square, 1e-9) ** 2
            return seen * area / math.pi
        for (lamp, _, reflectance), (card, points, area, (light,)) in zip(self.boards, self.fed):
            open_ = np.ones(len(points))
            for flag in self.flags:
                open_ = np.where(flag.stops(points, np.broadcast_to(point, points.shape)), 0.0, open_)
            sums[self.lamps.index(lamp)] += reflectance * float(np.sum(returned(card, points, area) * light * open_))
        for card, points, area, lights in self.lit:
            if abs((point - card.middle) @ card.facing) < 1e-6:
                continue
            seen = returned(card, points, area)
            sums += self.reflectance * np.array([float(seen @ light) for light in lights])
        return sums * np.array([2**-f.loss for f in self.plan.fixtures.values()])

    def daylight(self, point, normal):
        return [(front.on(point[None], normal[None], self.flags)[0] * lux, xy) for front, lux, xy in self.windows]

    def reading(self, word, subject, key, lights):
        """Lux and chromaticity; `lights`: per lamp, its lux at its own aim and its chromaticity."""
        point, normal = self.receptor(word, subject, key)
        total = np.zeros(3)
        for name, sent in zip(self.lamps, self.sent(point, normal)):
            lux, xy = lights.get(name, (0.0, None))
            if lux > 0:
                total += sent * lux / self.plan.fixtures[name].gain * tristimulus(xy)
        for lux, xy in self.daylight(point, normal):
            total += lux * tristimulus(xy)
        return total[1], (tuple(total[:2] / total.sum()) if total[1] > 0 else None)


def tristimulus(xy):
    x, y = xy
    return np.array([x / y, 1.0, (1 - x - y) / y])

"""Random lamps and looks, written as plans. Every figure is made up."""

from pathlib import Path

import numpy as np

from . import colour_facts as cf

CURVES = ["linear", "square", "gamma-2.2", "lightness"]


def _colour_inside(rng):
    """A chromaticity well inside of all colours: a mix of three spectral lines."""
    while True:
        picked = cf.OBSERVER[rng.integers(70, 300, 3)]
        big = rng.dirichlet([1, 1, 1]) @ (picked / picked.sum(1, keepdims=True))
        x, y = big[0] / big.sum(), big[1] / big.sum()
        if y > 0.05 and x + y < 0.96:
            return round(float(x), 4), round(float(y), 4)


def _emitters(rng, count, folder, name):
    out = []
    for index in range(count):
        lux, watts = float(np.exp(rng.uniform(3, 7.5))), float(rng.uniform(2, 60))
        kind = rng.integers(0, 2)
        colour = (
            f"kelvin = {rng.uniform(2000, 10000):.0f}, duv = {rng.uniform(-0.006, 0.006):.4f}"
            if kind
            else "xy = [{}, {}]".format(*_colour_inside(rng))
        )
        out.append((f"e{index}", f'{colour}, lux = {lux:.2f}, watts = "{watts:.2f} W"'))
    return out


def _channel(rng, word, bits, extra=""):
    curve = rng.choice(CURVES)
    return f'{{ drives = "{word}", bits = {bits}, curve = "{curve}"{extra} }}'


def _profile(rng, room, name, folder):
    """A profile and what can be asked of it: none, white, tinted or any colour."""
    kind = rng.choice(["emitters", "emitters", "emitters", "master", "white", "tint", "hue", "dimmer"])
    # Half of the lamps are fine throughout, so that the promise for 16 bits is tried often.
    bits = 16 if rng.random() < 0.6 else 8
    lines = [f"[profile.{name}]", 'cooling = "fan"', f'standby = "{rng.uniform(0, 9):.1f} W"']
    if room.random() < 0.8:
        lines.append(f'radius = "{room.uniform(1, 45):.0f} cm"')
    if room.random() < 0.8:
        lines.append(f'beam = "{room.choice([12, 25, 40, 60, 90, 110, 120, 150, 175, 200])} deg"')
    lines.append("[profile.%s.emitter]" % name)
    if kind in ("white", "tint"):
        warm, cool = sorted(rng.uniform(2300, 9000, 2))
        cool = max(cool, warm + 1500)
        emitters = [
            ("warm", f'kelvin = {warm:.0f}, duv = {rng.uniform(-0.003, 0.004):.4f}, lux = {rng.uniform(80, 2000):.1f}, watts = "40 W"'),
            ("cool", f'kelvin = {cool:.0f}, duv = {rng.uniform(-0.003, 0.004):.4f}, lux = {rng.uniform(80, 2000):.1f}, watts = "44 W"'),
        ]
        if kind == "tint":
            emitters += [
                ("lime", 'xy = [0.3819, 0.5291], lux = 260, watts = "12 W"'),
                ("magenta", 'xy = [0.38, 0.16], lux = 90, watts = "14 W"'),
            ]
        slots = [_channel(rng, "intensity", bits), f'{{ drives = "kelvin", bits = {bits}, kelvin = [{warm:.0f}, {cool:.0f}] }}']
        if kind == "tint":
            slots.append(f'{{ drives = "tint", bits = {bits}, duv = [-0.02, 0.02] }}')
    elif kind == "hue":
        emitters = [
            ("red", f'xy = [0.69, 0.30], lux = {rng.uniform(40, 400):.1f}, watts = "12 W"'),
            ("green", f'xy = [0.18, 0.74], lux = {rng.uniform(80, 800):.1f}, watts = "12 W"'),
            ("blue", f'xy = [0.15, 0.03], lux = {rng.uniform(15, 90):.1f}, watts = "12 W"'),
            ("white", f'kelvin = {rng.uniform(3000, 7000):.0f}, lux = {rng.uniform(80, 800):.1f}, watts = "12 W"'),
        ]
        slots = [_channel(rng, "intensity", bits)] + [f'{{ drives = "{w}", bits = {bits} }}' for w in ("hue", "saturation")]
    elif kind == "dimmer":
        emitters = _emitters(rng, 1, folder, name)
        slots = [_channel(rng, "intensity", bits)]
    else:
        emitters = _emitters(rng, int(rng.integers(3, 9)), folder, name)
        order = rng.permutation(len(emitters))
        slots = [_channel(rng, emitters[i][0], bits) for i in order]
        if kind == "master":
            slots.insert(int(rng.integers(0, len(slots) + 1)), _channel(rng, "intensity", bits))
    if rng.random() < 0.3:
        slots.insert(int(rng.integers(0, len(slots) + 1)), '{ drives = "fixed", value = 7, about = "made up" }')
    lines += [f"{n} = {{ {t} }}" for n, t in emitters]
    lines += [f"[profile.{name}.mode.only]", "slots = [", *(f"  {s}," for s in slots), "]"]
    return "\n".join(lines), kind, emitters, len(slots) + (bits // 8) * len(slots)


def _xy_of_mix(rng, emitters):
    """A chromaticity that these emitters can mix."""
    big = np.zeros(3)
    for _, text in emitters:
        if "xy" in text:
            x, y = (float(t) for t in text.split("[")[1].split("]")[0].split(","))
        else:
            kelvin = float(text.split("kelvin = ")[1].split(",")[0])
            duv = float(text.split("duv = ")[1].split(",")[0]) if "duv" in text else 0.0
            x, y = cf.xy_of_cct(kelvin, duv)
        lux = float(text.split("lux = ")[1].split(",")[0])
        big += rng.random() * lux / y * np.array([x, y, 1 - x - y])
    return big[0] / big.sum(), big[1] / big.sum()


def _target(rng, kind, emitters, is_key, gel):
    level = rng.choice(["stops", "of-full", "lux", "to-key"])
    if level == "to-key" and is_key:
        level = "stops"
    value = {
        "stops": f"{rng.uniform(-8, 2):.3f}",
        "to-key": f"{rng.uniform(-5, 1):.3f}",
        "lux": f"{np.exp(rng.uniform(0, 6)):.3f}",
        "of-full": f'"{100 * 2 ** rng.uniform(-8, 0):.4f} %"',
    }[level]
    colour = ""
    if kind in ("emitters", "master", "hue"):
        pick = rng.random()
        if pick < 0.5:
            x, y = _xy_of_mix(rng, emitters)
            colour = f", xy = [{x:.6f}, {y:.6f}]"
        elif pick < 0.75:
            colour = f", kelvin = {rng.uniform(2000, 10000):.0f}, duv = {rng.uniform(-0.01, 0.01):.4f}"
        else:
            colour = f', hue = "{rng.uniform(0, 360):.2f} deg", saturation = "{rng.uniform(2, 95):.2f} %"'
    elif kind in ("white", "tint"):
        colour = f", kelvin = {rng.uniform(2000, 9000):.0f}"
        if kind == "tint":
            colour += f", duv = {rng.uniform(-0.006, 0.006):.4f}"
    return f"{{ {level} = {value}{colour} }}"


def _plan(rng, index, folder, looks):
    names = ["key", "fill", "hair", "rim"]
    # What stands in the room has numbers of its own, so that the lamps stay those of earlier versions.
    room = np.random.default_rng(index)
    lines = [
        f'name = "random-{index}"',
        f"[camera.main]\niso = {rng.choice([100, 400, 800, 3200])}\nf-number = {rng.choice([1.4, 2.8, 4, 5.6])}",
        f'shutter = "1/{rng.choice([25, 50, 60, 100])}"\nwhite-balance = {rng.uniform(3000, 7000):.0f}',
        f'[subject.pilot]\nfaces = "{rng.integers(5, 8)}:30"\neye-height = "{rng.uniform(1.0, 1.7):.2f} m"',
        f'[subject.guest]\nat = ["{room.uniform(0.5, 1.2):.2f} m", "{room.uniform(-0.3, 0.6):.2f} m"]\nfaces = "7:30"',
        '[room]\nback = "2.4 m"\nleft = "2.6 m"\nright = "2.9 m"\nceiling = "2.6 m"',
        f'[modifier.box]\nloss = "{rng.uniform(0, 2):.2f} stops"\nsize = "{rng.uniform(30, 120):.0f} cm"',
        f'[modifier.gel]\nloss = "{rng.uniform(0, 1):.2f} stops"\nmired = "{rng.uniform(-60, 60):.0f} mired"\nduv = {rng.uniform(-0.003, 0.003):.4f}',
    ]
    kinds, at = {}, 1
    for name in names:
        profile, kind, emitters, slots = _profile(rng, room, f"p-{name}", folder)
        mods = [m for m in ("box", "gel") if rng.random() < 0.3]
        kinds[name] = (kind, emitters, "gel" in mods)
        place = (
            f'aim = "wall"\nfrom-wall = "{rng.uniform(0.3, 1.2):.2f} m"\nheight = "{rng.uniform(0.2, 2):.2f} m"'
            if name == "rim"
            else f'clock = "{rng.integers(1, 13)}:{rng.integers(0, 60):02d}"\nraise = "{rng.uniform(-20, 60):.1f} deg"\n'
            f'distance = "{rng.uniform(0.6, 4):.2f} m"'
        )
        if name == "hair":
            place += '\naim = "hair"'
        lines += [
            profile,
            f'[fixture.{name}]\nprofile = "p-{name}"\naddress = {at}\n{place}\nmodifiers = {[str(m) for m in mods]}'.replace("'", '"'),
        ]
        at += slots
    lines += [
        f'[bounce.board]\nclock = "{room.integers(2, 5)}:15"\ndistance = "{room.uniform(0.5, 1.5):.2f} m"\nfed-by = "key"',
        f'size = ["{room.uniform(0.3, 1.5):.2f} m", "{room.uniform(0.3, 1.2):.2f} m"]\nreflectance = "{room.uniform(20, 95):.0f} %"',
        f'[flag.black]\nclock = "{room.integers(1, 13)}:30"\ndistance = "{room.uniform(0.4, 0.8):.2f} m"\nsize = "{room.uniform(20, 90):.0f} cm"',
        f'[daylight.window]\nclock = "{room.integers(8, 11)}:00"\ndistance = "{room.uniform(1.5, 2.5):.2f} m"\nkelvin = 6500\nlux = {room.uniform(0, 60):.1f}',
    ]
    for look in range(looks):
        lines.append(f"[look.look-{look}]")
        if room.random() < 0.3:
            asked = ["face-camera", "face-camera@guest", "wall"][room.integers(0, 3)]
            lines.append(f'meter = {{ "{asked}" = {room.uniform(-3, 2):.2f}, hair = {room.uniform(-3, 1):.2f} }}')
        lines += [f"{name} = {_target(rng, *kinds[name][:2], name == 'key', kinds[name][2])}" for name in names]
    path = Path(folder) / f"random-{index}.toml"
    path.write_text("\n".join(lines) + "\n")
    return path


def write(folder, looks, rng, per_plan=20):
    """Plans with `looks` looks in all, `per_plan` each."""
    out, index = [], 0
    while looks > 0:
        out.append(_plan(rng, index, folder, min(per_plan, looks)))
        looks -= per_plan
        index += 1
    return out

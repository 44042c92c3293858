"""Amounts with units, as docs/plan-reference.md lists them."""

import math
import re

UNITS = {
    "s": 1, "ms": 1e-3, "us": 1e-6, "min": 60, "h": 3600, "d": 86400,
    "m": 1, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "in": 0.0254,
    "deg": 1, "°": 1, "%": 0.01, "stops": 1, "stop": 1, "mired": 1,
    "W": 1, "kW": 1000, "V": 1, "A": 1, "C": 1, "°C": 1, "Hz": 1, "kHz": 1000, "cd": 1, "kcd": 1000,
}


def amount(text):
    """`"5 ft 3 in"` in its base unit (metres, seconds, degrees, shares, ...)."""
    parts = re.findall(r"([+-]?[0-9.]+)\s*([a-zA-Z%°]+)", text)
    if not parts:
        raise ValueError(f"no amount: {text!r}")
    return sum(float(number) * UNITS[unit] for number, unit in parts)


def clock_direction(text):
    """Unit vector in the floor's plane (x to camera right, y away from the camera) towards a clock position."""
    hours, minutes = text.split(":")
    angle = math.radians(int(hours) % 12 * 30 + int(minutes) / 2)
    return (math.sin(angle), math.cos(angle))

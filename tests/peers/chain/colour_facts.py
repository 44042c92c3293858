"""Chromaticity from spectra: CIE 1931 2-degree functions at 1 nm, Planck's law, CIE 1960 u,v."""

import functools
import math

import colour
import numpy as np
from scipy.optimize import brentq, minimize_scalar, nnls
from scipy.spatial import ConvexHull

# The table is colour-science's copy of the CIE's (CIE 018), 360 to 830 nm at 1 nm.
_CMFS = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(colour.SpectralShape(360, 830, 1))
WAVELENGTHS_NM = np.arange(360.0, 831.0)
OBSERVER = np.asarray(_CMFS.values)  # rows: wavelengths; columns: x, y, z
C2 = 1.4388e-2  # m K, as the standard's tables use it


def xy_of_spectrum(power):
    """x, y of a spectrum at 360..830 nm, 1 nm."""
    big = power @ OBSERVER
    return big[0] / big.sum(), big[1] / big.sum()


def uv60(xy):
    """CIE 1960 u, v."""
    x, y = xy
    d = -2 * x + 12 * y + 3
    return np.array([4 * x / d, 6 * y / d])


def uv76(xy):
    """CIE 1976 u', v'."""
    x, y = xy
    d = -2 * x + 12 * y + 3
    return np.array([4 * x / d, 9 * y / d])


def xy_of_uv60(uv):
    u, v = uv
    d = 2 * u - 8 * v + 4
    return np.array([3 * u / d, 2 * v / d])


def xy_of_uv76(uv):
    u, v = uv
    d = 6 * u - 16 * v + 12
    return np.array([9 * u / d, 4 * v / d])


def planck(kelvin):
    """Planck's law at 360..830 nm, any scale."""
    m = WAVELENGTHS_NM * 1e-9
    return (560e-9 / m) ** 5 / np.expm1(C2 / (m * kelvin))


@functools.lru_cache(maxsize=200_000)
def _locus(mired):
    power = planck(1e6 / mired)
    m = WAVELENGTHS_NM * 1e-9
    # Derivative by mired, so that the tangent needs no difference of near numbers.
    a = C2 / m * 1e-6
    slope = -power * a * np.exp(a * mired) / np.expm1(a * mired)
    big, step = power @ OBSERVER, slope @ OBSERVER
    d, dd = big @ (1.0, 15.0, 3.0), step @ (1.0, 15.0, 3.0)
    u, v = 4 * big[0] / d, 6 * big[1] / d
    du, dv = (4 * step[0] - u * dd) / d, (6 * step[1] - v * dd) / d
    return u, v, du, dv


def xy_of_cct(kelvin, duv):
    """Chromaticity of a CCT and Duv; positive Duv is above the locus (Ohno 2013)."""
    u, v, du, dv = _locus(1e6 / kelvin)
    length = math.hypot(du, dv)
    normal = np.array([-dv, du]) / length
    if normal[1] < 0:
        normal = -normal
    return xy_of_uv60(np.array([u, v]) + duv * normal)


def cct_of_xy(xy):
    """CCT and Duv: the nearest point of the Planckian locus in CIE 1960 u, v."""
    at = uv60(xy)

    def along(mired):
        u, v, du, dv = _locus(mired)
        return (at[0] - u) * du + (at[1] - v) * dv

    grid = np.linspace(40.0, 1050.0, 203)
    near = min(grid, key=lambda m: math.hypot(at[0] - _locus(m)[0], at[1] - _locus(m)[1]))
    low, high = max(near - 5.0, 35.0), near + 5.0
    if along(low) * along(high) > 0:
        found = minimize_scalar(
            lambda m: math.hypot(at[0] - _locus(m)[0], at[1] - _locus(m)[1]), bounds=(low, high), method="bounded"
        ).x
    else:
        found = brentq(along, low, high, xtol=1e-10)
    u, v, *_ = _locus(found)
    distance = math.hypot(at[0] - u, at[1] - v)
    return 1e6 / found, math.copysign(distance, at[1] - v)


def spectrum_for(xy):
    """Some spectrum (360..830 nm) of this chromaticity: spectral lines, by non-negative least squares.

    An emitter of which only the chromaticity is known may have any such spectrum; light adds alike.
    """
    x, y = xy
    lines = slice(20, 341, 2)  # 380 to 700 nm
    picked = OBSERVER[lines]
    # Chromaticity as two conditions and the luminance as the third.
    rows = np.vstack([picked[:, 0] - x * picked.sum(1), picked[:, 1] - y * picked.sum(1), picked[:, 1]])
    weights, residual = nnls(rows, np.array([0.0, 0.0, 1.0]))
    if residual > 1e-9:
        raise ValueError(f"no spectrum has x {x} y {y}")
    power = np.zeros(len(WAVELENGTHS_NM))
    power[lines] = weights
    return power


@functools.lru_cache(maxsize=1)
def all_colours():
    """Corners of the area of all colours in u'v': every mix of spectral lines, so the convex hull of them."""
    sums = OBSERVER.sum(1)
    use = sums > 0
    points = np.array([uv76((o[0] / s, o[1] / s)) for o, s in zip(OBSERVER[use], sums[use])])
    return points[ConvexHull(points).vertices]


def is_real(xy):
    """True for a chromaticity that some light can have."""
    at, corners = uv76(xy), all_colours()
    rays = np.roll(corners, -1, axis=0) - corners
    return bool(np.all(rays[:, 0] * (at[1] - corners[:, 1]) - rays[:, 1] * (at[0] - corners[:, 0]) >= -1e-9))


def edge_of_all_colours(white_uv, direction):
    """Distance in u'v' from a white to the edge of all colours."""
    corners = all_colours()
    for a, b in zip(corners, np.roll(corners, -1, axis=0)):
        matrix = np.column_stack([direction, a - b])
        if abs(np.linalg.det(matrix)) < 1e-18:
            continue
        way, share = np.linalg.solve(matrix, a - white_uv)
        if way > 0 and -1e-12 <= share <= 1 + 1e-12:
            return way
    raise ValueError("the white is no colour")

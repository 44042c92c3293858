"""The face's renderer against a general-purpose ray library: the same head as a mesh of triangles, the same eyes and lamps.

Reads what tests/pictures_rays.rs writes to target/rays. What a ray meets, and what light lies there, is worked out here from the
mesh alone, with Embree (by embreex) for every ray. Bounds: the mesh has a grid of 2 mm, shadows of the renderer one of 3 mm."""

import sys

import numpy as np
from embreex import rtcore_scene
from embreex.mesh_construction import TriangleMesh

FOLDER = "target/rays/"
LOOKS = 400  # points of a lamp's front
LUX = 1000.0  # at 1 m on its axis
OFF = 1.5e-3  # a surface steps off itself by so much, in metres

points = np.fromfile(FOLDER + "points.f32", "<f4").reshape(-1, 3)
triangles = np.fromfile(FOLDER + "triangles.u32", "<u4").reshape(-1, 3).astype(np.int64)
views = np.fromfile(FOLDER + "views.f32", "<f4").reshape(-1, 7).astype(np.float64)
corners = points[triangles].astype(np.float64)
cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
keep = np.linalg.norm(cross, axis=1) > 1e-14
triangles, corners, cross = triangles[keep], corners[keep], cross[keep]
scene = rtcore_scene.EmbreeScene()
mesh = TriangleMesh(scene, corners.astype(np.float32))


def met(origins, ways):
    """Distance along each ray, infinite where it is free, and the triangle."""
    found = scene.run(origins.astype(np.float32), ways.astype(np.float32), output=True)
    far = np.where(found["primID"] >= 0, found["tfar"], np.inf)
    return far, found["primID"]


# Normals at points: of the triangles round each, the larger the more.
smooth = np.zeros_like(points, dtype=np.float64)
for k in range(3):
    np.add.at(smooth, triangles[:, k], cross)
smooth /= np.maximum(np.linalg.norm(smooth, axis=1), 1e-30)[:, None]


def light(at, facing, lamp, radius):
    """Lux of small planes under a matt disc that faces the origin: the cosine law summed over points of the disc."""
    axis = -lamp / np.linalg.norm(lamp)
    side = np.cross(axis, [0.0, 0.0, 1.0])
    side /= np.linalg.norm(side)
    up = np.cross(side, axis)
    luminance = LUX * (1 + radius**2) / (np.pi * radius**2)
    sum_ = np.zeros(len(at))
    from_ = at + OFF * facing
    for i in range(LOOKS):
        far, round_ = radius * np.sqrt((i + 0.5) / LOOKS), i * 2.399963229728653
        q = lamp + far * (np.cos(round_) * side + np.sin(round_) * up)
        ray = q - from_
        long = np.linalg.norm(ray, axis=1)
        way = ray / long[:, None]
        cosines = np.maximum((way * facing).sum(1), 0) * np.maximum(-way @ axis, 0)
        lit = cosines > 0
        free = np.zeros(len(at), bool)
        hit, _ = met(from_[lit], way[lit])
        free[lit] = hit >= long[lit]
        sum_ += np.where(free, cosines / long**2, 0.0)
    return luminance * np.pi * radius**2 * sum_ / LOOKS


failed = False
for index, view in enumerate(views):
    lamp, radius, eye = view[:3], view[3], view[4:]
    rows = np.fromfile(FOLDER + f"view-{index}.f32", "<f4").reshape(-1, 5).astype(np.float64)
    way, ours, lux = rows[:, :3], rows[:, 3], rows[:, 4]
    far, which = met(np.broadcast_to(eye, way.shape).copy(), way)
    both = (ours > 0) & np.isfinite(far)
    other = ((ours > 0) != np.isfinite(far)).sum()
    off = 1000 * np.abs(ours - far)[both]
    at = eye + far[both][:, None] * way[both]
    tri = which[both]
    # Barycentric shares, for smooth normals.
    a, b, c = (corners[tri, k] for k in range(3))
    whole = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    shares = [
        np.linalg.norm(np.cross(c - b, at - b), axis=1) / whole,
        np.linalg.norm(np.cross(a - c, at - c), axis=1) / whole,
        np.linalg.norm(np.cross(b - a, at - a), axis=1) / whole,
    ]
    facing = sum(s[:, None] * smooth[triangles[tri, k]] for k, s in enumerate(shares))
    facing /= np.linalg.norm(facing, axis=1)[:, None]
    theirs = light(at, facing, lamp, radius)
    peak = np.percentile(theirs, 99.5)
    error = np.abs(lux[both] - theirs) / peak
    mean, most, wide = error.mean(), np.percentile(error, 99), np.mean(error > 0.1)
    print(
        f"view {index}: {both.sum()} pixels; {other} met by one alone; depth: median {np.median(off):.3f} mm, 99 in 100 under "
        f"{np.percentile(off, 99):.2f} mm; light: mean error {100 * mean:.2f} % of the peak, 99 in 100 under {100 * most:.1f} %, over 10 %: "
        f"{100 * wide:.2f} %"
    )
    good = other < 0.01 * both.sum() and np.median(off) < 0.1 and mean < 0.01 and most < 0.12
    failed |= not good
sys.exit(failed)

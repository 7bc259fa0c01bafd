"""Nets that hang about the lane: how much of a pixel their twine covers, at rest and swaying."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.records import Floats, Ints
from tracker.simulation.compiled import compiled

Floats32 = NDArray[np.float32]
NET_X_M, NET_BACK_Y_M, NET_FRONT_Y_M, NET_TOP_M = 1.83, -2.6, 19.0, 3.2
MESH_M, TWINE_M = 0.048, 0.003
SWAY_S = 2.6  # period of a net that hangs 3 m: a pendulum's is 2 pi sqrt(2/3 x 3.2 / g) = 2.9 s; our choice


@compiled
def covered(a: float, b: float) -> float:
    """Share of the interval a to b that lies on twine: lines TWINE_M wide, MESH_M apart."""
    whole_a, whole_b = math.floor(a / MESH_M), math.floor(b / MESH_M)
    on_a = whole_a * TWINE_M + min(a - whole_a * MESH_M, TWINE_M)
    on_b = whole_b * TWINE_M + min(b - whole_b * MESH_M, TWINE_M)
    return (on_b - on_a) / max(b - a, 1e-9)


@compiled
def mesh(u: float, v: float, wide_u: float, wide_v: float) -> float:
    """Share of a pixel's footprint, wide_u by wide_v metres about (u, v), that twine covers; a rope along the top."""
    if abs(v - NET_TOP_M) < 0.02 or v < 0.03:
        return 0.9
    across = covered(u - wide_u / 2, u + wide_u / 2)
    up = covered(v - wide_v / 2, v + wide_v / 2)
    return 1 - (1 - across) * (1 - up)


@compiled
def _fill(
    u: Floats32, v: Floats32, wide_u: Floats32, wide_v: Floats32, time_s: float, sway_m: float, out: Floats32
) -> None:
    turn = 2 * math.pi * time_s / SWAY_S
    for i in range(len(u)):
        a, b = float(u[i]), float(v[i])
        if sway_m > 0:
            hang = sway_m * (1 - b / NET_TOP_M)
            a += hang * (math.sin(turn + 0.7 * a) + 0.4 * math.sin(2.3 * turn + 2.1 * a + 1.3 * b))
            b += 0.35 * hang * math.sin(1.6 * turn + 1.1 * a)
        out[i] = mesh(a, b, float(wide_u[i]), float(wide_v[i]))


@dataclass(frozen=True, eq=False)
class NetLayer:
    """The pixels in which a net is seen, in order: where on the net each looks, and how wide its footprint is.

    pixel (n,) index into the flat picture; u_m, v_m (n,) along the net and up; wide_u_m, wide_v_m (n,); tone: L of
    the twine
    """

    pixel: Ints
    u_m: Floats32
    v_m: Floats32
    wide_u_m: Floats32
    wide_v_m: Floats32
    tone: float

    def cover(self, time_s: float, sway_m: float) -> Floats32:
        """Share of each pixel that twine covers (n,) at a time."""
        out = np.empty(len(self.pixel), np.float32)
        _fill(self.u_m, self.v_m, self.wide_u_m, self.wide_v_m, time_s, sway_m, out)
        return out


def net_faces() -> Floats:
    """The lane's nets, rows of (axis, at, from, to): planes x = +-NET_X_M and y = NET_BACK_Y_M; u is the other axis."""
    return np.array(
        [
            [0.0, NET_X_M, NET_BACK_Y_M, NET_FRONT_Y_M],
            [0.0, -NET_X_M, NET_BACK_Y_M, NET_FRONT_Y_M],
            [1.0, NET_BACK_Y_M, -NET_X_M, NET_X_M],
        ]
    )


def layers(centre_m: Floats, ray: Floats, solid_m: Floats32, tone: float) -> tuple[NetLayer, NetLayer]:
    """The nets before and behind what moves on the lane, as seen along the rays (h, w, 3) of a camera at `centre_m`.

    A net is before the lane where the ray meets it from outside; solid_m (h, w) is how far the first solid surface
    is, so that a net behind a wall is not seen. Where several nets lie on one side the nearest is taken.
    """
    shape = ray.shape[:2]
    best = np.full((2, *shape), np.inf)
    chosen = np.full((2, *shape, 2), np.nan)
    for axis_f, at, start, stop in net_faces():
        axis = int(axis_f)
        other = 1 - axis
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (at - centre_m[axis]) / ray[..., axis]
            u, v = centre_m[other] + t * ray[..., other], centre_m[2] + t * ray[..., 2]
            hit = (t > 0.05) & (t < solid_m) & (u >= start) & (u <= stop) & (v >= 0) & (v <= NET_TOP_M + 0.02)
        outward = 1.0 if at > 0 else -1.0
        outside = (centre_m[axis] - at) * outward > 0
        side = 0 if outside else 1
        nearer = hit & (t < best[side])
        best[side][nearer] = t[nearer]
        chosen[side][nearer] = np.stack([u, v], axis=-1)[nearer]
    return _layer(chosen[0], tone), _layer(chosen[1], tone)


def _layer(uv: Floats, tone: float) -> NetLayer:
    height, width = uv.shape[:2]
    wide = np.full(uv.shape, 0.01)
    across, down = np.abs(np.diff(uv, axis=1)), np.abs(np.diff(uv, axis=0))
    step = np.full((height, width, 2), np.nan)
    step[:, :-1] = across
    step[:-1] = np.fmax(step[:-1], down)
    wide = np.where(np.isfinite(step) & (step < 1.0), step, wide)
    pixel = np.flatnonzero(np.isfinite(uv[..., 0]).ravel())
    flat, size = uv.reshape(-1, 2)[pixel], wide.reshape(-1, 2)[pixel]
    u, v, wide_u, wide_v = (a.astype(np.float32) for a in (flat[:, 0], flat[:, 1], size[:, 0], size[:, 1]))
    return NetLayer(pixel, u, v, wide_u, wide_v, tone)

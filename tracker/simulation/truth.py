"""The true value of every quantity that a run reports, from the dense path (definitions: docs/files.md)."""

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from calibration.lane import PITCH_LENGTH_M, gate_y_m
from tracker.records import Air, Ball, Floats
from tracker.simulation.world import Contact, Forces, Ground, Hit, Nets, Path, Throw, fly

QUANTITIES = (  # the columns of deliveries.csv that have a `_sd`, in its order
    "release_speed_mps",
    "release_x_m",
    "release_y_m",
    "release_z_m",
    "release_azimuth_deg",
    "release_elevation_deg",
    "gate_x_m",
    "gate_z_m",
    "gate_speed_mps",
    "bounce_x_m",
    "bounce_y_m",
    "speed_at_bounce_mps",
    "speed_off_bounce_mps",
    "swing_m",
    "deviation_deg",
    "deviation_m",
    "stumps_x_m",
    "stumps_z_m",
)


@dataclass(frozen=True, eq=False)
class Flown:
    """One ball as it truly flew.

    path   what happened, with the bat, the nets and the floor
    free   the same without a bat, carried on: what the quantities at the stumps refer to
    kind   "bounce" or "full_toss"
    truth  every name of QUANTITIES, NaN where it does not exist
    bounce_s, end_s  first bounce (NaN: none); when the free flight that a camera can see ends (bat, net, y = 0)
    """

    throw: Throw
    path: Path
    free: Path
    kind: str
    truth: dict[str, float]
    bounce_s: float
    end_s: float


def deliver(
    throw: Throw,
    forces: Forces,
    ground: Ground,
    ball: Ball | None = None,
    air: Air | None = None,
    *,
    hit: Hit | None = None,
    pitch_length_m: float = PITCH_LENGTH_M,
    nets: Nets | None = None,
    lasting_s: float = 2.0,
) -> Flown:
    """Let a ball fly, with the bat (if `hit`) and without, and note the truth."""
    ball, air = ball or Ball(), air or Air()
    path = fly(throw, forces, ground, ball, air, hit=hit, nets=nets or Nets(), lasting_s=lasting_s)
    free = fly(throw, forces, ground, ball, air, lasting_s=min(lasting_s, 3.0))
    met, pitched = path.first("bat"), _pitched(free)
    if met is not None and (pitched is None or met.time_s < pitched.time_s):
        # the bat came before the floor: carried on to the stumps without one
        free = fly(throw, forces, None, ball, air, lasting_s=min(lasting_s, 3.0))
        pitched = None
    crossed_s = crossing(free, 0.0)
    if pitched is not None and pitched.time_s > crossed_s:
        pitched = None
    ends = [c.time_s for c in path.contacts if c.what in ("bat", "stumps", "net", "side net")] + [crossed_s, path.end_s]
    truth = measures(free, throw, pitched is not None, crossed_s, pitch_length_m)
    bounce_s = pitched.time_s if pitched is not None else math.nan
    kind = "bounce" if pitched is not None else "full_toss"
    return Flown(throw, path, free, kind, truth, bounce_s, float(np.nanmin(ends)))


def _pitched(free: Path) -> Contact | None:
    return next((c for c in free.contacts if c.what in ("bounce", "rolling")), None)


def crossing(path: Path, y_m: float) -> float:
    """When the ball first crosses the plane y = y_m toward the striker; NaN if it never does."""
    end_s = min(path.end_s, path.start_s + 5.0)
    times = np.linspace(path.start_s, end_s, 400)
    y = path.position_m(times)[:, 1] - y_m
    falls = np.flatnonzero((y[:-1] > 0) & (y[1:] <= 0))
    if not len(falls):
        return math.nan
    i = int(falls[0])
    found = brentq(lambda t: float(path.position_m(np.array([t]))[0, 1] - y_m), times[i], times[i + 1], xtol=1e-12)
    return float(found)


def azimuth_rad(velocity: Floats) -> float:
    """Horizontal direction of travel: 0 straight down the pitch, positive toward +x."""
    return math.atan2(velocity[0], -velocity[1])


def measures(free: Path, throw: Throw, bounced: bool, crossed_s: float, pitch_length_m: float) -> dict[str, float]:
    """Every name of QUANTITIES from the path without a bat."""
    out = dict.fromkeys(QUANTITIES, math.nan)
    p, v = np.asarray(throw.release_m, float), np.asarray(throw.velocity_mps, float)
    out["release_speed_mps"] = float(np.linalg.norm(v))
    out["release_x_m"], out["release_y_m"], out["release_z_m"] = (float(c) for c in p)
    out["release_azimuth_deg"] = math.degrees(azimuth_rad(v))
    out["release_elevation_deg"] = math.degrees(math.atan2(v[2], math.hypot(v[0], v[1])))
    gate_s = crossing(free, gate_y_m(pitch_length_m))
    if not math.isnan(gate_s):
        gate = free.state(np.array([gate_s]))[0]
        out["gate_x_m"], out["gate_z_m"] = float(gate[0]), float(gate[2])
        out["gate_speed_mps"] = float(np.linalg.norm(gate[3:]))
    at_stumps = None if math.isnan(crossed_s) else free.state(np.array([crossed_s]))[0]
    if at_stumps is not None:
        out["stumps_x_m"], out["stumps_z_m"] = float(at_stumps[0]), float(at_stumps[2])
    pitched = _pitched(free) if bounced else None
    down = pitched.before if pitched is not None else at_stumps
    if down is not None:
        out["swing_m"] = float(down[0] - (p[0] + (down[1] - p[1]) * v[0] / v[1]))
    if pitched is not None:
        a, b = pitched.before, pitched.after
        out["bounce_x_m"], out["bounce_y_m"] = float(a[0]), float(a[1])
        out["speed_at_bounce_mps"] = float(np.linalg.norm(a[3:]))
        out["speed_off_bounce_mps"] = float(np.linalg.norm(b[3:]))
        out["deviation_deg"] = math.degrees(azimuth_rad(b[3:]) - azimuth_rad(a[3:]))
        if at_stumps is not None:
            out["deviation_m"] = float(at_stumps[0] - (a[0] - a[1] * a[3] / a[4]))
    return out

"""The lane's fixed marks by name: where the Laws put them, and how far each may be trusted.

The table is `pitch_control_points.csv` beside this module (its head names its sources); other pitch lengths move the
bowler's end, junior wickets change the stumps. The doubts below are a choice, no source: painted lines and stumps are
seldom truer than 2 mm; where the Laws only say "at least", the mark fixes one direction and not the other.
"""

import csv
from functools import cache
from importlib.resources import files

import numpy as np

from calibration import lane
from calibration.camera import Floats
from calibration.errors import LanepairError, nearest

USUAL_SD_M = 0.002
LOOSE_M = 1.0  # the doubt along a direction a mark does not fix
SILHOUETTE_SD_M = 0.010  # along y, of a wicket's outer edge: which side of the stump is seen depends on the camera
# what the Laws leave open, by the part of the name after the end: doubts along x, y, z
OPEN_SD_M = {
    "wicket_edge": (USUAL_SD_M, SILHOUETTE_SD_M, USUAL_SD_M),
    "pop_end_min": (LOOSE_M, USUAL_SD_M, USUAL_SD_M),
    "pop_centre": (LOOSE_M, USUAL_SD_M, USUAL_SD_M),
    "return_rear": (USUAL_SD_M, LOOSE_M, USUAL_SD_M),
    "pitch_corner": (0.05, 0.05, USUAL_SD_M),
    "protected_corner": (0.02, 0.02, USUAL_SD_M),
    "bail_top": (0.03, 0.01, 0.01),
}
PAINTED = ("bowlcrease_end", "pop_x_return")  # corners of paint: the sharpest marks
STUMPS = ("stump_mid", "stump_off", "stump_leg", "wicket_edge")


@cache
def _table() -> dict[str, tuple[float, float, float]]:
    text = files("calibration").joinpath("pitch_control_points.csv").read_text(encoding="utf-8")
    rows = csv.DictReader(line for line in text.splitlines() if not line.startswith("#"))
    return {r["point_id"]: (float(r["x_m"]), float(r["y_m"]), float(r["z_m"])) for r in rows}


def mark_names() -> tuple[str, ...]:
    """Every mark that has a name."""
    return tuple(_table())


def named_mark(
    name: str, pitch_length_m: float = lane.PITCH_LENGTH_M, junior_stumps: bool = False
) -> tuple[Floats, Floats]:
    """Lane coordinates (3,) of a named mark and their doubt (3,), metres.

    Raises LanepairError, with the nearest known name, where there is no such mark.

    >>> named_mark("B_pop_x_return_off")[0].round(4).tolist()
    [1.3208, 18.8976, 0.0]
    >>> named_mark("B_stump_off_top", 17.3736, junior_stumps=True)[0].round(4).tolist()
    [0.0842, 17.3736, 0.6858]
    """
    if name not in _table():
        raise LanepairError(f'no mark is called "{name}"; {nearest(name, list(_table()))}')
    point = np.array(_table()[name])
    if name.startswith("B_"):
        point[1] += pitch_length_m - lane.PITCH_LENGTH_M
    if junior_stumps:
        point = _junior(name, point)
    kind = next((kind for kind in OPEN_SD_M if name[2:].startswith(kind)), None)
    return point, np.array(OPEN_SD_M[kind] if kind else (USUAL_SD_M,) * 3)


def _junior(name: str, point: Floats) -> Floats:
    """The same mark on a junior wicket: 8 in wide and 27 in high, stumps up to 34.9 mm thick."""
    narrower = (lane.WICKET_WIDTH_M - lane.JUNIOR_WICKET_WIDTH_M) / 2
    x, y, z = point
    if name[2:].startswith("wicket_edge"):
        x -= np.sign(x) * narrower
    elif name[2:].startswith(("stump_off", "stump_leg")):
        x = np.sign(x) * (lane.JUNIOR_WICKET_WIDTH_M / 2 - lane.JUNIOR_STUMP_DIAMETER_M / 2)
    if z > 0.5:
        z -= lane.STUMP_HEIGHT_M - lane.JUNIOR_STUMP_HEIGHT_M
    return np.array([x, y, z])


def likely_cause(name: str, error_m: Floats) -> str:
    """What probably went wrong with a mark whose leave-one-out error (3,), found minus stated, is known; "" if unsure.

    >>> likely_cause("S_pop_x_return_off", np.array([0.002, 0.048, 0.0]))
    'the paint was probably clicked on its front edge: 50 mm'
    """
    dx, dy, dz = np.nan_to_num(error_m)  # what one camera cannot tell counts as nothing
    inward = dy if name.startswith("S_") else -dy  # toward the middle of the pitch, where the paint lies
    x = _table().get(name, (0.0, 0.0, 0.0))[0]
    flat = abs(dz) < 0.02
    if name[2:].startswith((*PAINTED, "pop_")) and flat and abs(inward - lane.LINE_WIDTH_M) < 0.02 and abs(dx) < 0.025:
        return "the paint was probably clicked on its front edge: 50 mm"
    outward = dx * np.sign(x)
    if name[2:].startswith((*PAINTED, "return_")) and flat and abs(outward - lane.LINE_WIDTH_M) < 0.02:
        return "the return crease was probably clicked on its outer edge: 50 mm"
    if name[2:].startswith(STUMPS):
        for other, where in _table().items():
            if other != name and other[0] == name[0] and other[2:].startswith(STUMPS):
                step = np.array(where) - np.array(_table()[name])
                if np.linalg.norm(step - error_m) < 0.02 and np.linalg.norm(step) > 0.04:
                    return f"it lies where {other} should be"
        if name.endswith("_top") and abs(dz + lane.STUMP_HEIGHT_M - lane.JUNIOR_STUMP_HEIGHT_M) < 0.008:
            return "the stumps may be of the junior size: use --junior-stumps"
    if abs(dx + 2 * x) < 0.1 and abs(x) > 0.5 and abs(dy) < 0.2:
        return "off and leg were probably exchanged"
    return ""

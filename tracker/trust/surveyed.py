"""How well a rig would be known once calibrated from the lane's own marks: its covariance before anything is filmed.

Fisher information of one joint adjustment (docs/method.md): poses of both cameras, their focal lengths and principal
points as a board leaves them, and the marks themselves as a survey leaves them, seen by clicks in each picture.
"""

from dataclasses import replace

import numpy as np

from calibration.camera import Camera, Floats
from calibration.marks import PAINTED, mark_names, named_mark
from calibration.rig import VIEWS, Rig

CLICK_SD_PX = 0.4  # of a refined click, each axis
FOCAL_SD = 0.001  # of the focal length, as a share: a board filmed as the guide says
CENTRE_SD_PX = 1.0  # of the principal point, likewise
TAPED_X_M, TAPED_SHARES, TAPED_SD_M = 1.2, (0.2, 0.4, 0.6, 0.8), 0.003  # flat tape in pairs along the lane, measured
FEWEST = 4  # marks in a picture without which a pose is not to be had
_USED = ("rx", "ry", "rz", "tx", "ty", "tz", "fx", "fy", "cx", "cy")
_PRIOR_SD = np.array([np.inf] * 6 + [FOCAL_SD, FOCAL_SD, CENTRE_SD_PX, CENTRE_SD_PX])  # focal: times f


def usual_marks(pitch_length_m: float, taped: bool = True) -> tuple[Floats, Floats]:
    """The marks to calibrate from, (n, 3), and their doubts (n, 3), metres.

    Corners of paint and tops of stumps, which any lane has; `taped` adds four pairs of tape marks on the floor along
    the lane, for the time of the calibration.
    """
    wanted = (*PAINTED, "stump_off_top", "stump_mid_top", "stump_leg_top")
    found = [named_mark(n, pitch_length_m) for n in mark_names() if n[2:].startswith(wanted)]
    point, sd = [at for at, _ in found], [doubt for _, doubt in found]
    if taped:
        point += [np.array([x, share * pitch_length_m, 0.0]) for share in TAPED_SHARES for x in (-TAPED_X_M, TAPED_X_M)]
        sd += [np.full(3, TAPED_SD_M)] * (len(point) - len(sd))
    return np.array(point), np.array(sd)


def marks_seen(rig: Rig, taped: bool = True) -> tuple[int, int]:
    """How many of the usual marks each camera sees."""
    point, _ = usual_marks(rig.pitch_length_m, taped)
    left, right = (int(camera.sees(point).sum()) for camera in rig.cameras)
    return left, right


def as_calibrated(rig: Rig, taped: bool = True, click_sd_px: float = CLICK_SD_PX) -> Rig | None:
    """The rig with the covariance that its calibration from lane marks would leave.

    None where a camera sees too few marks for a pose.
    """
    if min(marks_seen(rig, taped)) < FEWEST:
        return None
    point, mark_sd = usual_marks(rig.pitch_length_m, taped)
    own = 2 * len(_USED)
    normal = np.zeros((own + point.size, own + point.size))
    for view, camera in enumerate(rig.cameras):
        part = slice(view * len(_USED), (view + 1) * len(_USED))
        sees = camera.sees(point)
        _, by_camera = camera.project_with_parameters(point[sees])
        _, by_point = camera.project_with_slope(point[sees])
        for row, mark in enumerate(np.flatnonzero(sees)):
            slope = np.zeros((2, len(normal)))
            slope[:, part] = by_camera[row][:, : len(_USED)]
            slope[:, own + 3 * mark : own + 3 * mark + 3] = by_point[row]
            normal += slope.T @ slope / click_sd_px**2
        normal[part, part] += np.diag(1 / _prior_sd(camera) ** 2)
    normal[own:, own:] += np.diag(1 / mark_sd.ravel() ** 2)
    scale = 1 / np.sqrt(normal.diagonal())
    cov = np.linalg.inv(normal * np.outer(scale, scale)) * np.outer(scale, scale)
    names = tuple(f"{view}.{name}" for view in VIEWS for name in _USED)
    return replace(rig, names=names, cov=cov[:own, :own])


def _prior_sd(camera: Camera) -> Floats:
    sd = _PRIOR_SD.copy()
    sd[6:8] *= camera.lens.matrix[[0, 1], [0, 1]]
    return sd

"""What the rig's own covariance does to a flight: the fit's answer to a small change of each adjusted number.

By implicit differentiation of the fit's normal equations (equation F21): d theta / d rig = -C J' d r / d rig.
"""

import numpy as np

from calibration.camera import LENSES
from calibration.rig import VIEWS, Rig
from tracker.flight.model import SHADE, SIZE, Prediction, Rows
from tracker.records import Bools, Floats


def rig_covariance(
    theta: Floats, prediction: Prediction, cov: Floats, keep: Bools, rows: Rows, rig: Rig, clock_free: bool
) -> Floats:
    """Covariance (SIZE, SIZE) that the rig adds to the parameters.

    `cov` is the inverse of the information by which the rows were weighed. Where the flight estimates the clocks'
    offset itself (`clock_free`), its prior stands for the rig's doubt of it.
    """
    if rig.exact:
        return np.zeros((SIZE, SIZE))
    by_rig = slope_by_rig(theta, prediction, rows, rig)
    if clock_free:
        by_rig[:, :, [i for i, name in enumerate(rig.names) if name.endswith("time_offset_s")]] = 0.0
    slope = prediction.slope[keep].reshape(-1, SIZE)
    answer = -cov @ slope.T @ by_rig[keep].reshape(-1, len(rig.names))
    total: Floats = answer @ rig.cov @ answer.T
    return total


def slope_by_rig(theta: Floats, prediction: Prediction, rows: Rows, rig: Rig) -> Floats:
    """Derivative (n, 2, k) of the rows' whitened predictions by the rig's adjusted numbers."""
    out = np.zeros((len(rows), 2, len(rig.names)))
    point = prediction.state[:, :3] + [0.0, 0.0, theta[SHADE]]
    for view, camera in enumerate(rig.cameras):
        mine = rows.view == view
        _, by_camera = camera.project_with_parameters(point[mine])
        names = ("rx", "ry", "rz", "tx", "ty", "tz", "fx", "fy", "cx", "cy", *LENSES[len(camera.lens.distortion)])
        for i, name in enumerate(rig.names):
            side, own = name.split(".", 1)
            if side != VIEWS[view]:
                continue
            if own == "time_offset_s":
                out[mine, :, i] = np.einsum("nij,nj->ni", prediction.by_place[mine], prediction.state[mine, 3:])
            else:
                by_name = by_camera[:, :, names.index(own)]
                out[mine, :, i] = np.einsum("nij,nj->ni", rows.whiten[mine], by_name)
    return out

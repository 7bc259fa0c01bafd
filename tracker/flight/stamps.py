"""Unsteady stamps: sightings that miss the flight along their motion more than across it.

A stamp that is wrong by dt moves the ball by its image speed times dt, along its motion and no other way. So its sd
is told by what the sightings miss along their motion beyond their own doubt, and taken into their covariance there
(equation F22).
"""

from dataclasses import replace

import numpy as np

from tracker.flight.model import Prediction, Rows
from tracker.records import Bools, Floats

MEDIAN_CHI2 = 0.4549  # of chi-squared with one degree of freedom (table)
UNEVEN = 2.5  # how much more, in chi-squared, must be missed along the motion than across it
LEAST_S, MOST = 5e-6, 0.5  # s; of the time between frames: stamps as uneven as that would change places
FEWEST = 8  # sightings of a film that can show it


def stamp_sds_s(rows: Rows, prediction: Prediction, within: Bools) -> Floats:
    """The sd of each film's stamps (2,) in seconds; 0 where nothing shows it.

    Parameters
    ----------
    prediction : of the rows, with their own covariances
    within : (n,) the rows to judge by; gross errors among them do not matter, medians are taken
    """
    return np.array([_one_film(rows, prediction, within & (rows.view == view)) for view in (0, 1)])


def _one_film(rows: Rows, prediction: Prediction, within: Bools) -> float:
    along, across, rate = _parts(prediction, within)
    if len(along) < FEWEST:
        return 0.0
    sideways = max(float(np.median(across**2)) / MEDIAN_CHI2, 1.0)

    def excess(sd_s: float) -> float:
        return float(np.median(along**2 / (sideways + (sd_s * rate) ** 2))) / MEDIAN_CHI2

    low, high = LEAST_S, MOST * float(np.median(np.diff(rows.time_s[within])))
    if excess(0.0) < UNEVEN or excess(high) > 1:
        return 0.0
    for _ in range(40):
        middle = np.sqrt(low * high)
        low, high = (middle, high) if excess(middle) > 1 else (low, middle)
    return float(np.sqrt(low * high))


def _parts(prediction: Prediction, within: Bools) -> tuple[Floats, Floats, Floats]:
    """Residuals along and across the motion, and image speeds, all over the sightings' own sds: (n,) each."""
    motion = np.einsum("nij,nj->ni", prediction.by_place, prediction.state[:, 3:])
    rate = np.linalg.norm(motion, axis=1)
    fine = within & np.isfinite(prediction.residual).all(axis=1) & (rate > 0)
    ahead, miss = motion[fine] / rate[fine, None], prediction.residual[fine]
    along = (miss * ahead).sum(axis=1)
    across = miss[:, 0] * ahead[:, 1] - miss[:, 1] * ahead[:, 0]
    return along, across, rate[fine]


def loosened(rows: Rows, prediction: Prediction, sds_s: Floats) -> Rows:
    """The rows with each film's stamps (2,) in their covariances: variances grow along the predicted motion."""
    motion = np.nan_to_num(np.einsum("nij,nj->ni", prediction.by_place, prediction.state[:, 3:]))
    rate = np.linalg.norm(motion, axis=1)
    ahead = motion / np.maximum(rate, 1e-12)[:, None]
    less = 1 - 1 / np.sqrt(1 + (sds_s[rows.view] * rate) ** 2)
    shrink = np.eye(2) - less[:, None, None] * ahead[:, :, None] * ahead[:, None, :]
    return replace(rows, whiten=shrink @ rows.whiten)

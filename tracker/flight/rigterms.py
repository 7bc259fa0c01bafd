"""The rig's own doubt as terms of the fit: standard normal numbers, each with its push on every predicted pixel.

A rig known by a covariance has errors that a flight can see in part: rays that miss each other, a fall that is not
gravity's, a bounce that is not at the floor. The fit carries them as parameters with the covariance for a prior, so
that the sightings are weighed rightly and what cannot be told stays in the doubt (equation F19).

Beside it each view may see all balls a little off, to the same side: side light, the lens's own picture of a ball, the
background. That is one term an axis, and not the rig's.
"""

from dataclasses import dataclass

import numpy as np

from calibration.camera import LENSES
from calibration.rig import VIEWS, Rig
from tracker.records import Flight, Floats

POSE_AND_LENS = ("rx", "ry", "rz", "tx", "ty", "tz", "fx", "fy", "cx", "cy")  # OpenCV's order of derivatives
LEAST_SHARE = 1e-9  # of the largest: smaller eigenvalues of the correlations are rounding


@dataclass(frozen=True, eq=False)
class RigTerms:
    """How the rig's numbers, and the views' own bias, follow from m independent standard normal ones.

    names   of the rig's adjusted numbers
    factor  (k, m): covariance = factor factor'
    camera  for left and right, (10 + lens terms, m): the same in the order of a camera's derivatives
    clock_s (2, m): the same for the time offsets
    own     how many of the terms, the first, are the rig's
    """

    names: tuple[str, ...]
    factor: Floats
    camera: tuple[Floats, Floats]
    clock_s: Floats
    own: int

    @property
    def count(self) -> int:
        """How many terms there are."""
        return int(self.factor.shape[1])


def rig_terms(rig: Rig, clock_free: bool, view_bias_px: float = 0.0) -> RigTerms:
    """The rig's terms, and those of a bias of each view if `view_bias_px` is not 0.

    Where the flight estimates the clocks' offset itself (`clock_free`), its prior stands for the rig's doubt of it.
    """
    own_factor = _factor(rig.cov)
    m = own_factor.shape[1]
    factor = np.hstack([own_factor, np.zeros((len(own_factor), 4 if view_bias_px > 0 else 0))])
    cameras, clock = [], np.zeros((2, factor.shape[1]))
    for view, camera in enumerate(rig.cameras):
        order = (*POSE_AND_LENS, *LENSES[len(camera.lens.distortion)])
        own = np.zeros((len(order), factor.shape[1]))
        for name, row in zip(rig.names, factor, strict=True):
            side, number = name.split(".", 1)
            if side == VIEWS[view] and number == "time_offset_s":
                clock[view] = 0.0 if clock_free else row
            elif side == VIEWS[view]:
                own[order.index(number)] = row
        if view_bias_px > 0:
            own[order.index("cx"), m + 2 * view] = own[order.index("cy"), m + 2 * view + 1] = view_bias_px
        cameras.append(own)
    return RigTerms(rig.names, factor, (cameras[0], cameras[1]), clock, m)


def _factor(cov: Floats) -> Floats:
    """A square root (k, m) of a covariance, without what is rounding."""
    if not len(cov):
        return np.zeros((0, 0))
    sd = np.sqrt(np.maximum(cov.diagonal(), 0.0))
    scale = np.where(sd > 0, sd, 1.0)
    values, vectors = np.linalg.eigh(cov / np.outer(scale, scale))
    large = values > LEAST_SHARE * values[-1]
    root: Floats = sd[:, None] * vectors[:, large] * np.sqrt(values[large])
    return root


def moved_rig(terms: RigTerms, values: Floats) -> dict[str, float]:
    """By how much a flight would have each of the rig's numbers changed, by "rig." and its name."""
    return {f"rig.{name}": float(x) for name, x in zip(terms.names, terms.factor @ values, strict=True)}


def flight_rig(flight: Flight, rig: Rig) -> Rig:
    """The rig as a flight would have it, within the rig's own doubt: what predicts its pixels."""
    return rig.shifted(rig.names, np.array([flight.model.get(f"rig.{name}", 0.0) for name in rig.names]))

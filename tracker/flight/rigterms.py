"""The rig's own doubt as terms of the fit: standard normal numbers, each with its push on every predicted pixel.

A rig known by a covariance has errors that a flight can see in part: rays that miss each other, a fall that is not
gravity's, a bounce that is not at the floor. The fit carries them as parameters with the covariance for a prior, so
that the sightings are weighed rightly and what cannot be told stays in the doubt (equation F19).

Beside it each view may see the ball a little off to the same side for long: side light, what it flies past. Those are
slow courses along the flight, Legendre polynomials of its time, each with its sd in pixels and each axis by itself. A
film that keeps something of each frame in the next makes a ball trail behind itself, the more the fainter and slower it
is in the picture (`Sightings.trail_px`). Neither is the rig's, nor is what the ball's own markings do (`markings`).
"""

from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import LENSES
from calibration.rig import VIEWS, Rig
from tracker.flight.markings import Markings
from tracker.records import Flight, Floats
from tracker.settings import FlightSettings

POSE_AND_LENS = ("rx", "ry", "rz", "tx", "ty", "tz", "fx", "fy", "cx", "cy")  # OpenCV's order of derivatives
LEAST_SHARE = 1e-9  # of the largest: smaller eigenvalues of the correlations are rounding


@dataclass(frozen=True, eq=False)
class RigTerms:
    """How the rig's numbers, and what views and ball add, follow from m independent standard normal ones.

    names   of the rig's adjusted numbers
    factor  (k, m): covariance = factor factor'
    camera  for left and right, (10 + lens terms, m): the same in the order of a camera's derivatives
    clock_s (2, m): the same for the time offsets
    own     how many of the terms, the first, are the rig's
    view    the slow courses by which views are off
    markings  what the ball's own markings do
    """

    names: tuple[str, ...]
    factor: Floats
    camera: tuple[Floats, Floats]
    clock_s: Floats
    own: int
    view: "ViewTerms"
    markings: Markings

    @property
    def count(self) -> int:
        """How many terms there are."""
        return int(self.factor.shape[1])

    def within(self, time_s: Floats) -> "RigTerms":
        """The same with the views' courses over the times (n,) of a flight alone, not of all that was followed."""
        return replace(self, view=replace(self.view, span_s=(float(time_s.min()), float(time_s.max()))))


@dataclass(frozen=True, eq=False)
class ViewTerms:
    """What each view is off by for long.

    sd_px     (k,) of the polynomials by which a view is off, from the constant on; span_s: the time they cover
    trail_sd  of the number by which a film's sightings trail, each by its own `trail_px`
    aside_sd_px  of how far a film's colour lies aside of where it is taken to lie
    """

    sd_px: tuple[float, ...] = ()
    span_s: tuple[float, float] = (0.0, 1.0)
    trail_sd: float = 0.0
    aside_sd_px: float = 0.0

    @classmethod
    def over(cls, time_s: Floats, settings: FlightSettings) -> "ViewTerms":
        """A constant, a slope and a bend over times (n,), none where both sds are 0; trail and colour."""
        bias_px, drift_px = settings.view_bias_px, settings.view_drift_px
        sd_px = (bias_px, drift_px, drift_px) if bias_px > 0 or drift_px > 0 else ()
        return cls(sd_px, (float(time_s.min()), float(time_s.max())), settings.trail_sd, settings.aside_sd_px)

    @property
    def count(self) -> int:
        """How many terms there are: each of two views and two axes has its course, each view its trail and colour."""
        return 4 * len(self.sd_px) + 2 * (self.trail_sd > 0) + 2 * (self.aside_sd_px > 0)

    def push_px(self, view: int, time_s: Floats, trail_px: Floats, aside: Floats) -> Floats:
        """What the terms do to pixels (n, 2, count) of a view at times (n,) with trails (n, 2), aside (n,)."""
        course = self.course_px(time_s)
        k = course.shape[1]
        push = np.zeros((len(time_s), 2, self.count))
        for axis in (0, 1):
            first = (2 * view + axis) * k
            push[:, axis, first : first + k] = course
        if self.trail_sd > 0:
            push[:, :, 4 * k + view] = self.trail_sd * trail_px
        if self.aside_sd_px > 0:
            push[:, 0, self.count - 2 + view] = self.aside_sd_px * aside
        return push

    def course_px(self, time_s: Floats) -> Floats:
        """The polynomials (n, k) at times (n,), times their sds; held at their ends beyond the span."""
        first, last = self.span_s
        u = np.clip(2 * (time_s - first) / max(last - first, 1e-6) - 1, -1.0, 1.0)
        return np.asarray(
            np.polynomial.legendre.legvander(u, max(len(self.sd_px) - 1, 0))[:, : len(self.sd_px)] * self.sd_px
        )


def rig_terms(rig: Rig, clock_free: bool, view: ViewTerms | None = None, markings: Markings | None = None) -> RigTerms:
    """The rig's terms, then the views' own, then the ball's.

    Where the flight estimates the clocks' offset itself (`clock_free`), its prior stands for the rig's doubt of it.
    """
    own_factor = _factor(rig.cov)
    view, markings = view or ViewTerms(), markings or Markings()
    factor = np.hstack([own_factor, np.zeros((len(own_factor), view.count + markings.count))])
    cameras, clock = [], np.zeros((2, factor.shape[1]))
    for number_of_view, camera in enumerate(rig.cameras):
        order = (*POSE_AND_LENS, *LENSES[len(camera.lens.distortion)])
        own = np.zeros((len(order), factor.shape[1]))
        for name, row in zip(rig.names, factor, strict=True):
            side, number = name.split(".", 1)
            if side == VIEWS[number_of_view] and number == "time_offset_s":
                clock[number_of_view] = 0.0 if clock_free else row
            elif side == VIEWS[number_of_view]:
                own[order.index(number)] = row
        cameras.append(own)
    return RigTerms(rig.names, factor, (cameras[0], cameras[1]), clock, own_factor.shape[1], view, markings)


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

"""Bringing one clip's two clocks together: which stamps to believe, and what the flights say of the offset.

An offset is what is added to the right view's times. Flights are fitted with the offset free; a line through their
answers over the clip, weighted by their own variances, is the offset and its drift, and the right view's times are
moved by it. No two quartz clocks run alike, so there is always a drift, of which few balls tell little: its doubt is
carried to every ball.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import TypeVar

import numpy as np

from calibration.rig import Rig
from tracker.records import Clock, FilmReport, Flight, Floats, Sightings, Track
from tracker.vision.stamps import even_grid

T = TypeVar("T", float, Floats)
JITTER_WORTH_S = 20e-6  # stamps more even than this are left alone
DRIFT_SD_PPM = 100.0  # quartz clocks differ by tens of parts in a million, phones by up to two hundred
DRIFT_SIGMAS = 4.0  # a drift that shows beyond doubt
DISAGREES_SIGMAS, DISAGREES_S = 5.0, 0.3e-3  # an offset this far from what the rig says is another offset


def rig_offset_sd_s(rig: Rig) -> float:
    """One-sigma of the right-minus-left offset by the rig's covariance; 0 where it lists none."""
    sign = np.array([{"right.time_offset_s": 1.0, "left.time_offset_s": -1.0}.get(name, 0.0) for name in rig.names])
    return float(np.sqrt(max(sign @ rig.cov @ sign, 0.0))) if rig.names else 0.0


def evened(sightings: Sightings, film: FilmReport) -> Sightings | None:
    """The sightings with times from the even grid under the film's stamps; None where that changes nothing."""
    grid = even_grid(film.stamps_s)
    if grid is None or grid.jitter_s < JITTER_WORTH_S or not len(sightings):
        return None
    # frames are numbered in the order they were read, but for folders of images, whose stamps are even anyhow
    if len(film.stamps_s) <= int(sightings.frame.max()):
        return None
    shift = grid.time_s - film.stamps_s
    return replace(sightings, time_s=sightings.time_s + shift[sightings.frame])


def start_sd_s(films: Sequence[FilmReport]) -> float:
    """What is not known of the films' starts against each other once their stamps are put on their grids."""
    grids = [even_grid(film.stamps_s) for film in films]
    return float(np.linalg.norm([0.0 if grid is None else grid.start_sd_s for grid in grids]))


def moved(sightings: Sightings, clock: Clock) -> Sightings:
    """The right view's sightings on the left's clock."""
    return replace(sightings, time_s=sightings.time_s + offset_at(clock, sightings.time_s))


def moved_back(sightings: Sightings, clock: Clock) -> Sightings:
    """The right view's sightings on their own clock again."""
    own_s = (sightings.time_s - clock.right_minus_left_s) / (1 + clock.drift_ppm * 1e-6)
    return replace(sightings, time_s=own_s)


def offset_words(clock: Clock) -> str:
    """The offset where it is told best, with its sd.

    >>> offset_words(Clock(0.0012, 1e-4))
    '+1.200 ms (one sd 0.100)'
    """
    return f"{1e3 * offset_at(clock, clock.told_s):+.3f} ms (one sd {1e3 * clock.sd_s:.3f})"


def offset_at(clock: Clock, time_s: T) -> T:
    """What a clock adds to right times, one or many; the offset stands for time 0."""
    return clock.right_minus_left_s + clock.drift_ppm * 1e-6 * time_s


def middle_s(timed: Flight | Track) -> float:
    """The middle of a flight or track, on the clip's clock: the time for which it tells the clocks' offset."""
    if isinstance(timed, Flight):
        return (timed.start_s + timed.end_s) / 2
    return float(timed.time_s.min() + timed.time_s.max()) / 2


def joined(flights: Sequence[Flight], before: Clock, usual_ppm: float = 0.0) -> Clock | None:
    """The clip's clock from flights fitted with the offset free on top of `before`; None without a flight.

    A weighted straight line in time, gross errors left out, with `usual_ppm` and DRIFT_SD_PPM for its slope's prior;
    sds are widened where the flights scatter more than their own say, and by what the rig's errors do to all alike.
    """
    index = [f.names.index("clock_s") for f in flights]
    value = np.array([f.params[i] for f, i in zip(flights, index, strict=True)])
    common = np.array([f.rig_cov[i, i] for f, i in zip(flights, index, strict=True)])
    var = np.array([f.cov[i, i] for f, i in zip(flights, index, strict=True)])
    time_s = np.array([middle_s(f) for f in flights])
    good = np.isfinite(value) & np.isfinite(var) & (var > 0)
    if not good.any():
        return None
    value, var, time_s, rig_var = value[good], var[good], time_s[good], float(np.median(common[good]))
    middle = _weighted_median(value, 1 / np.sqrt(var))
    spread = 1.48 * float(np.median(np.abs(value - middle)))
    near = np.abs(value - middle) < 5 * np.sqrt(var + spread**2) + 1e-5
    value, var, time_s = value[near], var[near], time_s[near]
    told_s = float(np.average(time_s, weights=1 / var))
    line, line_sd = _line(value, var, 1e-6 * (time_s - told_s), usual_ppm)
    (level, slope), (level_sd, slope_sd) = line.tolist(), line_sd.tolist()
    return replace(
        before,
        right_minus_left_s=before.right_minus_left_s + level - 1e-6 * slope * told_s,
        sd_s=float(np.hypot(level_sd, np.sqrt(rig_var))),
        drift_ppm=before.drift_ppm + slope,
        drift_ppm_sd=slope_sd,
        source="balls",
        told_s=told_s,
    )


def from_start(told: Clock, stated: Clock, start_s: float) -> Clock:
    """The stated clock with the drift of a clip's flights, `told`; it holds where the right film starts.

    Their line tells the drift by its slope, and by where it stands at its middle, since it began there at `stated`.
    """
    late_s = told.told_s - start_s
    level_s = offset_at(told, told.told_s) - offset_at(stated, told.told_s)
    rate = np.array([told.drift_ppm, 1e6 * level_s / late_s])
    sd = np.array([told.drift_ppm_sd, 1e6 * np.hypot(told.sd_s, stated.sd_s) / abs(late_s)])
    weight = sd**-2.0
    drift_ppm, drift_ppm_sd = float(weight @ rate / weight.sum()), float(weight.sum() ** -0.5)
    begins_s = stated.right_minus_left_s - 1e-6 * drift_ppm * start_s
    return replace(stated, right_minus_left_s=begins_s, drift_ppm=drift_ppm, drift_ppm_sd=drift_ppm_sd, told_s=start_s)


def agrees(flight: Flight, clock: Clock) -> bool:
    """Whether a flight fitted with the offset free is no gross error beside what all say."""
    i, at_s = flight.names.index("clock_s"), middle_s(flight)
    sd_s = float(np.sqrt(flight.cov[i, i] + flight.rig_cov[i, i]))
    off = abs(flight.params[i] - offset_at(clock, at_s))
    return bool(off < DISAGREES_SIGMAS * np.hypot(sd_s, clock.sd_at(at_s)))


def _line(value: Floats, var: Floats, late: Floats, usual: float) -> tuple[Floats, Floats]:
    """Level and slope by weighted least squares with a prior on the slope, and their sds, widened by the scatter."""
    design = np.column_stack([np.ones_like(late), late])
    prior = np.array([0.0, 1 / DRIFT_SD_PPM**2])
    scale = 1.0
    for _ in range(2):  # the second time with the scatter that the first one finds
        weight = 1 / (var * scale)
        cov = np.linalg.inv((design.T * weight) @ design + np.diag(prior))
        found = cov @ ((design.T * weight) @ value + prior * usual)
        scale = max(1.0, float((((value - design @ found) ** 2) / var).sum()) / max(len(value) - 2, 1))
    return found, np.sqrt(cov.diagonal())


def _weighted_median(value: Floats, weight: Floats) -> float:
    order = np.argsort(value)
    share = np.cumsum(weight[order])
    return float(value[order][int(np.searchsorted(share, share[-1] / 2))])


def ends_s(flights: Sequence[Flight]) -> tuple[float, float]:
    """When the first and the last of the flights told the clocks' offset."""
    times_s = [middle_s(flight) for flight in flights]
    return min(times_s), max(times_s)


def disagrees(found: Clock, stated: Clock, flights: Sequence[Flight]) -> bool:
    """Whether the flights' offset is another one than stated, at the first or the last of them."""
    for at_s in ends_s(flights):
        off = abs(offset_at(found, at_s) - offset_at(stated, at_s))
        if off > DISAGREES_SIGMAS * np.hypot(found.sd_at(at_s), stated.sd_at(at_s)) and off > DISAGREES_S:
            return True
    return False


def drifts(clock: Clock) -> bool:
    """Whether the clocks run apart beyond doubt."""
    return abs(clock.drift_ppm) > DRIFT_SIGMAS * clock.drift_ppm_sd

"""Bringing one clip's two clocks together: which stamps to believe, and what the flights say of the offset.

An offset is what is added to the right view's times. Flights are fitted with the offset free; over a clip their
answers are averaged by their own variances, with a drift where it shows, and the right view's times are moved once.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calibration.rig import Rig
from tracker.records import Clock, FilmReport, Flight, Floats, Sightings
from tracker.vision.stamps import even_grid

JITTER_WORTH_S = 20e-6  # stamps more even than this are left alone
DRIFT_LEAST_BALLS, DRIFT_LEAST_SPAN_S, DRIFT_SIGMAS = 4, 20.0, 4.0
DRIFT_MOST_PPM = 1000.0  # cameras' quartz clocks differ by less
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


def offset_at(clock: Clock, time_s: Floats) -> Floats:
    """What a clock adds to right times (n,); the offset stands for time 0."""
    offset: Floats = clock.right_minus_left_s + clock.drift_ppm * 1e-6 * time_s
    return offset


def joined(flights: Sequence[Flight], before: Clock) -> Clock | None:
    """The clip's clock from flights fitted with the offset free on top of `before`; None without a flight.

    A weighted mean (and slope, with enough balls over enough time), gross errors left out; its sd is widened where
    the flights scatter more than their own sds say, and by what the rig's errors do to all of them alike.
    """
    index = [f.names.index("clock_s") for f in flights]
    value = np.array([f.params[i] for f, i in zip(flights, index, strict=True)])
    common = np.array([f.rig_cov[i, i] for f, i in zip(flights, index, strict=True)])
    var = np.array([f.cov[i, i] for f, i in zip(flights, index, strict=True)])
    time_s = np.array([(f.start_s + f.end_s) / 2 for f in flights])
    good = np.isfinite(value) & np.isfinite(var) & (var > 0)
    if not good.any():
        return None
    value, var, time_s, rig_var = value[good], var[good], time_s[good], float(np.median(common[good]))
    middle = _weighted_median(value, 1 / np.sqrt(var))
    spread = 1.48 * float(np.median(np.abs(value - middle)))
    near = np.abs(value - middle) < 5 * np.sqrt(var + spread**2) + 1e-5
    value, var, time_s = value[near], var[near], time_s[near]
    mean, mean_sd = _line(value, var, np.ones((len(value), 1)))
    offset_s, sd_s = before.right_minus_left_s + mean[0], float(np.hypot(mean_sd[0], np.sqrt(rig_var)))
    clock = replace(before, right_minus_left_s=offset_s, sd_s=sd_s, source="balls")
    if len(value) >= DRIFT_LEAST_BALLS and np.ptp(time_s) > DRIFT_LEAST_SPAN_S:
        line, line_sd = _line(value, var, np.column_stack([np.ones_like(time_s), time_s]))
        ppm, ppm_sd = 1e6 * line[1], 1e6 * line_sd[1]
        if abs(ppm) > DRIFT_SIGMAS * ppm_sd and abs(ppm) < DRIFT_MOST_PPM:
            at_middle = np.sqrt(1 / np.sum(1 / var) + rig_var)
            clock = replace(
                clock,
                right_minus_left_s=before.right_minus_left_s + line[0],
                sd_s=float(at_middle),
                drift_ppm=before.drift_ppm + ppm,
                drift_ppm_sd=ppm_sd,
            )
    return clock


def agrees(flight: Flight, clock: Clock) -> bool:
    """Whether a flight fitted with the offset free is no gross error beside what all say."""
    i = flight.names.index("clock_s")
    sd_s = float(np.sqrt(flight.cov[i, i] + flight.rig_cov[i, i]))
    return bool(abs(flight.params[i] - clock.right_minus_left_s) < DISAGREES_SIGMAS * np.hypot(sd_s, clock.sd_s))


def _line(value: Floats, var: Floats, design: Floats) -> tuple[Floats, Floats]:
    """Weighted least squares: coefficients, their sds (widened by the scatter where it is larger)."""
    weight = 1 / var
    cov = np.linalg.inv((design.T * weight) @ design)
    coefficients = cov @ (design.T * weight) @ value
    dof = len(value) - design.shape[1]
    chi2 = float((weight * (value - design @ coefficients) ** 2).sum() / dof) if dof > 0 else 1.0
    return coefficients, np.sqrt(cov.diagonal() * max(chi2, 1.0))


def _weighted_median(value: Floats, weight: Floats) -> float:
    order = np.argsort(value)
    share = np.cumsum(weight[order])
    return float(value[order][int(np.searchsorted(share, share[-1] / 2))])


def disagrees(found: Clock, stated: Clock) -> bool:
    """Whether the flights' offset is another one than stated."""
    off = abs(found.right_minus_left_s - stated.right_minus_left_s)
    sd = np.hypot(found.sd_s, stated.sd_s)
    return bool(off > DISAGREES_SIGMAS * sd and off > DISAGREES_S)

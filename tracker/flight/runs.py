"""Runs of sightings that are worse than they say: a batter, the bowler's arm or a net behind the ball spoils several.

A fit takes sightings for independent, and their covariances for true. What is behind a ball changes slowly, and so does
what it does to a sighting's place: ten frames before one coat are one error, not ten. Such a run shows in the sum of
its whitened residuals, which for independent ones has a variance of as many; where it is far beyond that the run is
made to count as one sighting. Where neighbours miss by far more than they state, each way, they are believed less.
"""

import numpy as np

from tracker.flight.solve import GATE
from tracker.records import Bools, Floats, Ints

TOGETHER = 8  # sightings of a view whose sum is looked at
NEIGHBOURS, SQUARES = 4, 31.8  # and whose squares are; chi-squared, 8 degrees of freedom, 1 in 10,000 (table)


def variance_factors(view: Ints, residual: Floats, keep: Bools) -> Floats:
    """By what the covariance of each row (n,) is to be multiplied: 1 for most.

    Parameters
    ----------
    view, residual, keep : (n,), (n, 2) whitened, in order of time; rows that the fit uses
    """
    factors = np.ones(len(view))
    for one in (0, 1):
        rows = np.flatnonzero(keep & (view == one))
        if len(rows) >= NEIGHBOURS:
            factors[rows] = np.maximum(_run_lengths(residual[rows]), _excess(residual[rows]))
    return factors


def _run_lengths(residual: Floats) -> Floats:
    """How many rows (n,) each shares its error with: the length of its run in one that lies off together."""
    lengths = np.ones(len(residual))
    far = (_sums(residual, TOGETHER) ** 2).sum(axis=1) > GATE * TOGETHER
    off = np.convolve(far, np.ones(TOGETHER)) > 0 if len(far) else np.zeros(len(residual), bool)
    ends = np.flatnonzero(np.diff(np.concatenate([[False], off, [False]]).astype(int)))
    for first, end in zip(ends[::2], ends[1::2], strict=True):
        lengths[first:end] = end - first
    return lengths


def _excess(residual: Floats) -> Floats:
    """Mean square of each row (n,) and its neighbours over what is stated, where it is beyond chance."""
    squares = _sums(residual**2, NEIGHBOURS).sum(axis=1)
    excess = np.ones(len(residual))
    for first in np.flatnonzero(squares > SQUARES):
        run = slice(first, first + NEIGHBOURS)
        excess[run] = np.maximum(excess[run], squares[first] / (2 * NEIGHBOURS))
    return excess


def _sums(values: Floats, count: int) -> Floats:
    """Sums (n - count + 1, 2) of so many rows (n, 2) that follow each other; none where there are fewer."""
    total = np.concatenate([np.zeros((1, 2)), np.cumsum(values, axis=0)])
    sums: Floats = total[count:] - total[: max(len(total) - count, 0)]
    return sums

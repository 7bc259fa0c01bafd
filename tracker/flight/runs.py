"""Runs of sightings that lie off together: a batter, the stumps or a net behind the ball pulls them all one way.

A fit takes sightings for independent. What is behind a ball changes slowly, and so does what it does to a sighting's
place: ten frames before one coat are one error, not ten. Such a run shows in the sum of its whitened residuals, which
for independent ones has a variance of as many; where it is far beyond that the run is made to count as one sighting.
"""

import numpy as np

from tracker.flight.solve import GATE
from tracker.records import Bools, Floats, Ints

RUN = 8  # sightings of a view that are looked at together


def run_lengths(view: Ints, residual: Floats, keep: Bools) -> Ints:
    """How many sightings each row (n,) shares its error with: 1 for most, the length of its run in one that is off.

    Parameters
    ----------
    view, residual, keep : (n,), (n, 2) whitened, in order of time; rows that the fit uses
    """
    lengths = np.ones(len(view), np.int64)
    for one in (0, 1):
        rows = np.flatnonzero(keep & (view == one))
        if len(rows) < RUN:
            continue
        total = np.concatenate([np.zeros((1, 2)), np.cumsum(residual[rows], axis=0)])
        far = ((total[RUN:] - total[:-RUN]) ** 2).sum(axis=1) > GATE * RUN
        off = np.convolve(far, np.ones(RUN)) > 0
        ends = np.flatnonzero(np.diff(np.concatenate([[False], off, [False]]).astype(int)))
        for first, end in zip(ends[::2], ends[1::2], strict=True):
            lengths[rows[first:end]] = end - first
    return lengths

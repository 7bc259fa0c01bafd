"""When the frames of a film were really taken, from what its container says.

A camera reads its sensor at an even rate; the stamps that reach the file may be jittered by the software that wrote
them or rounded to the container's clock (a thousandth of a second in Matroska), and frames may be missing. Where the
stamps lie on an even grid with gaps, up to a jitter that is small beside the period, the grid is the better clock;
where they do not (a rate that changes), they are left as they are. Which of the two a film needs is for the flights
to say: the caller tries both.
"""

from dataclasses import dataclass

import numpy as np

from tracker.records import Floats, Ints
from tracker.vision.compiled import compiled

SAME_S = 1e-7
WANDERING = 0.1  # of the period: rounded stamps are off by less, and may be alike for long
WANDERS = 0.7  # rms from one frame to the next over rms of all: 1.4 for independent errors
STRAY = 0.995  # share of the stamps that must lie on the grid


@dataclass(frozen=True, eq=False)
class Grid:
    """An even grid under a film's stamps.

    time_s     (n,)  where each frame lies on the grid, from the first frame on, slow drift of the stamps kept
    start_sd_s how sure the first frame's place on the grid is: a film's times count from it, not from its stamp
    step       (n,)  number of the grid point, from 0; a jump of more than 1 is a dropped frame
    period_s   of the grid
    jitter_s   rms of stamps minus grid
    """

    time_s: Floats
    step: Ints
    period_s: float
    jitter_s: float
    start_sd_s: float


@dataclass(frozen=True, eq=False)
class FrameClock:
    """A film's stamps (n,) and the grid times (n,) that stand for them; both empty where there is no grid."""

    stamps_s: Floats
    grid_s: Floats

    @classmethod
    def under(cls, stamps_s: Floats) -> "FrameClock":
        """Of a film with these stamps (n,), increasing; none needed."""
        grid = even_grid(stamps_s)
        return cls(np.empty(0), np.empty(0)) if grid is None else cls(stamps_s, grid.time_s)

    def taken_s(self, stamp_s: float) -> float:
        """When the frame of that stamp was taken: its place on the grid, or the stamp itself."""
        if not len(self.stamps_s):
            return stamp_s
        k = int(np.searchsorted(self.stamps_s, stamp_s - SAME_S))
        known = k < len(self.stamps_s) and abs(self.stamps_s[k] - stamp_s) < SAME_S
        return float(self.grid_s[k]) if known else stamp_s


def even_grid(stamps_s: Floats, smooth_s: float = 4.0) -> Grid | None:
    """The grid under the stamps (n,) of a film; None where they do not lie on one.

    Parameters
    ----------
    stamps_s : (n,) increasing, seconds
    smooth_s : drift slower than this is believed to be the camera's, faster jitter to be the stamps'

    Examples
    --------
    >>> grid = even_grid(np.round(np.arange(480) / 240.0, 3))  # rounded to milliseconds
    >>> bool(np.abs(grid.time_s - np.arange(480) / 240.0).max() < 2e-4)
    True
    """
    n = len(stamps_s)
    if n < 16:
        return None
    period = _period(stamps_s)
    for _ in range(2):
        if not period > 0:
            return None
        step = _steps(stamps_s, period)
        period = float(np.polyfit(step, stamps_s, 1)[0])
    rest = stamps_s - period * step
    window = min(int(smooth_s / period) | 1, (n - 1) | 1)
    window = max(window if window <= n else window - 2, 3)
    slow = _slow(rest, window)
    jitter = rest - slow
    rms = float(np.sqrt(np.mean(jitter**2)))
    # a few stamps of thousands may be far off, as software delays them
    if np.quantile(np.abs(jitter), STRAY) > max(0.45 * period, 4.5 * rms) or rms > 0.3 * period:
        return None
    # errors of stamps are independent from frame to frame; where they are not, the rate itself wanders
    if rms > WANDERING * period and np.sqrt(np.mean(np.diff(jitter) ** 2)) < WANDERS * rms:
        return None
    time_s = period * step + slow
    # the end of a straight line through so many stamps
    return Grid(time_s - time_s[0], step.astype(np.int64), period, rms, 2 * rms / float(np.sqrt(window)))


def _period(stamps_s: Floats) -> float:
    """The grid's period: gaps near the median one, averaged, so that neither drops nor rounding weigh."""
    gaps = np.diff(stamps_s)
    middle = np.median(gaps)
    return float(gaps[np.abs(gaps - middle) <= 0.75 * middle].mean())


@compiled
def _least(values: Floats) -> int:
    at = 0
    for m in range(1, len(values)):
        if values[m] < values[at]:
            at = m
    return at


@compiled
def _steps(stamps_s: Floats, period_s: float, memory: int = 60, most: int = 6) -> Ints:
    """The most likely grid point of each frame: dynamic programming over how many points were skipped so far.

    Each skip costs as much as a stamp 0.35 period off its grid point for a dozen frames; the grid's phase follows
    the stamps with a memory of `memory` frames.
    """
    n, phase = len(stamps_s), 0.0
    cost, fresh = np.empty(most), np.empty(most)
    for m in range(most):
        cost[m] = np.inf if m > 0 else 0.0
    came, base = np.zeros((n, most), np.int64), np.zeros(n, np.int64)
    for k in range(1, n):
        likely = _least(cost)
        shift = min(likely - 1, most - 2) if likely > 2 else 0  # keep the likely in the window
        for m in range(most):
            cost[m] = cost[m + shift] if m + shift < most else np.inf
        base[k] = base[k - 1] + shift
        for now in range(most):
            best, way = np.inf, 0
            for before in range(now + 1):
                total = cost[before] + 12 * 0.35**2 * min(now - before, 3)
                if total < best:
                    best, way = total, before
            came[k, now] = way + shift
            fresh[now] = best + (stamps_s[k] / period_s - (k + base[k] + now) - phase) ** 2
        likely = _least(fresh)
        for m in range(most):
            cost[m] = fresh[m] - fresh[likely]
        phase += (stamps_s[k] / period_s - (k + base[k] + likely) - phase) / memory
    state = _least(cost)
    step = np.empty(n, np.int64)
    for k in range(n - 1, -1, -1):
        step[k] = k + base[k] + state
        state = came[k, state]
    return step


def _slow(rest: Floats, window: int) -> Floats:
    """A local straight line through `rest` (n,), so that ends are not bent; `window`: odd, at most n.

    In the middle of a window that is its mean; what lies nearer to an end is on the line through the last window.
    """
    n, half = len(rest), window // 2
    slow, place = np.empty(n), np.arange(window) - half
    slow[half : n - half] = np.convolve(rest, np.full(window, 1 / window), "valid")
    for part, of_all, of_line in (
        (rest[:window], slice(0, half), slice(0, half)),
        (rest[n - window :], slice(n - half, n), slice(window - half, window)),
    ):
        line = part.mean() + (place @ part) / (place @ place) * place
        slow[of_all] = line[of_line]
    return slow

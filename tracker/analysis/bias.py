"""Whether the two groups of balls were seen equally well, and what unequal seeing could do to the difference in pace.

A batter may hide the ball from one camera, a left-hander more than a right-hander. Compared per bowler and averaged:
sightings in each camera, each ball's measuring sd, its residual, and whether the release was seen; Holm's correction
runs over them, and gaps under 5 % are let pass (a ball slower by 3 mph is seen 4 % more often by that alone). What it
could do is bounded by the measuring sd: a fault that shifted every ball of the worse-seen group by one sd of its own.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import comb, nan, sqrt

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tracker.analysis.compare import SPEED
from tracker.analysis.statistics import NO_DIFFERENCE, Difference, Sample, average_difference, holm, summarise

Floats = NDArray[np.float64]

SEEING = {
    "sightings_left": "sightings in the left camera",
    "sightings_right": "sightings in the right camera",
    f"{SPEED}_sd": "measuring sd of the speed at release",
    "residual_px": "residual of the fit",
    "release_seen": "share of balls whose release was seen",
}
MATERIAL = 0.05  # relative gaps below it are let pass
FINENESS = 10_000  # steps in which the sums of a permutation test are told apart
HARMLESS = 0.15  # of the interval's half-width: a bias below it leaves the false alarms near 5 % (docs/statistics.md)


@dataclass(frozen=True, slots=True)
class Seeing:
    """One sign of unequal seeing: b - a as a share of a's mean (b's where a's is 0), p after Holm's correction."""

    label: str
    relative: float
    p_adjusted: float

    @property
    def unequal(self) -> bool:
        """Beyond chance and large enough to matter."""
        return self.p_adjusted < 0.05 and abs(self.relative) >= MATERIAL


@dataclass(frozen=True, slots=True)
class Bias:
    """Signs of unequal seeing, and a bound on the difference in speed that they could make (m/s; NaN: not known)."""

    signs: tuple[Seeing, ...]
    bound_mps: float

    @property
    def unequal(self) -> tuple[Seeing, ...]:
        """The signs that matter."""
        return tuple(sign for sign in self.signs if sign.unequal)

    def harmless(self, found: Difference) -> bool:
        """Whether the balls were seen alike, or what it could do is small beside the interval of `found`."""
        half = (found.ci_high - found.ci_low) / 2
        return not self.unequal or self.bound_mps <= HARMLESS * half


def seeing_bias(rows: pd.DataFrame, by: str, groups: tuple[str, str]) -> Bias:
    """Compare how well the balls of two groups were seen.

    Parameters
    ----------
    rows : DataFrame
        Deliveries that count; columns that are not there are not tested.
    by, groups
        The grouping column and its two groups a, b.
    """
    known = rows[rows[by].isin(groups) & rows[SPEED].notna()]
    found: list[tuple[str, float, float]] = []
    for column, label in SEEING.items():
        difference, mean = _within_bowlers(known, _seeing(known, column), by, groups)
        if np.isfinite(difference.p_value) and mean > 0:
            found.append((label, difference.value / mean, difference.p_value))
    corrected = holm([p for _, _, p in found])
    signs = tuple(Seeing(label, gap, p) for (label, gap, _), p in zip(found, corrected, strict=True))
    return Bias(signs, _bound_mps(known, by, groups))


def _seeing(rows: pd.DataFrame, column: str) -> Floats:
    """One sign of seeing a ball (n,); NaN throughout where the table has not got it."""
    if column not in rows.columns:
        return np.full(len(rows), nan)
    if column == "release_seen":
        text = rows[column].astype(str).str.strip().str.lower().to_numpy(str)
        return np.select([text == "true", text == "false"], [1.0, 0.0], nan)
    values: Floats = rows[column].to_numpy(float)
    return values


def _within_bowlers(rows: pd.DataFrame, values: Floats, by: str, groups: tuple[str, str]) -> tuple[Difference, float]:
    """The average difference b - a within bowlers, and the mean of a; of b where a's is 0."""
    group = rows[by].to_numpy(str)
    who = (rows["bowler"] + "\t" + rows["arm"]).to_numpy(str)
    pairs = []
    for one in np.unique(who):
        a, b = (summarise(values[(who == one) & (group == g)]) for g in groups)
        if min(a.n, b.n) >= 2:
            pairs.append((a, b))
    if not pairs:
        return NO_DIFFERENCE, nan
    found = average_difference(pairs)
    if found.value != 0 and all(s.sd == 0 for pair in pairs for s in pair):
        found = replace(found, p_value=_p_without_scatter(pairs))
    mean_a, mean_b = (float(np.mean([pair[i].mean for pair in pairs])) for i in (0, 1))
    return found, mean_a or mean_b


def _p_without_scatter(pairs: Sequence[tuple[Sample, Sample]]) -> float:
    """Exact permutation p where each group has one value (every release seen to one hand, none to the other).

    Welch's test has no answer there. Each bowler's balls are shared out anew in all ways, each as likely: where k of
    the n_b balls of b's value come into a, the bowler's difference is 1 - k / n_a - k / n_b of what it was, and k is
    hypergeometric. p is the chance of a sum of differences as far from 0 as the one seen, sums being told apart to a
    ten-thousandth of the largest for each bowler. For one bowler it is Fisher's exact test.
    """
    apart = [(a.n, b.n, b.mean - a.mean) for a, b in pairs if a.mean != b.mean]
    unit = sum(abs(gap) for _, _, gap in apart) / FINENESS
    most = FINENESS + len(apart)
    chance = np.zeros(2 * most + 1)  # of each sum, in units, from -most on
    chance[most] = 1.0
    for n_a, n_b, gap in apart:
        after = np.zeros_like(chance)
        for k in range(min(n_a, n_b) + 1):
            ways = comb(n_b, k) * comb(n_a, k) / comb(n_a + n_b, n_a)  # k of b's value and n_a - k of a's own
            after += ways * np.roll(chance, round(gap * (1 - k / n_a - k / n_b) / unit))
        chance = after
    seen = abs(sum(gap for _, _, gap in apart)) / unit
    as_far = np.abs(np.arange(-most, most + 1)) >= seen - len(apart)
    return min(1.0, float(chance[as_far].sum()))


def _bound_mps(rows: pd.DataFrame, by: str, groups: tuple[str, str]) -> float:
    """The larger of the two groups' root-mean-square measuring sds."""
    sds = _seeing(rows, f"{SPEED}_sd")
    squares = [sds[(rows[by] == g).to_numpy() & np.isfinite(sds)] ** 2 for g in groups]
    if not all(len(s) for s in squares):
        return nan
    return sqrt(max(float(s.mean()) for s in squares))

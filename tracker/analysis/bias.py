"""Whether the two groups of balls were seen equally well, and what unequal seeing could do to the difference in pace.

A batter may hide the ball from one camera, a left-hander more than a right-hander. Compared per bowler and averaged:
sightings in each camera (times speed, because a faster ball is in view for less time), each ball's measuring sd, its
residual, and whether the release was seen; Holm's correction runs over them. What it could do: the slope of speed
against sightings among balls of one bowler to one group, times the difference in sightings.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan, sqrt

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tracker.analysis.compare import SPEED
from tracker.analysis.statistics import NO_DIFFERENCE, Difference, average_difference, estimate, holm, summarise

Floats = NDArray[np.float64]

SEEING = {
    "sightings_left": "sightings in the left camera, for equal pace",
    "sightings_right": "sightings in the right camera, for equal pace",
    f"{SPEED}_sd": "measuring sd of the speed at release",
    "residual_px": "residual of the fit",
    "release_seen": "share of balls whose release was seen",
}
HARMLESS = 0.15  # of the interval's half-width: a bias below it leaves the false alarms near 5 % (docs/statistics.md)


@dataclass(frozen=True, slots=True)
class Seeing:
    """One sign of unequal seeing: b - a as a share of a's mean, p-value after Holm's correction."""

    label: str
    relative: float
    p_adjusted: float


@dataclass(frozen=True, slots=True)
class Bias:
    """Signs of unequal seeing, and the difference in speed that they could make (m/s, b - a)."""

    signs: tuple[Seeing, ...]
    effect: Difference

    @property
    def unequal(self) -> tuple[Seeing, ...]:
        """The signs beyond chance."""
        return tuple(s for s in self.signs if s.p_adjusted < 0.05)

    def harmless(self, found: Difference) -> bool:
        """Whether the balls were seen alike, or what it could do is small beside the interval of `found`."""
        half = (found.ci_high - found.ci_low) / 2
        return not self.unequal or bool(abs(self.effect.value) + 2 * self.effect.se <= HARMLESS * half)


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
        values = _seeing(known, column)
        if not np.isfinite(values).any():
            continue
        difference, mean = _within_bowlers(known, values, by, groups)
        if np.isfinite(difference.p_value) and mean > 0:
            found.append((label, difference.value / mean, difference.p_value))
    corrected = holm([p for _, _, p in found])
    signs = tuple(Seeing(label, gap, p) for (label, gap, _), p in zip(found, corrected, strict=True))
    return Bias(signs, _possible_effect(known, by, groups))


def _seeing(rows: pd.DataFrame, column: str) -> Floats:
    """One sign of seeing a ball (n,); NaN throughout where the table has not got it."""
    if column not in rows.columns:
        return np.full(len(rows), nan)
    if column == "release_seen":
        text = rows[column].astype(str).str.strip().str.lower().to_numpy(str)
        return np.select([text == "true", text == "false"], [1.0, 0.0], nan)
    values: Floats = rows[column].to_numpy(float)
    if column.startswith("sightings"):
        speed = rows[SPEED].to_numpy(float)
        values = values * speed / (speed.mean() if len(speed) else 1.0)
    return values


def _within_bowlers(rows: pd.DataFrame, values: Floats, by: str, groups: tuple[str, str]) -> tuple[Difference, float]:
    """The average difference b - a within bowlers, and the mean of a."""
    group = rows[by].to_numpy(str)
    who = (rows["bowler"] + "\t" + rows["arm"]).to_numpy(str)
    pairs = []
    for one in np.unique(who):
        pair = (summarise(values[(who == one) & (group == g)]) for g in groups)
        a, b = pair
        if min(a.n, b.n) >= 2:
            pairs.append((a, b))
    if not pairs:
        return NO_DIFFERENCE, nan
    return average_difference(pairs), float(np.mean([a.mean for a, _ in pairs]))


def _possible_effect(rows: pd.DataFrame, by: str, groups: tuple[str, str]) -> Difference:
    """Slope of speed on sightings within bowler and group, times the difference in sightings."""
    sightings = _seeing(rows, "sightings_left") + _seeing(rows, "sightings_right")
    gap, _ = _within_bowlers(rows, sightings, by, groups)
    slope, slope_sd, df = _slope_within(rows, sightings, [*["bowler", "arm"], by])
    if not (np.isfinite(gap.se) and np.isfinite(slope_sd)):
        return NO_DIFFERENCE
    return estimate(slope * gap.value, sqrt((slope_sd * gap.value) ** 2 + (slope * gap.se) ** 2), df)


def _slope_within(rows: pd.DataFrame, x: Floats, cells: Sequence[str]) -> tuple[float, float, float]:
    """Least-squares slope of speed on `x` with a constant for each cell, its sd and degrees of freedom."""
    table = pd.DataFrame({"x": x, "y": rows[SPEED].to_numpy(float), **{c: rows[c].to_numpy(str) for c in cells}})
    table = table.dropna()
    grouped = table.groupby(list(cells))[["x", "y"]]
    about = (table[["x", "y"]] - grouped.transform("mean")).to_numpy(float)
    df = len(table) - grouped.ngroups - 1
    power = float(about[:, 0] @ about[:, 0])
    if df < 3 or not power > 0:
        return nan, nan, nan
    slope = float(about[:, 0] @ about[:, 1]) / power
    rest = about[:, 1] - slope * about[:, 0]
    return slope, sqrt(float(rest @ rest) / df / power), float(df)

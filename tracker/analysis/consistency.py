"""How tightly a bowler groups: the observed scatter of each measure, the part that is measuring error, what is left.

Scatter is taken about the bowler's mean to each hand in each session, so that neither a planned difference between
hands nor a day's level counts as looseness. Measuring error is the root mean square of the balls' sds, less what all
balls of a session share: the rig moves their mean, it does not scatter them. What is left is the square root of the
difference of squares, with the chi-squared interval of the observed sd carried through.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, nan, sqrt

import numpy as np
import pandas as pd

from tracker.analysis.measures import kind_of
from tracker.analysis.statistics import pooled_sd, sd_interval, summarise
from tracker.analysis.tables import RUN, Run

GROUPED = ("release_x_m", "release_z_m", "release_speed_mps", "bounce_y_m", "bounce_x_m")


@dataclass(frozen=True, slots=True)
class Grouping:
    """One bowler's scatter in one measure, SI; NaN where it cannot be had."""

    bowler: str
    arm: str
    measure: str
    n: int
    mean: float
    observed_sd: float
    observed_ci: tuple[float, float]
    measuring_sd: float
    own_sd: float
    own_ci: tuple[float, float]

    @property
    def words(self) -> str:
        """A plain sentence."""
        kind = kind_of(self.measure)
        if not isfinite(self.observed_sd):
            return f"{kind.label}: too few balls to judge the scatter"
        scale, digits, unit = kind.scale, kind.digits, kind.people_unit
        text = f"{kind.label}: two balls in three within {self.observed_sd / scale:.{digits}f} {unit} of the mean"
        if not isfinite(self.measuring_sd):
            return text + "; how much of it is measuring error is not known"
        if self.own_sd == 0:
            return text + ", no more than the measuring error alone would make"
        share = self.measuring_sd**2 / self.observed_sd**2
        return text + f"; measuring error makes {f'{share:.0%}' if share >= 0.01 else 'under 1%'} of the variance"


def grouping(rows: pd.DataFrame, runs: Sequence[Run], measures: Sequence[str] = GROUPED) -> list[Grouping]:
    """Scatter of each measure by bowler and arm.

    `rows` are deliveries of `runs` that count; bowlers without a name are left out.
    """
    found = []
    for (bowler, arm), part in rows[rows["bowler"] != ""].groupby(["bowler", "arm"]):
        found += [_one(str(bowler), str(arm), part, measure, runs) for measure in measures]
    return found


def _one(bowler: str, arm: str, part: pd.DataFrame, measure: str, runs: Sequence[Run]) -> Grouping:
    known = part[part[measure].notna()]
    cells = known.groupby(["date", "session", "batter_hand", "side"])[measure]
    sd, df = pooled_sd([summarise(values.to_numpy(float)) for _, values in cells])
    measuring = _measuring_sd(known, measure, runs)
    low, high = sd_interval(sd, df)
    return Grouping(
        bowler=bowler,
        arm=arm,
        measure=measure,
        n=len(known),
        mean=float(known[measure].mean()) if len(known) else nan,
        observed_sd=sd,
        observed_ci=(low, high),
        measuring_sd=measuring,
        own_sd=_without(sd, measuring),
        own_ci=(_without(low, measuring), _without(high, measuring)),
    )


def _measuring_sd(known: pd.DataFrame, measure: str, runs: Sequence[Run]) -> float:
    """Root mean square of the part of each ball's sd that is its own; NaN where no ball has one."""
    if f"{measure}_sd" not in known.columns:
        return nan
    sds = known[f"{measure}_sd"].to_numpy(float)
    shared = np.array([run.common_sd.get(measure, 0.0) for run in runs])[known[RUN].to_numpy(np.int64)]
    own = np.maximum(sds**2 - shared**2, 0.0)[np.isfinite(sds)]
    return sqrt(float(np.mean(own))) if len(own) else nan


def _without(sd: float, measuring: float) -> float:
    """What is left of an sd without the measuring error; NaN where that is not known."""
    return sqrt(max(0.0, sd**2 - measuring**2)) if isfinite(sd) and isfinite(measuring) else nan


def grouping_table(found: Sequence[Grouping]) -> pd.DataFrame:
    """grouping.csv."""
    return pd.DataFrame(
        [
            {
                "bowler": g.bowler,
                "arm": g.arm,
                "measure": g.measure,
                "unit": kind_of(g.measure).unit,
                "n": g.n,
                "mean": g.mean,
                "observed_sd": g.observed_sd,
                "observed_sd_low": g.observed_ci[0],
                "observed_sd_high": g.observed_ci[1],
                "measuring_sd": g.measuring_sd,
                "own_sd": g.own_sd,
                "own_sd_low": g.own_ci[0],
                "own_sd_high": g.own_ci[1],
            }
            for g in found
        ]
    )

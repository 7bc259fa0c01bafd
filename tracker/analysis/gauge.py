"""How well a measurement repeats: bowling-machine balls or drops, several settings, one or several sessions.

A "part" is what is measured again (a machine setting, a drop height), an "appraiser" the session (its rig set up anew).
Crossed analysis of variance with the interaction pooled where it is not significant at 0.25, and the older
average-and-range method: AIAG, Measurement Systems Analysis, 4th ed. 2010, ch. III. The repeatability limit is ISO
5725-6's: 1.96 sqrt(2) s. Machine balls vary themselves, so the repeatability found is an upper bound of ours.
"""

from dataclasses import dataclass
from math import nan, sqrt

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from calibration.errors import LanepairError
from tracker.analysis.statistics import sd_interval

Floats = NDArray[np.float64]

LIMIT = 1.96 * sqrt(2)  # ISO 5725-6: 95 % of pairs of repeats differ by less than this times the sd
POOL_ABOVE = 0.25  # p-value of the interaction above which it is pooled, AIAG 2010
# AIAG constants 1 / d2*: K1 by trials, K2 by appraisers, K3 by parts
K1 = {2: 0.8862, 3: 0.5908}
K2 = {2: 0.7071, 3: 0.5231}
K3 = {2: 0.7071, 3: 0.5231, 4: 0.4467, 5: 0.4030, 6: 0.3742, 7: 0.3534, 8: 0.3375, 9: 0.3249, 10: 0.3146}


@dataclass(frozen=True, slots=True)
class Gauge:
    """Standard deviations, in the unit of the values.

    repeatability    one setting, one session (AIAG's equipment variation)
    reproducibility  between sessions; NaN with one session
    interaction      sessions that differ by setting; 0 where pooled
    together         the measurement as a whole
    parts            between settings; NaN with one setting
    share            together over total sd
    interaction_f    F of the interaction; NaN where there is none
    """

    repeatability: float
    reproducibility: float
    interaction: float
    together: float
    parts: float
    share: float
    interaction_f: float
    df: int

    @property
    def repeatability_ci(self) -> tuple[float, float]:
        """95 % interval of the repeatability."""
        return sd_interval(self.repeatability, self.df)

    @property
    def limit(self) -> float:
        """Two repeats differ by less than this in 95 % of cases."""
        return LIMIT * self.repeatability


def cube(table: pd.DataFrame) -> tuple[Floats, int]:
    """Values (appraisers, parts, trials) of a crossed study, and how many were left out to make it even.

    `table` has columns appraiser, part, value; the first trials of each cell are kept, as many as the least has.
    """
    named = table.assign(appraiser=table["appraiser"].astype(str), part=table["part"].astype(str))
    groups = named.groupby(["appraiser", "part"])["value"]
    cells: dict[tuple[str, str], Floats] = {(str(a), str(p)): v.to_numpy(float) for (a, p), v in groups}
    appraisers, parts = sorted({a for a, _ in cells}), sorted({p for _, p in cells})
    missing = [(a, p) for a in appraisers for p in parts if (a, p) not in cells]
    if missing:
        a, p = missing[0]
        raise LanepairError(f'setting "{p}" was not measured in "{a}": every session needs every setting')
    trials = min(len(values) for values in cells.values())
    if trials < 2:
        raise LanepairError("repeatability needs two balls or more of each setting in each session")
    values = np.array([[cells[a, p][:trials] for p in parts] for a in appraisers])
    return values, len(table) - values.size


def gauge_anova(values: Floats) -> Gauge:
    """Components of variance of a crossed study (appraisers, parts, trials)."""
    a, p, r = values.shape
    values = values - values[0, 0, 0]  # a large level common to all costs no digits
    cell = values.mean(axis=2)
    within = float(((values - cell[:, :, None]) ** 2).sum())
    df_within = a * p * (r - 1)
    grand = cell.mean()
    rows, columns = cell.mean(axis=1), cell.mean(axis=0)
    ss_a, ss_p = p * r * float(((rows - grand) ** 2).sum()), a * r * float(((columns - grand) ** 2).sum())
    ss_i = r * float(((cell - rows[:, None] - columns[None, :] + grand) ** 2).sum())
    df_i = (a - 1) * (p - 1)
    f = (ss_i / df_i) / (within / df_within) if df_i and within > 0 else nan
    keep = df_i > 0 and float(special.fdtrc(df_i, df_within, f)) < POOL_ABOVE
    error, df = (within / df_within, df_within) if keep else ((within + ss_i) / (df_within + df_i), df_within + df_i)
    against = ss_i / df_i if keep else error
    interaction = max(0.0, (against - error) / r) if keep else 0.0
    appraiser = max(0.0, (ss_a / (a - 1) - against) / (p * r)) if a > 1 else nan
    part = max(0.0, (ss_p / (p - 1) - against) / (a * r)) if p > 1 else nan
    return _gauge(error, appraiser, interaction, part, f, df)


def _gauge(error: float, appraiser: float, interaction: float, part: float, f: float, df: int) -> Gauge:
    measuring = error + np.nan_to_num(appraiser) + interaction
    total = measuring + np.nan_to_num(part)
    return Gauge(
        repeatability=sqrt(error),
        reproducibility=sqrt(appraiser + interaction) if appraiser == appraiser else nan,
        interaction=sqrt(interaction),
        together=sqrt(measuring),
        parts=sqrt(part) if part == part else nan,
        share=sqrt(measuring / total) if part == part and total > 0 else nan,
        interaction_f=f,
        df=df,
    )


def gauge_ranges(values: Floats) -> Gauge:
    """The average-and-range method, for 2 or 3 trials and appraisers and up to 10 parts."""
    a, p, r = values.shape
    if r not in K1 or a not in K2 or p not in K3:
        raise LanepairError("the average-and-range method has constants for 2-3 trials, 2-3 sessions and 2-10 settings")
    repeat = float(np.ptp(values, axis=2).mean()) * K1[r]
    spread = float(np.ptp(values.mean(axis=(1, 2)))) * K2[a]
    appraiser = max(0.0, spread**2 - repeat**2 / (p * r))
    part = (float(np.ptp(values.mean(axis=(0, 2)))) * K3[p]) ** 2
    return _gauge(repeat**2, appraiser, 0.0, part, nan, a * p * (r - 1))


def distinct_categories(gauge: Gauge) -> int:
    """How many groups of parts the measurement can tell apart (AIAG's ndc).

    >>> distinct_categories(Gauge(0, 0, 0, 0.30575, 1.10456, 0, 0, 1))
    5
    """
    return int(sqrt(2) * gauge.parts / gauge.together)

"""A season's record: how each measure of each bowler moved over the sessions, and what a dated change did.

The unit is the session: a bowler's mean in one session stands for it, so that the day, the rig's set-up and the
bowler's form that day count as scatter, and an interval does not shrink because many balls were bowled on one day. A
trend is a least-squares line through the session means; before and after a change are compared by Welch's test on them.
Holm's correction runs over the measures of one bowler.
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite, nan
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from calibration.errors import InputError, LanepairError
from tracker.analysis.agreement import fit_line
from tracker.analysis.measures import kind_of
from tracker.analysis.statistics import Difference, holm, smallest_detectable, summarise, welch
from tracker.analysis.verdict import interval_digits, number
from tracker.session.tables import DELIVERIES_CSV

Floats = NDArray[np.float64]

FOLLOWED = ("release_speed_mps", "release_x_m", "release_z_m", "bounce_y_m", "swing_for_length_m", "deviation_deg")
MONTH_DAYS = 30.0
LEAST_SESSIONS = 3  # for a trend


@dataclass(frozen=True, slots=True)
class Trend:
    """One bowler and measure over the sessions: slope a month (30 days) with its interval, SI; NaN: too few."""

    bowler: str
    arm: str
    measure: str
    sessions: int
    balls: int
    first: str
    last: str
    slope: float
    ci_low: float
    ci_high: float
    p_value: float
    p_adjusted: float

    @property
    def words(self) -> str:
        """A plain sentence."""
        kind = kind_of(self.measure)
        if not isfinite(self.slope):
            return f"{kind.label}: too few sessions for a trend ({self.sessions}; {LEAST_SESSIONS} days are the least)"
        values = [v / kind.scale for v in (self.slope, self.ci_low, self.ci_high)]
        slope, low, high = (number(v, interval_digits(values[1], values[2], kind.digits)) for v in values)
        text = f"{slope} {kind.people_unit} a month, 95 % interval {low} to {high}"
        if self.p_adjusted < 0.05:
            return f"{kind.label}: {kind.more if self.slope > 0 else kind.less} with time, {text}"
        return f"{kind.label}: no trend shown ({text})"


@dataclass(frozen=True, slots=True)
class Change:
    """One bowler and measure, after minus before a date, by session means, SI; sd from ball to ball in a session."""

    bowler: str
    arm: str
    measure: str
    sessions: tuple[int, int]
    balls: tuple[int, int]
    found: Difference
    ball_sd: float
    p_adjusted: float

    @property
    def words(self) -> str:
        """A plain sentence."""
        kind = kind_of(self.measure)
        if not isfinite(self.found.se):
            return (
                f"{kind.label}: cannot tell, sessions before: {self.sessions[0]}, after: {self.sessions[1]}; "
                "two days of each are the least, since a single day cannot be told from a change"
            )
        value, low, high = (abs(self.found.value), self.found.ci_low, self.found.ci_high)
        text = f"95 % interval {number(low / kind.scale, kind.digits)} to {number(high / kind.scale, kind.digits)}"
        text += f" {kind.people_unit}"
        if isfinite(self.ball_sd) and self.ball_sd > 0:
            text += f"; {value / self.ball_sd:.1f} of the ball-to-ball sd"
        if self.p_adjusted < 0.05:
            word = kind.more if self.found.value > 0 else kind.less
            return f"{kind.label}: {word} after the change by {number(value / kind.scale, kind.digits)}, {text}"
        can = smallest_detectable(self.found.se, self.found.df) / kind.scale
        return f"{kind.label}: no change shown ({text}; these sessions could show {number(can, kind.digits)})"


def find_runs(folder: Path) -> list[Path]:
    """Every output folder in a folder, at any depth, in order of name.

    What lies inside an output folder (an export) is not another one, nor is a simulated session's truth.
    """
    if not folder.is_dir():
        what = "is not a folder" if folder.exists() else "no such folder"
        raise InputError(folder, what, "name the folder that holds the season's output folders")
    found = {path.parent for path in folder.rglob(DELIVERIES_CSV)}
    found = {place for place in found if not place.name.startswith(".") and place.name != "truth"}
    runs = sorted(place for place in found if found.isdisjoint(place.parents))
    if not runs:
        raise InputError(folder, f"no {DELIVERIES_CSV} in it or below", "name the folder that holds the output folders")
    return runs


def session_means(rows: pd.DataFrame, measures: Sequence[str] = FOLLOWED) -> pd.DataFrame:
    """One row a bowler, arm and session: date, `balls`, and of each measure `<measure>:mean`, `:std` and `:count`."""
    named = rows[rows["bowler"] != ""]
    grouped = named.groupby(["bowler", "arm", "date", "session"], sort=True)
    table = grouped[list(measures)].agg(["mean", "std", "count"])
    words = ("mean", "std", "count")
    table.columns = pd.Index([f"{measure}:{word}" for measure in measures for word in words])
    table.insert(0, "balls", grouped.size())
    return table.reset_index()


def trends(means: pd.DataFrame, measures: Sequence[str] = FOLLOWED) -> list[Trend]:
    """The line through the session means of each bowler and measure."""
    found: list[Trend] = []
    for (bowler, arm), part in means.groupby(["bowler", "arm"]):
        mine = [_trend(str(bowler), str(arm), measure, part) for measure in measures]
        corrected = holm([trend.p_value for trend in mine])
        found += [replace(trend, p_adjusted=p) for trend, p in zip(mine, corrected, strict=True)]
    return found


def _trend(bowler: str, arm: str, measure: str, part: pd.DataFrame) -> Trend:
    known = part[part[f"{measure}:count"] > 0]
    days, value = _day_means(known, measure)
    months = days / MONTH_DAYS
    line = fit_line(months, value) if len(np.unique(months)) >= LEAST_SESSIONS else None
    low, high = line.slope_ci if line is not None else (nan, nan)
    p = nan
    if line is not None and line.slope_sd > 0:
        p = float(2 * special.stdtr(line.df, -abs(line.slope) / line.slope_sd))
    return Trend(
        bowler=bowler,
        arm=arm,
        measure=measure,
        sessions=len(known),
        balls=int(known[f"{measure}:count"].sum()),
        first=str(known["date"].min()) if len(known) else "",
        last=str(known["date"].max()) if len(known) else "",
        slope=line.slope if line is not None else nan,
        ci_low=low,
        ci_high=high,
        p_value=p,
        p_adjusted=p,
    )


def _day_means(known: pd.DataFrame, measure: str) -> tuple[Floats, Floats]:
    """Each day's number and the mean of its balls: what a day has of its own, all sessions of it share."""
    balls = known[f"{measure}:count"]
    total = (known[f"{measure}:mean"] * balls).groupby(known["date"]).sum()
    means = total / balls.groupby(known["date"]).sum()
    days = [dt.date.fromisoformat(str(day)).toordinal() for day in means.index]
    return np.array(days, float), means.to_numpy(float)


def changes(means: pd.DataFrame, on: str, measures: Sequence[str] = FOLLOWED) -> list[Change]:
    """Before against from `on` (ISO date, that day included in after)."""
    try:
        on = dt.date.fromisoformat(on).isoformat()  # days are compared as text
    except ValueError:
        raise LanepairError(f'--change "{on}": an ISO date such as 2026-12-03 is needed') from None
    found: list[Change] = []
    for (bowler, arm), part in means.groupby(["bowler", "arm"]):
        mine = [_change(str(bowler), str(arm), measure, part, on) for measure in measures]
        corrected = holm([change.found.p_value for change in mine])
        found += [replace(change, p_adjusted=p) for change, p in zip(mine, corrected, strict=True)]
    return found


def _change(bowler: str, arm: str, measure: str, part: pd.DataFrame, on: str) -> Change:
    known = part[part[f"{measure}:count"] > 0]
    later = (known["date"] >= on).to_numpy(bool)
    count = known[f"{measure}:count"].to_numpy(int)
    before, after = (summarise(_day_means(known[chosen], measure)[1]) for chosen in (~later, later))
    within = known[known[f"{measure}:count"] > 1]
    weight = within[f"{measure}:count"].to_numpy(float) - 1
    variance = within[f"{measure}:std"].to_numpy(float) ** 2
    return Change(
        bowler=bowler,
        arm=arm,
        measure=measure,
        sessions=(int((~later).sum()), int(later.sum())),
        balls=(int(count[~later].sum()), int(count[later].sum())),
        found=welch(before, after),
        ball_sd=float(np.sqrt(weight @ variance / weight.sum())) if weight.sum() > 0 else nan,
        p_adjusted=nan,
    )


def trend_table(found: Sequence[Trend]) -> pd.DataFrame:
    """trends.csv: slopes a month of 30 days."""
    return pd.DataFrame(
        [
            {
                "bowler": t.bowler,
                "arm": t.arm,
                "measure": t.measure,
                "unit": kind_of(t.measure).unit,
                "sessions": t.sessions,
                "balls": t.balls,
                "first": t.first,
                "last": t.last,
                "slope_per_month": t.slope,
                "ci_low": t.ci_low,
                "ci_high": t.ci_high,
                "p_value": t.p_value,
                "p_adjusted": t.p_adjusted,
            }
            for t in found
        ]
    )


def change_table(found: Sequence[Change]) -> pd.DataFrame:
    """change.csv: after minus before."""
    return pd.DataFrame(
        [
            {
                "bowler": c.bowler,
                "arm": c.arm,
                "measure": c.measure,
                "unit": kind_of(c.measure).unit,
                "sessions_before": c.sessions[0],
                "sessions_after": c.sessions[1],
                "balls_before": c.balls[0],
                "balls_after": c.balls[1],
                "difference": c.found.value,
                "ci_low": c.found.ci_low,
                "ci_high": c.found.ci_high,
                "p_value": c.found.p_value,
                "p_adjusted": c.p_adjusted,
                "ball_to_ball_sd": c.ball_sd,
            }
            for c in found
        ]
    )

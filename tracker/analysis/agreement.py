"""Two instruments on the same balls: bias, limits of agreement with intervals, a gun's cosine error.

Bland & Altman 1986, Lancet 327, 307-310: limits at mean +- 1.96 sd of the differences, standard errors sd / sqrt(n) and
sqrt(3 / n) sd. A speed gun off the ball's line reads v cos(angle): its position gives the angle for each ball, and the
reading is put right before comparing. Neither instrument is taken for the truth.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, nan, sqrt
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from calibration.errors import InputError, LanepairError
from calibration.lane import MPH_MPS
from tracker.analysis.statistics import LEVEL, Sample, mean_interval, summarise
from tracker.analysis.verdict import number
from tracker.session.cells import read_rows_of_words

Floats = NDArray[np.float64]

KMH_MPS = 1 / 3.6
SPEEDS = {"speed_mps": 1.0, "speed_kmh": KMH_MPS, "speed_mph": MPH_MPS}  # reference.csv's column: its unit in m/s
TIMES_SD = 1.96


@dataclass(frozen=True, slots=True)
class Limits:
    """Bias and limits of agreement, each with its 95 % interval, in the unit of the differences."""

    n: int
    bias: float
    bias_ci: tuple[float, float]
    sd: float
    low: float
    low_ci: tuple[float, float]
    high: float
    high_ci: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line y = intercept + slope x by least squares, with standard deviations."""

    intercept: float
    intercept_sd: float
    slope: float
    slope_sd: float
    residual_sd: float
    df: int

    @property
    def slope_ci(self) -> tuple[float, float]:
        """95 % interval of the slope."""
        half = float(special.stdtrit(self.df, 0.5 + LEVEL / 2)) * self.slope_sd if self.df > 0 else nan
        return self.slope - half, self.slope + half


@dataclass(frozen=True, eq=False)
class Agreement:
    """What comparing gave. Differences are ours minus the reference, m/s.

    session, delivery                   (n,) which ball
    ours_mps, reference_mps, angle_deg  (n,) per ball; angle between the gun's sight and the ball's path, NaN: not given
    proportional  difference against the mean of the two: a slope means an error that grows with speed
    """

    session: tuple[str, ...]
    delivery: NDArray[np.int64]
    ours_mps: Floats
    reference_mps: Floats
    angle_deg: Floats
    limits: Limits
    proportional: Line
    unmatched: int
    verdict: str


def limits_of_agreement(differences: Floats, times_sd: float = TIMES_SD) -> Limits:
    """Bland and Altman's limits of n differences (n,)."""
    sample = summarise(differences)
    if sample.n < 3:
        what = f"{sample.n} balls were measured by both; limits of agreement need three or more"
        raise LanepairError(f"{what}: do delivery numbers and sessions fit?")
    t = float(special.stdtrit(sample.n - 1, 0.5 + LEVEL / 2))
    half = t * sqrt(3 / sample.n) * sample.sd
    low, high = sample.mean - times_sd * sample.sd, sample.mean + times_sd * sample.sd
    return Limits(
        n=sample.n,
        bias=sample.mean,
        bias_ci=mean_interval(sample),
        sd=sample.sd,
        low=low,
        low_ci=(low - half, low + half),
        high=high,
        high_ci=(high - half, high + half),
    )


def fit_line(x: Floats, y: Floats) -> Line:
    """Least squares about the mean, which keeps the digits of far-off x."""
    about = x - x.mean()
    power = float(about @ about)
    df = len(x) - 2
    if df < 1 or not power > 0:
        return Line(nan, nan, nan, nan, nan, 0)
    slope = float(about @ (y - y.mean())) / power
    rest = y - y.mean() - slope * about
    sd = sqrt(float(rest @ rest) / df)
    intercept = float(y.mean() - slope * x.mean())
    return Line(intercept, sd * sqrt(1 / len(x) + x.mean() ** 2 / power), slope, sd / sqrt(power), sd, df)


def read_reference(path: Path) -> pd.DataFrame:
    """A reference file: `delivery`, one of speed_mps, speed_kmh or speed_mph, optionally `session`."""
    usual = "give a CSV with delivery, as deliveries.csv numbers the balls, and speed_mps, speed_kmh or speed_mph"
    rows = read_rows_of_words(path, (), ("delivery",), usual, others=True)
    given = [c for c in SPEEDS if rows and c in rows[0][1]]
    if rows and len(given) != 1:
        found = " and ".join(given) or "none"
        raise InputError(path, f"one of the columns speed_mps, speed_kmh and speed_mph is needed; here: {found}")
    readings, lines = [], dict[tuple[str, int], int]()
    for line, row in rows:
        number_, speed = _number(path, line, row["delivery"]), row[given[0]]
        if number_ % 1:
            raise InputError(path, f"line {line}: delivery {number_:g} is not a whole number")
        key = row.get("session", ""), int(number_)
        if key in lines:
            raise InputError(
                path, f"line {line}: delivery {key[1]} is there twice, as in line {lines[key]}", "keep one"
            )
        lines[key] = line
        if not speed:
            continue  # a missed reading
        if not (reading := _number(path, line, speed)) > 0:
            raise InputError(path, f"line {line}: a speed of 0 or less is no reading", "leave a missed speed empty")
        readings.append({"session": key[0], "delivery": key[1], "reference_mps": reading * SPEEDS[given[0]]})
    table = pd.DataFrame(readings, columns=["session", "delivery", "reference_mps"])
    return table if rows and "session" in rows[0][1] else table.drop(columns="session")


def _number(path: Path, line: int, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = nan
    if not isfinite(value):
        remedy = "delivery and speed are numbers; leave a missed speed empty"
        remedy = "write a decimal point" if "," in text else remedy
        raise InputError(path, f'line {line}: "{text}" is not a number', remedy)
    return value


def gun_angles_deg(rows: pd.DataFrame, gun_m: Sequence[float]) -> Floats:
    """Angle (n,) between the line from a gun at `gun_m` (3,) to the release and the ball's direction there.

    The gun reads the speed along its line of sight: v times the cosine of this angle, whichever end it stands at.
    """
    point = rows[["release_x_m", "release_y_m", "release_z_m"]].to_numpy(float)
    azimuth, elevation = (np.radians(rows[c].to_numpy(float)) for c in ("release_azimuth_deg", "release_elevation_deg"))
    flat = np.cos(elevation)
    direction = np.column_stack([flat * np.sin(azimuth), -flat * np.cos(azimuth), np.sin(elevation)])
    sight = point - np.asarray(gun_m, float)
    cosine = np.abs(np.sum(sight * direction, axis=1)) / np.linalg.norm(sight, axis=1)
    angle: Floats = np.degrees(np.arccos(np.clip(cosine, 0, 1)))
    return angle


def agree(
    rows: pd.DataFrame,
    reference: pd.DataFrame,
    measure: str,
    tolerance_mps: float,
    gun_m: Sequence[float] | None = None,
) -> Agreement:
    """Compare our speeds with a reference, ball by ball.

    Parameters
    ----------
    rows : DataFrame
        Deliveries; those without the measure are not matched.
    reference : DataFrame
        From `read_reference`.
    measure : str
        One of our speeds.
    tolerance_mps : float
        The two agree where 95 % of differences, with the interval of that, lie within it.
    gun_m : (3,), optional
        A gun's place in the lane frame: its readings are divided by the cosine.
    """
    keys = ["session", "delivery"] if "session" in reference.columns else ["delivery"]
    if len(keys) == 1 and rows["session"].nunique() > 1:
        raise LanepairError('these runs hold several sessions: the reference needs a "session" column too')
    if rows.duplicated(keys).any():
        raise LanepairError("a session of this name was held on several days: compare one day's run at a time")
    joined = rows.merge(reference, on=keys, how="inner", validate="one_to_one")
    joined = joined[joined[measure].notna()]
    ours, theirs = joined[measure].to_numpy(float), joined["reference_mps"].to_numpy(float)
    angle = gun_angles_deg(joined, gun_m) if gun_m is not None else np.full(len(ours), nan)
    if gun_m is not None:
        theirs = theirs / np.cos(np.radians(angle))
        there = np.isfinite(theirs)
        joined, ours, theirs, angle = joined[there], ours[there], theirs[there], angle[there]
    limits = limits_of_agreement(ours - theirs)
    line = fit_line((ours + theirs) / 2, ours - theirs)
    return Agreement(
        session=tuple(joined["session"].astype(str)),
        delivery=joined["delivery"].to_numpy(np.int64),
        ours_mps=ours,
        reference_mps=theirs,
        angle_deg=angle,
        limits=limits,
        proportional=line,
        unmatched=len(reference) - len(joined),
        verdict=_verdict(limits, line, tolerance_mps),
    )


def _verdict(limits: Limits, line: Line, tolerance_mps: float) -> str:
    def mph(value: float) -> str:
        return number(value / MPH_MPS, 1)

    wide = max(abs(limits.low_ci[0]), abs(limits.high_ci[1]))
    near = max(abs(limits.low), abs(limits.high))
    bias = f"we read {'higher' if limits.bias > 0 else 'lower'} by {mph(abs(limits.bias))} mph on average"
    if limits.bias_ci[0] <= 0 <= limits.bias_ci[1]:
        bias = "no difference on average shown"
    span = f"95 % of differences lie from {mph(limits.low)} to {mph(limits.high)} mph"
    tolerance = f"{tolerance_mps / MPH_MPS:g} mph"
    if wide <= tolerance_mps:
        text = f"they agree within {tolerance}: {span}, {bias}"
    elif near <= tolerance_mps:
        text = f"they seem to agree within {tolerance}, but {limits.n} balls are too few to be sure: {span}, {bias}"
    else:
        text = f"they do not agree within {tolerance}: {span}, {bias}"
    low, high = line.slope_ci
    if low > 0 or high < 0:
        text += (
            f"; the difference changes with speed, {line.slope:+.1%} of it (95 % interval {low:+.1%} to {high:+.1%})"
        )
    return text


@dataclass(frozen=True, slots=True)
class Doubles:
    """Repeatability of an instrument from pairs of readings.

    difference_sd  sd of second minus first
    coefficient    twice the root mean square difference: 95 % of repeats differ by less (Bland & Altman 1986)
    """

    difference_sd: float
    coefficient: float


def doubles(first: Floats, second: Floats) -> Doubles:
    """Repeatability from pairs (n,), (n,)."""
    gap = second - first
    return Doubles(summarise(gap).sd, 2 * sqrt(float(np.mean(gap**2))))


def corrected_sd(mean_difference: Sample, a: Doubles, b: Doubles) -> float:
    """The sd of differences between single readings, from the sd of differences between means of two."""
    return sqrt(mean_difference.sd**2 + a.difference_sd**2 / 4 + b.difference_sd**2 / 4)

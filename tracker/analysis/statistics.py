"""The elementary statistics of two groups of balls: difference, interval, power, equivalence, many looks.

Everything works on summaries (n, mean, sd), so published worked examples can be typed in as printed. A difference is
always group b minus group a. Methods: Welch 1947 (Biometrika 34, 28-35) with Satterthwaite's degrees of freedom (1946,
Biometrics Bull. 2, 110-114); Hedges' g as in Borenstein et al. 2009, Introduction to Meta-Analysis, ch. 4; power from
the noncentral t; equivalence by two one-sided tests (Schuirmann 1987, J. Pharmacokin. Biopharm. 15, 657-680); Holm
1979 (Scand. J. Statist. 6, 65-70); Wilson 1927 (JASA 22, 209-212).
It knows nothing of tables, files or cricket.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isnan, nan, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy import special

Floats = NDArray[np.float64]

LEVEL = 0.95  # of every interval, as the tables' headings say
POWER = 0.8  # of the smallest detectable difference, common practice since Cohen 1988


@dataclass(frozen=True, slots=True)
class Sample:
    """How many balls, their mean and their standard deviation (divisor n - 1; NaN below two balls)."""

    n: int
    mean: float
    sd: float

    @property
    def measured(self) -> bool:
        """Whether there is a scatter to judge by: two balls or more, not all alike."""
        return self.n >= 2 and self.sd > 0


@dataclass(frozen=True, slots=True)
class Difference:
    """An estimate with its standard error, degrees of freedom, 95 % interval and two-sided p-value."""

    value: float
    se: float
    df: float
    ci_low: float
    ci_high: float
    p_value: float


NO_DIFFERENCE = Difference(nan, nan, nan, nan, nan, nan)


def summarise(values: Floats) -> Sample:
    """Mean and sd in two passes, so that a large offset costs no digits; NaN is dropped.

    >>> summarise(np.array([10000000.1, 10000000.3, np.nan])).n
    2
    """
    kept = values[np.isfinite(values)]
    if not len(kept):
        return Sample(0, nan, nan)
    mean = float(kept.mean())
    mean += float((kept - mean).mean())
    sd = sqrt(float(((kept - mean) ** 2).sum()) / (len(kept) - 1)) if len(kept) > 1 else nan
    return Sample(len(kept), mean, sd)


def estimate(value: float, se: float, df: float, level: float = LEVEL) -> Difference:
    """A t-interval and p-value about `value`."""
    if not (np.isfinite(value) and se > 0 and df > 0):
        return NO_DIFFERENCE
    half = float(special.stdtrit(df, 0.5 + level / 2)) * se
    return Difference(value, se, df, value - half, value + half, float(2 * special.stdtr(df, -abs(value) / se)))


def contrast(weights: Sequence[float], samples: Sequence[Sample], level: float = LEVEL) -> Difference:
    """A weighted sum of group means, each with its own variance.

    Welch's test is the case (-1, 1); averaging k within-bowler differences is (-1/k, 1/k, -1/k, ...).
    """
    if not all(s.n >= 2 for s in samples):
        return NO_DIFFERENCE
    parts = np.array([w**2 * s.sd**2 / s.n for w, s in zip(weights, samples, strict=True)])
    variance = float(parts.sum())
    value = float(sum(w * s.mean for w, s in zip(weights, samples, strict=True)))
    if not variance > 0:
        return Difference(value, nan, nan, nan, nan, nan)
    # Satterthwaite 1946, eq. 17
    df = variance**2 / float(sum(p**2 / (s.n - 1) for p, s in zip(parts, samples, strict=True)))
    return estimate(value, sqrt(variance), df, level)


def welch(a: Sample, b: Sample, level: float = LEVEL) -> Difference:
    """The difference b - a of two means with unequal variances.

    >>> miles = welch(Sample(249, 20.14458, 6.41470), Sample(79, 30.48101, 6.10771))
    >>> round(miles.value / miles.se, 3), round(miles.df, 2)  # NIST/SEMATECH e-Handbook 1.3.5.3
    (12.946, 136.87)
    """
    return contrast((-1.0, 1.0), (a, b), level)


def average_difference(pairs: Sequence[tuple[Sample, Sample]], level: float = LEVEL) -> Difference:
    """The plain average of the differences b - a of several pairs, each within one bowler."""
    if not pairs:
        return NO_DIFFERENCE
    k = len(pairs)
    return contrast([-1 / k, 1 / k] * k, [s for pair in pairs for s in pair], level)


def average_of(found: Sequence[Difference]) -> Difference:
    """The plain average of independent estimates, with Satterthwaite's degrees of freedom."""
    if not found:
        return NO_DIFFERENCE
    k = len(found)
    parts = [(d.se / k) ** 2 for d in found]
    df = sum(parts) ** 2 / sum(p**2 / d.df for p, d in zip(parts, found, strict=True))
    return estimate(sum(d.value for d in found) / k, sqrt(sum(parts)), df)


def pooled_sd(samples: Sequence[Sample]) -> tuple[float, int]:
    """The sd within groups and its degrees of freedom."""
    used = [s for s in samples if s.n >= 2]
    df = sum(s.n - 1 for s in used)
    return (sqrt(sum((s.n - 1) * s.sd**2 for s in used) / df), df) if df else (nan, 0)


def hedges_g(difference: float, samples: Sequence[Sample]) -> float:
    """The difference in units of the sd within groups, corrected for few balls.

    >>> round(hedges_g(3.0, [Sample(50, 100.0, 4.5), Sample(50, 103.0, 5.5)]), 4)  # Borenstein 2009, ch. 4
    0.5924
    """
    sd, df = pooled_sd(samples)
    if not sd > 0 or df < 2:
        return nan
    return difference / sd * (1 - 3 / (4 * df - 1))  # Borenstein 2009, eq. 4.22


def power_of(difference: float, se: float, df: float, alpha: float = 1 - LEVEL) -> float:
    """The chance that a two-sided test at `alpha` shows a true difference of this size."""
    limit, shift = float(special.stdtrit(df, 1 - alpha / 2)), abs(difference) / se
    missed = float(special.nctdtr(df, shift, limit))
    if isnan(missed):  # it runs out of digits where the power is 1
        return 1.0
    below = float(special.nctdtr(df, shift, -limit)) if shift < 5 else 0.0  # under 1e-8 from there on
    return 1 - missed + below


def smallest_detectable(se: float, df: float, power: float = POWER) -> float:
    """The true difference that balls this many and this scattered show with chance `power`."""
    if not (se > 0 and df > 0):
        return nan
    most = 1e4
    if power_of(most, 1.0, df) < power:
        return nan
    high = 4.0
    while power_of(high, 1.0, df) < power:
        high *= 2
    low = 0.0
    for _ in range(48):  # halves the span to 1e-13 of itself
        middle = (low + high) / 2
        low, high = (middle, high) if power_of(middle, 1.0, df) < power else (low, middle)
    return se * high


def balls_needed(
    difference: float, sd_a: float, sd_b: float | None = None, power: float = POWER, most: int = 100_000
) -> int | None:
    """The fewest balls in each group that show `difference` with chance `power`; None above `most`.

    >>> balls_needed(0.5, 1.0), balls_needed(0.8, 1.0)  # Cohen 1988, table 2.4.1
    (64, 26)
    """
    sd_b = sd_a if sd_b is None else sd_b
    return more_balls([(Sample(0, 0.0, sd_a), Sample(0, 0.0, sd_b))], difference, power, most)


def more_balls(
    pairs: Sequence[tuple[Sample, Sample]], difference: float, power: float = POWER, most: int = 100_000
) -> int | None:
    """How many more balls in every group until `difference` is shown with chance `power`; None above `most`.

    The sds stay as they are seen. Zero: the balls at hand are enough.
    """

    def enough(extra: int) -> bool:
        grown = [tuple(Sample(s.n + extra, 0.0, s.sd) for s in pair) for pair in pairs]
        result = average_difference([(a, b) for a, b in grown])
        return bool(np.isfinite(result.se)) and power_of(difference, result.se, result.df) >= power

    if enough(0):
        return 0
    low, high = 0, 1
    while not enough(high):
        if high >= most:
            return None
        low, high = high, min(2 * high, most)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def equivalence_p(found: Difference, margin: float) -> float:
    """The p-value of two one-sided tests that the difference lies within +-margin (small: it does)."""
    if not np.isfinite(found.se):
        return nan
    over = special.stdtr(found.df, -(margin - found.value) / found.se)
    under = special.stdtr(found.df, -(margin + found.value) / found.se)
    return float(max(over, under))


def permutation_p(
    a: Floats, b: Floats, *, rng: np.random.Generator, size: int = 9999, strata: NDArray[np.int64] | None = None
) -> float:
    """Two-sided permutation test that the groups share one mean, on the p-value of Welch's test.

    A studentised statistic keeps its level for large n even where the sds differ (Janssen 1997, Statist. Probab.
    Lett. 36, 9-21). Its p-value in its place (prepivoting: Beran 1988, JASA 83, 687-697; from memory) keeps it for
    small, unequal groups too: each shuffle is judged by its own degrees of freedom.

    Parameters
    ----------
    a, b : (n_a,), (n_b,)
        Finite values.
    rng : Generator
        Draws the shuffles.
    size : int
        Shuffles; the p-value is never below 1 / (size + 1).
    strata : (n_a + n_b,), optional
        Shuffle only within equal numbers (spells), values of `a` first.
    """
    if min(len(a), len(b)) < 2:
        return nan
    values = np.concatenate([a, b])
    values = values - values.mean()
    order = np.arange(len(values)) if strata is None else np.argsort(strata, kind="stable")
    blocks = [order] if strata is None else np.split(order, np.flatnonzero(np.diff(strata[order])) + 1)
    at_least, left = 0, size
    seen = _welch_tail(values[None, :], len(a))[0]
    while left:
        rows = min(left, max(1, 2_000_000 // len(values)))
        shuffled = np.repeat(values[None, :], rows, axis=0)
        for block in blocks:
            shuffled[:, block] = rng.permuted(shuffled[:, block], axis=1)
        at_least += int(np.sum(_welch_tail(shuffled, len(a)) <= seen * (1 + 1e-9)))
        left -= rows
    # one is added to both counts: Phipson & Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9, art. 39
    return (at_least + 1) / (size + 1)


def _welch_tail(rows: Floats, n_a: int) -> Floats:
    """One tail of Welch's test in each row, the first `n_a` columns against the rest; 0.5 where nothing differs."""
    a, b = rows[:, :n_a], rows[:, n_a:]
    of_a, of_b = a.var(axis=1, ddof=1) / a.shape[1], b.var(axis=1, ddof=1) / b.shape[1]
    gap, se = np.abs(b.mean(axis=1) - a.mean(axis=1)), np.sqrt(of_a + of_b)
    with np.errstate(divide="ignore", invalid="ignore"):
        df = (of_a + of_b) ** 2 / (of_a**2 / (a.shape[1] - 1) + of_b**2 / (b.shape[1] - 1))
        tail = special.stdtr(df, -gap / se)
    scattered: Floats = np.where(se > 0, tail, np.where(gap > 0, 0.0, 0.5))
    return scattered


def holm(p_values: Sequence[float]) -> list[float]:
    """P-values corrected for many looks; NaN stays NaN and counts for nothing.

    >>> holm([0.01, 0.04, 0.03])
    [0.03, 0.06, 0.06]
    """
    p = np.asarray(p_values, float)
    known = np.flatnonzero(np.isfinite(p))
    order = known[np.argsort(p[known], kind="stable")]
    factors = np.arange(len(order), 0, -1)
    adjusted = np.full(len(p), nan)
    adjusted[order] = np.minimum(np.maximum.accumulate(factors * p[order]), 1.0) if len(order) else []
    return [float(x) for x in adjusted]


def wilson(hits: int, n: int, level: float = LEVEL) -> tuple[float, float]:
    """Interval of a share, `hits` of `n`.

    >>> [round(x, 4) for x in wilson(81, 263)]  # Newcombe 1998, Statist. Med. 17, 857-872, table I
    [0.2553, 0.3662]
    """
    if n == 0:
        return nan, nan
    z = float(special.ndtri(0.5 + level / 2))
    share, spread = hits / n, z**2 / n
    half = z * sqrt(share * (1 - share) / n + spread / (4 * n))
    low, high = (share + spread / 2 - half) / (1 + spread), (share + spread / 2 + half) / (1 + spread)
    return (0.0 if hits == 0 else low), (1.0 if hits == n else high)


def mean_interval(sample: Sample, level: float = LEVEL) -> tuple[float, float]:
    """Student's interval of one mean."""
    if sample.n < 2:
        return nan, nan
    half = float(special.stdtrit(sample.n - 1, 0.5 + level / 2)) * sample.sd / sqrt(sample.n)
    return sample.mean - half, sample.mean + half


def sd_interval(sd: float, df: float, level: float = LEVEL) -> tuple[float, float]:
    """Interval of an sd from the chi-squared distribution of its square."""
    if not df > 0:
        return nan, nan
    # quantiles of chi-squared, as of a gamma distribution of half the degrees of freedom
    low, high = (2 * float(special.gammaincinv(df / 2, q)) for q in (0.5 + level / 2, 0.5 - level / 2))
    return sd * sqrt(df / low), sd * sqrt(df / high)


def sd_bias(n: int) -> float:
    """c4: the mean of a normal sample's sd over the true sd.

    >>> round(sd_bias(5), 4)  # any control-chart table
    0.94
    """
    return sqrt(2 / (n - 1)) * float(np.exp(special.gammaln(n / 2) - special.gammaln((n - 1) / 2)))

"""The difference between two groups of balls, adjusted for what else differed: side, order, spell and session.

Per bowler: a linear mixed model (random spells, restricted maximum likelihood) where there are enough spells, least
squares with a constant for each spell otherwise; side of the wicket and place in the spell (tiring) as further terms.
The groups may scatter differently. A ball measured less surely weighs less; the error that all balls of a run share
(its rig's) is added for the part that does not cancel. What cannot be told from the groups is named, not adjusted for.
Pooled: the plain average of the bowlers' adjusted differences, arm by arm.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import nan, sqrt

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tracker.analysis.compare import POOLED, Comparison
from tracker.analysis.linear import (
    Balls,
    dummies,
    fixed_blocks,
    random_blocks,
    separable,
    separable_blocks,
    spell_scatter,
)
from tracker.analysis.measures import kind_of
from tracker.analysis.statistics import NO_DIFFERENCE, Difference, average_of, estimate, permutation_p
from tracker.analysis.tables import RUN, Run

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ORDER, SPELL_KEY = " order", " spell"  # with a space in front, see RUN
USED = (RUN, "side", ORDER, SPELL_KEY)  # columns beside the measure and the grouping
ENOUGH_SPELLS = 6  # below this their scatter is not worth estimating: common practice, no source
MOST_SESSIONS = 12  # above it a session's level is left to its spells' scatter: a constant each would tell little more
MOST_DRAWS = 10_000_000  # shuffles times balls: fewer shuffles for many balls, never under 999
APART = 1e-6  # share of variation left over below which two things cannot be told apart
HARDLY_APART = 0.2  # and below which they hardly can (variance inflated 5 times: common practice, no source)


@dataclass(frozen=True, slots=True)
class Adjusted:
    """One bowler's (or the pooled) difference, b - a in SI, raw and adjusted.

    method        "mixed model", "blocked least squares", "average of bowlers", or "" where nothing could be done
    terms         what it was adjusted for
    permutation_p shuffling the balls within spells where both groups were bowled there, else freely
    equivalence_p of the raw difference against the margin; NaN for a measure without one
    measuring_sd  one-sigma of one ball's measurement (root mean square); NaN where the table does not say
    rig_sd        one-sigma of the raw difference from errors that all balls of a run share
    cautions      sentences on what cannot be told apart
    """

    measure: str
    by: str
    group_a: str
    group_b: str
    bowler: str
    arm: str
    n_a: int
    n_b: int
    raw: Difference
    adjusted: Difference
    method: str
    terms: tuple[str, ...]
    permutation_p: float
    equivalence_p: float
    measuring_sd: float
    rig_sd: float
    cautions: tuple[str, ...]


def with_order(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows with SPELL_KEY (session, date and the log's spell) and ORDER, the bowler's ball number in that spell.

    Every ball bowled counts for the order, measured or not: it tires all the same.
    """
    spell = rows["spell"].astype(str) if "spell" in rows.columns else pd.Series("", index=rows.index)
    key = rows["date"] + "\t" + rows["session"] + "\t" + spell
    found = rows.assign(**{SPELL_KEY: key})
    found[ORDER] = (found.groupby(["bowler", "arm", SPELL_KEY]).cumcount() + 1).astype(float)
    return found


def adjust(
    rows: pd.DataFrame, found: Sequence[Comparison], runs: Sequence[Run], rng: np.random.Generator, shuffles: int = 9999
) -> list[Adjusted]:
    """Adjusted counterparts of the rows of `found` that hold all balls of a bowler, and their averages by arm.

    Parameters
    ----------
    rows : DataFrame
        Deliveries that count, with `with_order` and `with_derived` columns.
    found : comparisons
        From `compare` on the same rows.
    runs : runs
        For the error that the balls of a run share.
    rng, shuffles
        For the permutation test of the first measure.
    """
    results: list[Adjusted] = []
    for row in found:
        if row.side != "all":
            continue
        if row.bowler == POOLED:
            results.append(_pooled(row, results))
            continue
        columns = [c for c in (*USED, "spell", row.by, row.measure, f"{row.measure}_sd") if c in rows.columns]
        chosen = (rows["bowler"] == row.bowler) & (rows["arm"] == row.arm) & rows[row.measure].notna()
        mine = rows.loc[chosen & rows[row.by].isin([row.group_a, row.group_b]), list(dict.fromkeys(columns))]
        first = row.measure == found[0].measure  # the others would only repeat what Holm's correction judges
        results.append(_one(row, mine, runs, rng, shuffles if first else 0))
    return results


def _one(row: Comparison, mine: pd.DataFrame, runs: Sequence[Run], rng: np.random.Generator, shuffles: int) -> Adjusted:
    sds = _measuring_sds(mine, row.measure)
    result = _unadjusted(row, sqrt(float(np.mean(sds**2))) if len(sds) else nan)
    if min(row.n) < 2 or not np.isfinite(row.found.se):
        return result
    group = (mine[row.by].to_numpy(str) == row.group_b).astype(np.int64)
    value = mine[row.measure].to_numpy(float)
    block = pd.factorize(mine[SPELL_KEY])[0].astype(np.int64)
    run = mine[RUN].to_numpy(np.int64)
    common = np.array([r.common_sd.get(row.measure, 0.0) for r in runs])
    share = np.where(group == 1, 1 / group.sum(), -1 / (1 - group).sum())
    terms, columns, cautions, spells_apart = _terms(mine, row.by, group, block)
    single = np.sqrt(np.maximum(sds**2 - common[run] ** 2, 0.0)) if len(sds) else sds
    balls = Balls(value, np.column_stack([group, *columns]), group, block, _weights(single, row.found, row.n))
    adjusted, adjusted_share, method = _fit(balls, run, spells_apart)
    if method:
        shared = _shared_sd(adjusted_share, run, common)
        adjusted = estimate(adjusted.value, sqrt(adjusted.se**2 + shared**2), adjusted.df)
        if len(np.unique(block)) > 1:
            terms = (*terms, "spell" if "spell" in mine.columns else "session")
    return replace(
        result,
        adjusted=adjusted,
        method=method,
        terms=terms if method else (),
        permutation_p=_shuffled(value, group, block, rng, shuffles) if shuffles else nan,
        rig_sd=_shared_sd(share, run, common),
        cautions=cautions,
    )


def _unadjusted(row: Comparison, measuring_sd: float) -> Adjusted:
    return Adjusted(
        measure=row.measure,
        by=row.by,
        group_a=row.group_a,
        group_b=row.group_b,
        bowler=row.bowler,
        arm=row.arm,
        n_a=row.n[0],
        n_b=row.n[1],
        raw=row.found,
        adjusted=NO_DIFFERENCE,
        method="",
        terms=(),
        permutation_p=nan,
        equivalence_p=row.equivalence_p,
        measuring_sd=measuring_sd,
        rig_sd=nan,
        cautions=(),
    )


def _fit(balls: Balls, run: Ints, spells_apart: bool) -> tuple[Difference, Floats, str]:
    """The adjusted difference, each ball's share in it, and the method; "" where the terms leave nothing over."""
    spells = len(np.unique(balls.block))
    if spells >= ENOUGH_SPELLS:
        sessions = len(np.unique(run))
        fixed = dummies(run) if 1 < sessions <= min(spells / 2, MOST_SESSIONS) else np.ones((len(run), 1))
        block_var, ball_var = spell_scatter(balls, fixed)
        found, share = random_blocks(balls, fixed, block_var, ball_var)
        if np.isfinite(found.se):
            return found, share, "mixed model"
    if not spells_apart:
        return NO_DIFFERENCE, np.zeros(len(run)), ""
    found, share = fixed_blocks(balls)
    return found, share, "blocked least squares" if np.isfinite(found.se) else ""


def _terms(
    mine: pd.DataFrame, by: str, group: Ints, block: Ints
) -> tuple[tuple[str, ...], list[Floats], tuple[str, ...], bool]:
    """Terms beside the group: names, columns, what cannot be told from the group, and whether spells can."""
    hand = group.astype(float)
    what = "the batter's hand" if by == "batter_hand" else f'"{by}"'
    names, columns, cautions = [], [], []
    candidates: list[tuple[str, Floats]] = []
    sides = mine["side"].to_numpy(str)
    if by != "side" and len(np.unique(sides)) > 1:
        candidates.append(("side", dummies(pd.factorize(sides)[0].astype(np.int64))[:, 1:]))
    order = mine[ORDER].to_numpy(float)
    if len(np.unique(order)) > 2:
        candidates.append(("order", order[:, None]))
    for name, column in candidates:
        left = separable(hand, column)
        if left < APART:
            cautions.append(f"{what} and {name} cannot be told apart{_example(mine, by, name)}")
            continue
        if left < HARDLY_APART:
            cautions.append(f"{what} and {name} can hardly be told apart")
        names.append(name)
        columns.append(column)
    left = separable_blocks(hand, block) if len(np.unique(block)) > 1 else 1.0
    if left < APART:
        cautions.append(f"each spell has only one group, so {what} and spell cannot be told apart within spells")
    elif left < HARDLY_APART:
        cautions.append(f"{what} and spell can hardly be told apart: mix them within spells")
    return tuple(names), columns, tuple(cautions), left >= APART


def _example(mine: pd.DataFrame, by: str, name: str) -> str:
    if name != "side":
        return ""
    for group, part in mine.groupby(by):
        if part["side"].nunique() == 1 and part["side"].iloc[0]:
            whom = f"all balls to {group}-handers" if by == "batter_hand" else f"all balls with {by} {group}"
            return f": {whom} were bowled {part['side'].iloc[0]} the wicket"
    return ""


def _measuring_sds(mine: pd.DataFrame, measure: str) -> Floats:
    """Each ball's measuring sd (n,), the median where one is missing; empty where the table has none."""
    if f"{measure}_sd" not in mine.columns or not mine[f"{measure}_sd"].notna().any():
        return np.zeros(0)
    column = mine[f"{measure}_sd"]
    sds: Floats = column.fillna(column.median()).to_numpy(float)
    return sds


def _weights(sds: Floats, raw: Difference, n: tuple[int, int]) -> Floats:
    """Relative precision of each ball (its own measuring sds (n,)), 1 / (ball-to-ball + measuring variance), mean 1."""
    if not len(sds):
        return np.ones(sum(n))
    total = raw.se**2 / (1 / n[0] + 1 / n[1])
    own = max(total - float(np.mean(sds**2)), 0.25 * total)  # never trust that scatter is all measuring
    precision = 1 / (own + sds**2)
    weight: Floats = precision / precision.mean()
    return weight


def _shared_sd(share: Floats, run: Ints, common: Floats) -> float:
    """One-sigma of a weighted sum of balls from the errors that all balls of a run share."""
    return sqrt(sum((float(share[run == r].sum()) * common[r]) ** 2 for r in np.unique(run)))


def _shuffled(value: Floats, group: Ints, block: Ints, rng: np.random.Generator, shuffles: int) -> float:
    mixed = any(len(np.unique(group[block == b])) > 1 for b in np.unique(block))
    strata = np.concatenate([block[group == 0], block[group == 1]]) if mixed else None
    size = min(shuffles, max(999, MOST_DRAWS // len(value)))
    return permutation_p(value[group == 0], value[group == 1], rng=rng, size=size, strata=strata)


def _pooled(row: Comparison, results: Sequence[Adjusted]) -> Adjusted:
    """The average over the bowlers of one arm whose own difference could be adjusted."""
    same = [
        r
        for r in results
        if (r.measure, r.by, r.group_a, r.group_b, r.arm) == (row.measure, row.by, row.group_a, row.group_b, row.arm)
        and r.bowler not in ("", POOLED)
    ]
    used = [r for r in same if np.isfinite(r.adjusted.se)]
    left = [r.bowler for r in same if np.isfinite(r.raw.se) and not np.isfinite(r.adjusted.se)]
    cautions = [f"not adjusted, so not in the average: {', '.join(left)}"] if left else []
    tied = [r for r in used if any("cannot be told apart" in words for words in r.cautions)]
    if len(used) > 1 and tied:  # an average of one repeats that bowler, whose row says it
        own = "; ".join(dict.fromkeys(w for r in tied for w in r.cautions if "cannot be told apart" in w))
        cautions.append(f"of {', '.join(r.bowler for r in tied)}: {own}")
    return replace(
        _unadjusted(row, nan),
        n_a=sum(r.n_a for r in used),
        n_b=sum(r.n_b for r in used),
        adjusted=average_of([r.adjusted for r in used]),
        method="average of bowlers" if used else "",
        terms=tuple(dict.fromkeys(term for r in used for term in r.terms)),
        cautions=tuple(cautions),
    )


def adjusted_table(results: Sequence[Adjusted]) -> pd.DataFrame:
    """comparison_adjusted.csv: raw and adjusted side by side."""
    return pd.DataFrame(
        [
            {
                "measure": r.measure,
                "unit": kind_of(r.measure).unit,
                "by": r.by,
                "group_a": r.group_a,
                "group_b": r.group_b,
                "bowler": r.bowler,
                "arm": r.arm,
                "n_a": r.n_a,
                "n_b": r.n_b,
                "raw_difference": r.raw.value,
                "raw_ci_low": r.raw.ci_low,
                "raw_ci_high": r.raw.ci_high,
                "raw_p_value": r.raw.p_value,
                "permutation_p_value": r.permutation_p,
                "equivalence_p_value": r.equivalence_p,
                "adjusted_difference": r.adjusted.value,
                "adjusted_ci_low": r.adjusted.ci_low,
                "adjusted_ci_high": r.adjusted.ci_high,
                "adjusted_p_value": r.adjusted.p_value,
                "method": r.method,
                "adjusted_for": ", ".join(r.terms),
                "measuring_sd": r.measuring_sd,
                "rig_sd_of_difference": r.rig_sd,
                "caution": "; ".join(r.cautions),
            }
            for r in results
        ]
    )

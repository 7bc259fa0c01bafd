"""The whole answer of `lanepair compare`, from Python too: raw and adjusted differences, unequal seeing, cautions.

runs = read_runs([Path("OUT")], needed=["release_speed_mps"])
answer = study(runs, ["release_speed_mps"], Choice(), np.random.default_rng(1))
answer.comparisons[0].verdict
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from calibration.errors import InputError, LanepairError
from calibration.lane import MPH_MPS
from tracker.analysis.adjust import APART, ENOUGH_SPELLS, HARDLY_APART, Adjusted, adjust, with_order
from tracker.analysis.bias import Bias, seeing_bias
from tracker.analysis.compare import (
    HAND,
    POOLED,
    SPEED,
    Choice,
    Comparison,
    bowlers,
    check_column,
    compare,
    counted,
    group_pairs,
)
from tracker.analysis.linear import separable_blocks
from tracker.analysis.measures import kind_of, with_derived
from tracker.analysis.tables import RUN, Run, Runs
from tracker.analysis.verdict import group_words, number


@dataclass(frozen=True, eq=False)
class Study:
    """What was found.

    comparisons  every comparison asked for, verdicts with their cautions
    adjusted     the adjusted counterparts of the rows with all balls of a bowler
    hands        speed by the batter's hand whatever was asked: the rows of comparison.csv
    bias         unequal seeing between the two groups (the first two, where there are more)
    left_out     how many deliveries were left out, by reason
    notes        sentences that hold for the whole
    """

    comparisons: tuple[Comparison, ...]
    adjusted: tuple[Adjusted, ...]
    hands: tuple[Comparison, ...]
    bias: Bias
    left_out: Mapping[str, int] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


def study(
    runs: Runs,
    measures: Sequence[str],
    choice: Choice,
    rng: np.random.Generator,
    shuffles: int = 9999,
    where: Mapping[str, str] | None = None,
) -> Study:
    """Compare, adjust, test the seeing and gather the cautions.

    Parameters
    ----------
    runs : Runs
        All sessions.
    measures : names
        Of `MEASURES`, the one that matters first: without a value of it there is nothing to compare.
    choice : Choice
        Grouping, margin, target, variations.
    rng, shuffles
        For the permutation tests.
    where : mapping, optional
        Only deliveries whose columns hold these words.
    """
    for name in measures:
        kind_of(name)
    everything = _chosen(with_order(runs.rows), where or {})
    check_column(everything, choice.by)
    if choice.by == "bowler":
        raise LanepairError(
            '"bowler" is what a comparison stays within: choose another column, or see one with --where'
        )
    rows, left_out = counted(everything, choice)
    rows = with_derived(rows)
    _refuse_nothing(runs, len(everything), rows, measures, left_out)
    everyone = bowlers(everything)
    found = compare(rows, measures, choice, everyone)
    adjusted = adjust(rows, found, runs.runs, rng, shuffles)
    bias = seeing_bias(rows, choice.by, group_pairs(rows, choice.by)[0])
    found = _with_cautions(_not_of_sessions(found, rows), adjusted, bias, _failed_rigs(runs, rows))
    if choice.by == HAND and SPEED in measures:
        hands = [row for row in found if row.measure == SPEED]
    else:
        plain = replace(choice, by=HAND)
        others = with_derived(counted(everything, plain)[0])
        hands = _not_of_sessions(compare(others, [SPEED], plain, everyone), others)
    return Study(tuple(found), tuple(adjusted), tuple(hands), bias, left_out, tuple(_notes(runs, rows, bias, choice)))


def _chosen(rows: pd.DataFrame, where: Mapping[str, str]) -> pd.DataFrame:
    for column, word in where.items():
        check_column(rows, column)
        rows = rows[rows[column].astype(str).str.strip().str.lower() == word.strip().lower()]
        if not len(rows):
            raise LanepairError(f'no delivery has "{word}" in the column "{column}"')
    return rows


def _refuse_nothing(
    runs: Runs, total: int, rows: pd.DataFrame, measures: Sequence[str], left_out: Counter[str]
) -> None:
    if len(rows) and rows[measures[0]].notna().any():
        return
    why = (
        ", ".join(f"{count} {reason}" for reason, count in sorted(left_out.items())) or f"every {measures[0]} is empty"
    )
    raise InputError(
        runs.runs[0].folder / "deliveries.csv",
        f"none of the {total} deliveries can be compared ({why})",
        "a measured value and the log's labels are needed",
    )


def _failed_rigs(runs: Runs, rows: pd.DataFrame) -> dict[tuple[str, str], str]:
    """By bowler and arm: a caution where the rigs of some of the sessions failed their check."""
    failed: dict[tuple[str, str], list[Run]] = {}
    for number_, run in enumerate(runs.runs):
        if run.failed:
            part = rows[rows[RUN] == number_]
            mine = {(str(b), str(a)) for b, a in zip(part["bowler"], part["arm"], strict=True)}
            pooled = {(POOLED, arm) for _, arm in mine} | ({(POOLED, "")} if mine else set())  # "": means of all arms
            for who in mine | pooled:
                failed.setdefault(who, []).append(run)
    return {who: _failed_words(theirs) for who, theirs in failed.items()}


def _failed_words(failed: Sequence[Run]) -> str:
    """Every session whose rig failed its check, and which checks those were."""
    told = [f'"{run.session}"' for run in failed]
    checks = ", ".join(dict.fromkeys(name for run in failed for name in run.failed))
    if len(failed) == 1:
        return f"the rig of session {told[0]} failed its check ({checks})"
    return f"the rigs of {len(failed)} sessions, {', '.join(told)}, failed their checks ({checks})"


def _not_of_sessions(found: Sequence[Comparison], rows: pd.DataFrame) -> list[Comparison]:
    """Verdicts that name no difference between groups that hardly met in one of a few sessions.

    Sessions differ by themselves; with enough of them (`adjust`) that is told apart, as before and after a change.
    """
    return [_not_of_few(row, _balls_of(row, rows)) for row in found]


def _balls_of(row: Comparison, rows: pd.DataFrame) -> pd.DataFrame:
    """The deliveries that a comparison is of."""
    chosen = rows[row.by].isin([row.group_a, row.group_b]) & rows[row.measure].notna() & (rows["bowler"] != "")
    for column, word, whole in (("arm", row.arm, ""), ("bowler", row.bowler, POOLED), ("side", row.side, "all")):
        if word != whole:
            chosen &= rows[column] == word
    return rows[chosen]


def _not_of_few(row: Comparison, mine: pd.DataFrame) -> Comparison:
    few = 1 < mine[RUN].nunique() < ENOUGH_SPELLS and row.by not in ("session", "date")
    if not (few and np.isfinite(row.found.se) and row.of == "balls"):
        return row
    block = mine.groupby(["bowler", RUN]).ngroup().to_numpy().astype(np.int64)
    within = separable_blocks(np.where(mine[row.by] == row.group_b, 1.0, 0.0), block)
    if within >= HARDLY_APART:
        return row
    what = "the hands" if row.by == HAND else f'"{row.by}"'
    met = "hardly ever" if within > APART else "never"
    words = f"cannot tell {what} from the few sessions: the two {met} met in one, and sessions differ by themselves"
    return replace(row, verdict=f"{words} ({row.verdict})", of_sessions=True)


def _with_cautions(
    found: Sequence[Comparison], adjusted: Sequence[Adjusted], bias: Bias, failed: Mapping[tuple[str, str], str]
) -> list[Comparison]:
    by_row = {(a.measure, a.group_a, a.group_b, a.bowler, a.arm): a for a in adjusted}
    out = []
    for row in found:
        cautions = [failed[row.bowler, row.arm]] if (row.bowler, row.arm) in failed else []
        twin = by_row.get((row.measure, row.group_a, row.group_b, row.bowler, row.arm))
        if row.side == "all" and twin is not None:
            cautions += [*twin.cautions, *_otherwise(row, twin)]
            if row.measure == SPEED and np.isfinite(row.found.se) and not bias.harmless(row.found):
                cautions.append("the balls of the two groups were not seen equally well")
        out.append(replace(row, verdict="; ".join([row.verdict, *cautions])))
    return out


def _otherwise(row: Comparison, twin: Adjusted) -> list[str]:
    """The adjusted result, where it answers otherwise than the raw one."""
    raw, adjusted = row.found, twin.adjusted
    if not np.isfinite(adjusted.se) or (raw.p_value < 0.05) == (adjusted.p_value < 0.05) or not twin.terms:
        return []
    kind = kind_of(row.measure)
    value, low, high = (
        number(v / kind.scale, kind.digits) for v in (adjusted.value, adjusted.ci_low, adjusted.ci_high)
    )
    terms = " and ".join(filter(None, [", ".join(twin.terms[:-1]), twin.terms[-1]]))
    return [f"but adjusted for {terms}: {value} {kind.people_unit}, 95 % interval {low} to {high}"]


def _notes(runs: Runs, rows: pd.DataFrame, bias: Bias, choice: Choice) -> list[str]:
    notes = []
    a, b = (group_words(choice.by, group) for group in group_pairs(rows, choice.by)[0])
    for sign in bias.unequal:
        way = "more" if sign.relative > 0 else "less"
        notes.append(f"{sign.label}: {abs(sign.relative):.0%} {way} {b} than {a} (p {sign.p_adjusted:.2g}, Holm)")
    if bias.unequal:
        bound = f"up to {bias.bound_mps / MPH_MPS:.2f} mph" if np.isfinite(bias.bound_mps) else "an unknown amount"
        notes.append(f"unequal seeing, such as a batter who hides the ball, could move the difference by {bound}")
    if "style" in rows.columns:
        both = rows[rows["style"] != ""].groupby(["bowler"])["style"].nunique()
        for bowler in both[both > 1].index:
            notes.append(f'{bowler} bowled several styles: compare them apart, with --where "style=..."')
    unnamed = int((rows["bowler"] == "").sum())
    if unnamed:
        notes.append(f"{unnamed} deliveries without a bowler: they may be of several, so they are in no average")
    if not any(np.isfinite(run.pitch_length_m) for run in runs.runs):
        notes.append("run.json does not give the pitch length: 22 yards are taken")
    return notes

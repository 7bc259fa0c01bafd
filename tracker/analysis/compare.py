"""Whether a measure differs between two groups of balls, by how much, and how sure that is.

Rows are made per bowler and arm, for all balls and, where both were bowled, for over and round the wicket; pooled rows
(bowler "all") average the bowlers' own differences, arm by arm, and never mix raw balls of several bowlers. Groups that
no bowler has both of (arms, most styles) are compared by the bowlers' means, each bowler counting once. Intervals
and p-values are Welch's; those of a pooled row are the same arithmetic for the average of k differences. A difference
is group b minus group a: left-handers minus right-handers. Adjusting for what else differs is in adjust.py.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import isfinite, nan

import pandas as pd

from calibration.errors import LanepairError, nearest
from calibration.lane import MPH_MPS
from tracker.analysis.measures import MEASURES, kind_of
from tracker.analysis.statistics import (
    NO_DIFFERENCE,
    Difference,
    Sample,
    average_difference,
    equivalence_p,
    hedges_g,
    holm,
    smallest_detectable,
    summarise,
    welch,
)
from tracker.analysis.tables import bowled
from tracker.analysis.verdict import verdict

HAND = "batter_hand"
SPEED = "release_speed_mps"
ORDERED_GROUPS = {HAND: ("right", "left"), "side": ("over", "round"), "arm": ("right", "left")}
MOST_GROUPS = 6  # a column with more different words is not a grouping
POOLED = "all"  # the bowler of pooled rows


@dataclass(frozen=True, slots=True)
class Choice:
    """What is compared and what counts as a difference.

    margin_mps  differences of speed below it do not matter (1 mph)
    target_mps  the difference of speed that ought to be shown: sets how many more balls are asked for (2 mph)
    variations  which variations count; empty: all of them
    """

    by: str = HAND
    margin_mps: float = 1.0 * MPH_MPS
    target_mps: float = 2.0 * MPH_MPS
    variations: tuple[str, ...] = ("stock",)


@dataclass(frozen=True, slots=True)
class Comparison:
    """One row: group b minus group a of one measure, SI.

    `pairs` holds the balls behind it, one pair a bowler; where no bowler has both groups, `of` is "bowlers" and the one
    pair holds their means. `of_sessions`: the groups hardly met in one session, so that it may be the sessions' own.
    """

    measure: str
    by: str
    group_a: str
    group_b: str
    bowler: str
    arm: str
    side: str
    pairs: tuple[tuple[Sample, Sample], ...]
    found: Difference
    p_adjusted: float
    effect_size: float
    smallest_detectable: float
    equivalence_p: float
    verdict: str
    of: str = "balls"
    of_sessions: bool = False

    @property
    def beyond_chance(self) -> bool:
        """Whether the groups differ by more than chance, all measures looked at allowed for."""
        return self.p_adjusted < 0.05 and not self.of_sessions

    @property
    def n(self) -> tuple[int, int]:
        """Balls (or bowlers) in a and in b."""
        return sum(a.n for a, _ in self.pairs), sum(b.n for _, b in self.pairs)

    @property
    def means(self) -> tuple[float, float]:
        """Means of a and b; of a pooled row the average of the bowlers' means."""
        k = len(self.pairs) or nan
        return sum(a.mean for a, _ in self.pairs) / k, sum(b.mean for _, b in self.pairs) / k


def counted(rows: pd.DataFrame, choice: Choice) -> tuple[pd.DataFrame, Counter[str]]:
    """The deliveries that count, and how many were left out for which reason (the first that applies).

    The column compared by holds words: an empty variation is "stock", a clip's number is written out.
    """
    reason = pd.Series("", index=rows.index, dtype=object)

    def leave(where: pd.Series, why: str) -> None:
        reason[where & (reason == "")] = why

    leave(~rows["status"].isin(["ok", "partial"]), "rejected")
    leave(~bowled(rows), "thrown or machine-fed")
    spoken = pd.Series("stock", index=rows.index, dtype="str")
    if "variation" in rows.columns:
        spoken = rows["variation"].str.lower().replace("", "stock")
    if choice.by == "variation":
        rows = rows.assign(variation=spoken)
    elif choice.variations:
        leave(~spoken.isin(_known_variations(choice.variations, spoken)), "another variation")
    if pd.api.types.is_numeric_dtype(rows[choice.by]):  # groups are words, the clip's number too
        rows = rows.assign(**{choice.by: [f"{value:g}" if isfinite(value) else "" for value in rows[choice.by]]})
    leave(rows[choice.by] == "", f"no {choice.by}")
    return rows[reason == ""], Counter(str(r) for r in reason[reason != ""])


def _known_variations(asked: Sequence[str], spoken: pd.Series) -> set[str]:
    """The variations asked for, small; one that no ball is said to be, other than stock, is refused."""
    there = sorted({"stock", *spoken})
    for word in asked:
        if word.lower() not in there:
            raise LanepairError(f'no delivery is of the variation "{word}": {nearest(word, there)}')
    return {word.lower() for word in asked}


def group_pairs(rows: pd.DataFrame, by: str) -> list[tuple[str, str]]:
    """The pairs of groups a, b in a column, the usual one or the most frequent first."""
    if by in ORDERED_GROUPS:
        return [ORDERED_GROUPS[by]]
    groups = [str(g) for g in rows[by].value_counts().index]
    if len(groups) > MOST_GROUPS:
        raise LanepairError(
            f'"{by}" has {len(groups)} different values; compare by a column with {MOST_GROUPS} or fewer'
        )
    if len(groups) < 2:
        only = f'only "{groups[0]}"' if groups else "no value"
        raise LanepairError(f'"{by}" has {only} among the deliveries that count; two groups are needed')
    return [(a, b) for i, a in enumerate(groups) for b in groups[i + 1 :]]


def check_column(rows: pd.DataFrame, by: str) -> None:
    """Refuse a grouping that the table has not got."""
    if by not in rows.columns:
        words = [c for c in rows.columns if c not in MEASURES and not c.endswith("_sd") and not c.startswith(" ")]
        raise LanepairError(f'no column "{by}" in deliveries.csv: {nearest(by, words)}')


def bowlers(rows: pd.DataFrame) -> list[tuple[str, str]]:
    """Everyone who bowled, with the arm: each has a row, even where none of the deliveries could be measured."""
    named = rows[bowled(rows) & (rows["bowler"] != "")]
    return sorted({(str(b), str(a)) for b, a in zip(named["bowler"], named["arm"], strict=True)})


def compare(
    rows: pd.DataFrame, measures: Sequence[str], choice: Choice, everyone: Sequence[tuple[str, str]] = ()
) -> list[Comparison]:
    """Every comparison of the given measures, bowler by bowler, then pooled by arm.

    Parameters
    ----------
    rows : DataFrame
        Deliveries that count (`counted`), with `with_derived` columns.
    measures : names
        Holm's correction runs over those that are not the speed at release, and over pairs of groups, row by row.
    choice : Choice
        Grouping, margin and target.
    everyone : (bowler, arm)
        Who gets a row even without a ball that counts.
    """
    if (rows["bowler"] == POOLED).any():
        raise LanepairError(f'a bowler is called "{POOLED}", the name of the pooled rows; give the bowler another id')
    found = [
        comparison
        for measure in measures
        for groups in group_pairs(rows, choice.by)
        for comparison in _one_measure(rows, measure, groups, choice, everyone)
    ]
    return _with_holm(found)


def _one_measure(
    rows: pd.DataFrame,
    measure: str,
    groups: tuple[str, str],
    choice: Choice,
    everyone: Sequence[tuple[str, str]],
) -> Iterator[Comparison]:
    columns = list(dict.fromkeys(["bowler", "arm", "side", choice.by, measure]))
    known = rows.loc[rows[choice.by].isin(groups) & rows[measure].notna(), columns]
    here = {(str(b), str(a)) for b, a in known[["bowler", "arm"]].drop_duplicates().to_numpy(str)}
    cells: dict[tuple[str, str], dict[str, tuple[Sample, Sample]]] = {}
    for bowler, arm in sorted(here | set(everyone)):
        part = known[(known["bowler"] == bowler) & (known["arm"] == arm)]
        cells[bowler, arm] = {
            side: _pair(part if side == "all" else part[part["side"] == side], measure, choice.by, groups)
            for side in _sides(part, choice.by)
        }
    if choice.by not in ORDERED_GROUPS or choice.by == "arm":
        between = _between_bowlers(known, measure, groups, choice)
        if between is not None:
            yield between
            return
    for (bowler, arm), by_side in cells.items():
        for side, pair in by_side.items():
            yield _comparison(measure, groups, choice, (bowler, arm, side), (pair,))
    for arm in sorted({arm for _, arm in cells}, reverse=True):  # right first
        of_arm = {key: pairs for key, pairs in cells.items() if key[1] == arm and key[0] != ""}
        part = known[(known["arm"] == arm) & (known["bowler"] != "")]
        for side in _sides(part, choice.by):
            sided = part if side == "all" else part[part["side"] == side]
            pairs = [_pair(sided[sided["bowler"] == bowler], measure, choice.by, groups) for bowler, _ in of_arm]
            enough = tuple(pair for pair in pairs if min(pair[0].n, pair[1].n) >= 2)
            yield _comparison(measure, groups, choice, (POOLED, arm, side), enough)


def _between_bowlers(known: pd.DataFrame, measure: str, groups: tuple[str, str], choice: Choice) -> Comparison | None:
    """Groups that no bowler has both of, such as arms: bowlers' means against bowlers' means; None otherwise."""
    named = known[known["bowler"] != ""]
    means = named.groupby(["bowler", choice.by])[[measure]].mean().reset_index()
    if means["bowler"].duplicated().any() or not len(means):
        return None
    pair = _pair(means, measure, choice.by, groups)
    return _comparison(measure, groups, choice, (POOLED, "", "all"), (pair,), "bowlers")


def _sides(part: pd.DataFrame, by: str) -> list[str]:
    both = by != "side" and {"over", "round"} <= set(part["side"].unique())
    return ["all", "over", "round"] if both else ["all"]


def _pair(part: pd.DataFrame, measure: str, by: str, groups: tuple[str, str]) -> tuple[Sample, Sample]:
    values, named = part[measure].to_numpy(float), part[by].to_numpy(str)
    return summarise(values[named == groups[0]]), summarise(values[named == groups[1]])


def _comparison(
    measure: str,
    groups: tuple[str, str],
    choice: Choice,
    who: tuple[str, str, str],
    pairs: tuple[tuple[Sample, Sample], ...],
    of: str = "balls",
) -> Comparison:
    kind = kind_of(measure)
    speed = kind.unit == "m/s"
    margin, target = (choice.margin_mps, choice.target_mps) if speed else (None, None)
    found = average_difference(pairs) if len(pairs) > 1 else welch(*pairs[0]) if pairs else NO_DIFFERENCE
    return Comparison(
        measure=measure,
        by=choice.by,
        group_a=groups[0],
        group_b=groups[1],
        bowler=who[0],
        arm=who[1],
        side=who[2],
        pairs=pairs,
        found=found,
        p_adjusted=found.p_value,
        effect_size=hedges_g(found.value, [s for pair in pairs for s in pair]) if isfinite(found.value) else nan,
        smallest_detectable=smallest_detectable(found.se, found.df),
        equivalence_p=equivalence_p(found, margin) if margin else nan,
        verdict=verdict(kind, choice.by, groups, pairs, found, margin, target, of),
        of=of,
    )


def _with_holm(rows: list[Comparison]) -> list[Comparison]:
    """Correct for many looks: over the measures beside the speed, and over pairs of groups, for one row of balls."""
    families: dict[tuple[object, ...], list[int]] = {}
    for i, row in enumerate(rows):
        families.setdefault((row.bowler, row.arm, row.side, row.measure == SPEED), []).append(i)
    corrected = list(rows)
    for members in families.values():
        for i, p in zip(members, holm([rows[i].found.p_value for i in members]), strict=True):
            caution = "" if not rows[i].found.p_value < 0.05 <= p else f"; not beyond chance among {len(members)} looks"
            corrected[i] = replace(rows[i], p_adjusted=p, verdict=rows[i].verdict + caution)
    return corrected


def hand_table(rows: Sequence[Comparison]) -> pd.DataFrame:
    """comparison.csv: speed at release, left-handers minus right-handers (docs/files.md)."""
    return pd.DataFrame(
        [
            {
                "bowler": row.bowler,
                "arm": row.arm,
                "side": row.side,
                "n_right": row.n[0],
                "n_left": row.n[1],
                "mean_right_mps": row.means[0],
                "mean_left_mps": row.means[1],
                "difference_mps": row.found.value,
                "ci_low_mps": row.found.ci_low,
                "ci_high_mps": row.found.ci_high,
                "p_value": row.found.p_value,
                "difference_mph": row.found.value / MPH_MPS,
                "effect_size": row.effect_size,
                "smallest_detectable_mps": row.smallest_detectable,
                "verdict": row.verdict,
            }
            for row in rows
            if row.measure == SPEED and row.by == HAND
        ]
    )


def long_table(rows: Sequence[Comparison]) -> pd.DataFrame:
    """comparison_long.csv: every measure and grouping (docs/files.md)."""
    return pd.DataFrame(
        [
            {
                "measure": row.measure,
                "unit": kind_of(row.measure).unit,
                "by": row.by,
                "group_a": row.group_a,
                "group_b": row.group_b,
                "bowler": row.bowler,
                "arm": row.arm,
                "side": row.side,
                "n_a": row.n[0],
                "n_b": row.n[1],
                "mean_a": row.means[0],
                "mean_b": row.means[1],
                "difference": row.found.value,
                "ci_low": row.found.ci_low,
                "ci_high": row.found.ci_high,
                "p_value": row.found.p_value,
                "p_adjusted": row.p_adjusted,
                "effect_size": row.effect_size,
                "smallest_detectable": row.smallest_detectable,
                "verdict": row.verdict,
            }
            for row in rows
        ]
    )

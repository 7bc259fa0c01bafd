"""How honest the intervals, false alarms and powers are, by simulation: prints the tables kept in docs/statistics.md.

    python tests/coverage_study.py            # 4000 runs a row of the fast table, 2000 of the slow one: some 20 minutes
    python tests/coverage_study.py --reps 200 # a look

Every row draws invented balls whose true difference is known and passes them through the same functions as `lanepair
compare`. The Monte Carlo error of a share p is sqrt(p (1 - p) / runs): 0.34 points at 95 % and 4000 runs.
"""

import argparse
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calibration.lane import MPH_MPS
from tracker.analysis.adjust import adjust, with_order
from tracker.analysis.compare import SPEED, Choice, compare
from tracker.analysis.statistics import (
    average_difference,
    balls_needed,
    equivalence_p,
    holm,
    permutation_p,
    summarise,
    welch,
)
from tracker.analysis.tables import RUN, Run

Floats = NDArray[np.float64]

INVENTED = (Run(Path("invented"), "invented", "2026-11-12", 20.1168, {}, ()),)


def share(hits: list[bool]) -> str:
    """A share in per cent with its Monte Carlo error."""
    p = float(np.mean(hits))
    return f"{100 * p:.1f} ± {100 * np.sqrt(max(p * (1 - p), 1e-4) / len(hits)):.1f}"


def welch_rows(rng: np.random.Generator, reps: int) -> Iterator[tuple[str, str]]:
    """Coverage of the raw interval of one bowler, and of the average of four."""
    cases = {
        "24 and 24 balls, sd 1.2 and 1.2 m/s": (24, 24, 1.2, 1.2),
        "12 and 12 balls, sd 1.0 and 2.0": (12, 12, 1.0, 2.0),
        "36 and 12 balls, sd 1.2 and 1.2": (36, 12, 1.2, 1.2),
        "36 and 12 balls, sd 1.0 and 2.0": (36, 12, 1.0, 2.0),
        "36 and 12 balls, sd 2.0 and 1.0": (36, 12, 2.0, 1.0),
        "5 and 5 balls, sd 1.2 and 1.2": (5, 5, 1.2, 1.2),
    }
    for name, (n_a, n_b, sd_a, sd_b) in cases.items():
        covered = []
        for _ in range(reps):
            found = welch(summarise(rng.normal(34, sd_a, n_a)), summarise(rng.normal(33, sd_b, n_b)))
            covered.append(found.ci_low < -1 < found.ci_high)
        yield name, share(covered)
    covered = []
    for _ in range(reps):
        pairs = []
        for n_a, n_b, sd_a, sd_b in ((24, 24, 1.2, 1.2), (30, 10, 1.0, 2.0), (8, 20, 1.5, 1.0), (12, 12, 0.8, 0.8)):
            pairs.append((summarise(rng.normal(34, sd_a, n_a)), summarise(rng.normal(33, sd_b, n_b))))
        found = average_difference(pairs)
        covered.append(found.ci_low < -1 < found.ci_high)
    yield "average of four bowlers, all different", share(covered)


def table(hand: Floats, spell: Floats, side: Floats, speed: Floats) -> pd.DataFrame:
    """Rows as `adjust` takes them: hand and side 0 or 1."""
    n = len(hand)
    rows = pd.DataFrame({"session": "invented", "date": "2026-11-12", "delivery": np.arange(n), RUN: 0}, index=range(n))
    rows = rows.assign(bowler="A", arm="right", batter_hand=np.where(hand > 0, "left", "right"))
    rows = rows.assign(side=np.where(side > 0, "round", "over"), spell=spell.astype(int).astype(str))
    return with_order(rows.assign(**{SPEED: speed}))


def in_threes(n: int) -> Floats:
    """Hands in turn, three balls each."""
    return (np.arange(n) // 3 % 2).astype(float)


def tiring(rng: np.random.Generator) -> pd.DataFrame:
    """Four spells of 12, 0.05 m/s lost a ball, hands mixed."""
    hand, spell, order = in_threes(48), np.repeat(np.arange(4.0), 12), np.tile(np.arange(12.0), 4)
    return table(hand, spell, np.zeros(48), 34 - hand - 0.05 * order + rng.normal(0, 1.2, 48))


def tiring_late_left(rng: np.random.Generator) -> pd.DataFrame:
    """As above, but left-handers come mostly late in each spell."""
    order, spell = np.tile(np.arange(12.0), 4), np.repeat(np.arange(4.0), 12)
    hand = (rng.random(48) < 0.1 + 0.8 * order / 11).astype(float)
    return table(hand, spell, np.zeros(48), 34 - hand - 0.05 * order + rng.normal(0, 1.2, 48))


def angle(rng: np.random.Generator) -> pd.DataFrame:
    """Left-handers mostly from round the wicket, which costs 0.6 m/s; left-handers scatter more."""
    hand = in_threes(60)
    side = (rng.random(60) < np.where(hand > 0, 0.75, 0.2)).astype(float)
    speed = 34 - hand - 0.6 * side + rng.normal(0, 1, 60) * np.where(hand > 0, 1.8, 1.0)
    return table(hand, np.zeros(60), side, speed)


def angle_uneven(rng: np.random.Generator) -> pd.DataFrame:
    """The same with 45 right-handers' and 15 left-handers' balls."""
    hand = (np.arange(60) % 4 == 0).astype(float)
    side = (rng.random(60) < np.where(hand > 0, 0.75, 0.2)).astype(float)
    speed = 34 - hand - 0.6 * side + rng.normal(0, 1, 60) * np.where(hand > 0, 1.8, 1.0)
    return table(hand, np.zeros(60), side, speed)


def few_spells(rng: np.random.Generator) -> pd.DataFrame:
    """Four spells of different level, hands mixed unevenly in each."""
    spell = np.repeat(np.arange(4.0), 12)
    hand = (rng.random(48) < np.repeat([0.2, 0.4, 0.6, 0.8], 12)).astype(float)
    level = rng.normal(0, 0.7, 4)[spell.astype(int)]
    return table(hand, spell, np.zeros(48), 34 - hand + level + rng.normal(0, 1.2, 48))


def many_spells(rng: np.random.Generator) -> pd.DataFrame:
    """Ten spells of different level, hands mixed unevenly, unequal scatter."""
    spell = np.repeat(np.arange(10.0), 9)
    hand = (rng.random(90) < np.repeat(rng.uniform(0.1, 0.9, 10), 9)).astype(float)
    level = rng.normal(0, 0.7, 10)[spell.astype(int)]
    speed = 34 - hand + level + rng.normal(0, 1, 90) * np.where(hand > 0, 1.6, 1.0)
    return table(hand, spell, np.zeros(90), speed)


def one_hand_a_spell(rng: np.random.Generator) -> pd.DataFrame:
    """Twelve spells of different level, each to one hand only."""
    spell = np.repeat(np.arange(12.0), 8)
    hand = spell % 2
    level = rng.normal(0, 0.7, 12)[spell.astype(int)]
    return table(hand, spell, np.zeros(96), 34 - hand + level + rng.normal(0, 1.2, 96))


SCENES: dict[str, Callable[[np.random.Generator], pd.DataFrame]] = {
    "tiring, hands mixed": tiring,
    "tiring, left-handers late": tiring_late_left,
    "angle confounded, unequal sd": angle,
    "angle confounded, unequal n and sd": angle_uneven,
    "4 spells, hands uneven among them": few_spells,
    "10 spells, uneven, unequal sd": many_spells,
    "12 spells of one hand each": one_hand_a_spell,
}


def adjusted_rows(rng: np.random.Generator, reps: int) -> Iterator[tuple[str, str, str, str, str]]:
    """Coverage of the raw and the adjusted interval where something else differs."""
    for name, scene in SCENES.items():
        raw, adjusted, methods, failed = [], [], set(), 0
        for _ in range(reps):
            rows = scene(rng)
            found = compare(rows, [SPEED], Choice())[:1]
            twin = adjust(rows, found, INVENTED, rng, shuffles=1)[0]
            raw.append(twin.raw.ci_low < -1 < twin.raw.ci_high)
            if twin.method:
                methods.add(twin.method)
                adjusted.append(twin.adjusted.ci_low < -1 < twin.adjusted.ci_high)
            else:
                failed += 1
        yield name, ", ".join(sorted(methods)), share(raw), share(adjusted), f"{failed}"


def alarm_rows(rng: np.random.Generator, reps: int) -> Iterator[tuple[str, str]]:
    """False alarms where nothing differs; ten times as many runs for tests of one measure."""
    for name, (n_a, n_b, sd_a, sd_b) in {
        "24 and 24 balls": (24, 24, 1.2, 1.2),
        "36 and 12 balls, sd 1.0 and 2.0": (36, 12, 1.0, 2.0),
        "36 and 12 balls, sd 2.0 and 1.0": (36, 12, 2.0, 1.0),
    }.items():
        plain, shuffled = [], []
        for _ in range(10 * reps):
            a, b = rng.normal(34, sd_a, n_a), rng.normal(34, sd_b, n_b)
            plain.append(welch(summarise(a), summarise(b)).p_value < 0.05)
            shuffled.append(permutation_p(a, b, rng=rng, size=199) <= 0.05)
        yield f"Welch, {name}", share(plain)
        yield f"permutation, {name}", share(shuffled)
    for correlation in (0.0, 0.6):
        once, corrected = [], []
        cov = np.full((9, 9), correlation) + (1 - correlation) * np.eye(9)
        for _ in range(reps):
            a, b = (rng.multivariate_normal(np.zeros(9), cov, 24) for _ in range(2))
            p = [welch(summarise(a[:, i]), summarise(b[:, i])).p_value for i in range(9)]
            once.append(min(p) < 0.05)
            corrected.append(min(holm(p)) < 0.05)
        yield f"any of 9 measures, correlation {correlation}, uncorrected", share(once)
        yield f"any of 9 measures, correlation {correlation}, Holm", share(corrected)
    equal = []
    for _ in range(reps):
        found = welch(summarise(rng.normal(34, 1.0, 120)), summarise(rng.normal(34 + MPH_MPS, 1.0, 120)))
        equal.append(equivalence_p(found, MPH_MPS) < 0.05)
    yield '"no difference larger than 1 mph" where it is 1 mph, 120 and 120 balls', share(equal)


def power_rows(rng: np.random.Generator, reps: int) -> Iterator[tuple[str, str, str]]:
    """Whether the planned number of balls has the planned power."""
    for mph in (2, 3):
        for sd in (1.0, 1.25, 1.5):
            n = balls_needed(mph * MPH_MPS, sd)
            assert n is not None
            shown = []
            for _ in range(reps):
                found = welch(summarise(rng.normal(34, sd, n)), summarise(rng.normal(34 - mph * MPH_MPS, sd, n)))
                shown.append(found.p_value < 0.05)
            yield f"{mph} mph, sd {sd} m/s", str(n), share(shown)


def show(headings: tuple[str, ...], rows: Iterator[tuple[str, ...]]) -> None:
    """A Markdown table, row by row as it comes."""
    print("\n| " + " | ".join(headings) + " |\n|" + " --- |" * len(headings))
    for row in rows:
        print("| " + " | ".join(row) + " |", flush=True)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--reps", type=int, default=4000)
    parser.add_argument("--seed", type=int, default=2026)
    args = parser.parse_args()
    rng = np.random.default_rng(args.seed)
    show(("raw interval of one difference", "covers, %"), welch_rows(rng, args.reps))
    headings = ("what else differs", "method", "raw covers, %", "adjusted covers, %", "not adjustable")
    show(headings, adjusted_rows(rng, args.reps // 2))
    show(("where nothing differs", "false alarms, %"), alarm_rows(rng, args.reps))
    show(("difference", "balls to each hand", "shown, % (planned 80)"), power_rows(rng, args.reps))


if __name__ == "__main__":
    main()

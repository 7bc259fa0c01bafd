"""From a run's folder to what the report shows: its bowlers' spells with what the analysis says about each."""

from collections.abc import Sequence
from math import isfinite
from pathlib import Path

import numpy as np

from calibration.errors import LanepairError, nearest
from tracker.analysis.adjust import Adjusted, adjust, with_order
from tracker.analysis.bias import Bias, seeing_bias
from tracker.analysis.compare import HAND, SPEED, Choice, Comparison, compare, counted
from tracker.analysis.measures import ACCOMPANYING, kind_of, with_derived
from tracker.analysis.statistics import Difference
from tracker.analysis.tables import Runs, read_runs
from tracker.report.page import Section
from tracker.report.spell import Box, Gap, Spell
from tracker.report.words import count, fixed

GROUPS = ("right", "left")


def read_spells(
    out: Path, bowler: str | None, boxes: Sequence[Box], rng: np.random.Generator
) -> list[tuple[Spell, list[Section]]]:
    """Every bowler of a run (or one of them), in the order of their first ball.

    Parameters
    ----------
    out : a run's folder
    bowler : the only one wanted; None: all
    boxes : targets on the pitch
    rng : for the permutation test

    Raises
    ------
    LanepairError
        If the folder is no run, holds no delivery, or the bowler is not in it.
    """
    runs = read_runs([out], needed=[SPEED])
    names = list(dict.fromkeys(str(b) for b in runs.rows["bowler"]))
    if bowler is not None and bowler not in names:
        known = [n for n in names if n]
        hint = nearest(bowler, known) if known else "the log names no bowler"
        raise LanepairError(f'{out / "deliveries.csv"}: no delivery of a bowler "{bowler}"; {hint}')
    return [_spell(runs, name, boxes, rng) for name in names if bowler is None or name == bowler]


def _spell(runs: Runs, bowler: str, boxes: Sequence[Box], rng: np.random.Generator) -> tuple[Spell, list[Section]]:
    mine = runs.rows[runs.rows["bowler"] == bowler].reset_index(drop=True)
    choice = Choice()
    rows, left_out = counted(with_derived(with_order(mine)), choice)
    found = compare(rows, [SPEED, *ACCOMPANYING], choice) if len(rows) else []
    whole = [row for row in found if row.bowler == bowler and row.side == "all"]
    speeds = [row for row in whole if row.measure == SPEED]
    adjusted = adjust(rows, speeds, runs.runs, rng)
    spell = Spell(
        bowler,
        mine,
        runs.pitch_length_m,
        tuple(boxes),
        tuple(_gaps(speeds, adjusted)),
        _sentence(speeds),
        choice.margin_mps,
    )
    hands = _hands(whole, adjusted, seeing_bias(rows, HAND, GROUPS) if len(rows) else None, left_out)
    return spell, [hands] if hands.lines or hands.rows else []


def _sentence(speeds: Sequence[Comparison]) -> str:
    """The verdicts, as sentences; with the arm where a bowler used both."""
    several = len(speeds) > 1
    texts = [f"{row.arm} arm: {row.verdict}" if several else row.verdict for row in speeds]
    return " ".join(f"{t[:1].upper()}{t[1:]}." for t in texts)


def _gaps(speeds: Sequence[Comparison], adjusted: Sequence[Adjusted]) -> list[Gap]:
    several = len(speeds) > 1
    gaps = []
    for row in speeds:
        arm = f"\n{row.arm} arm" if several else ""
        gaps += _gap(f"as bowled{arm}", row.found)
        for other in adjusted:
            if other.arm == row.arm and other.method:
                gaps += _gap(f"adjusted{arm}", other.adjusted)
    return gaps


def _gap(label: str, found: Difference) -> list[Gap]:
    known = all(isfinite(v) for v in (found.value, found.ci_low, found.ci_high))
    return [Gap(label, found.value, found.ci_low, found.ci_high)] if known else []


def _hands(
    whole: Sequence[Comparison], adjusted: Sequence[Adjusted], bias: Bias | None, left_out: dict[str, int]
) -> Section:
    """What else differs between the hands, and what to keep in mind about it."""
    lines = []
    for other in adjusted:
        if other.terms:
            lines.append(f"“Adjusted” allows for {', '.join(other.terms)} ({other.method}).")
        lines += [f"{c[:1].upper()}{c[1:]}." for c in other.cautions]
    if bias is not None and bias.unequal:
        signs = "; ".join(f"{s.label} {fixed(100 * s.relative, 0)} %" for s in bias.unequal)
        lines.append(f"The two hands were not seen equally well (left- against right-handers: {signs}).")
    if left_out:
        lines.append(
            "Left out of the comparison: " + "; ".join(f"{n} {why}" for why, n in sorted(left_out.items())) + "."
        )
    rows = [_other(row) for row in whole if row.measure != SPEED and min(row.n) >= 2 and isfinite(row.found.value)]
    if rows:
        lines.append(
            "What else differs to left-handers, with 95 % intervals; “beyond chance” allows for looking at "
            f"{count(len(rows), 'measure')} at once (Holm)."
        )
    heads = ("measure", "to right", "to left", "difference", "95 % interval", "beyond chance")
    return Section("What else changes between the hands", lines, heads, rows, (1, 2, 3, 4))


def _other(row: Comparison) -> list[str]:
    kind = kind_of(row.measure)
    unit = "°" if kind.people_unit == "deg" else f" {kind.people_unit}"
    digits = 1 if unit == "°" else kind.digits
    a, b, gap, low, high = (
        fixed(v / kind.scale, digits) for v in (*row.means, row.found.value, row.found.ci_low, row.found.ci_high)
    )
    return [kind.label, a + unit, b + unit, gap + unit, f"{low} to {high}", "yes" if row.p_adjusted < 0.05 else "no"]

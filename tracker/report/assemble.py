"""From a run's folder to what the report shows: its bowlers' spells with what the analysis says about each."""

from collections.abc import Sequence
from dataclasses import replace
from math import isfinite
from pathlib import Path

import numpy as np
import pandas as pd

from calibration.errors import LanepairError, nearest
from tracker.analysis.compare import SPEED, Choice, Comparison, counted
from tracker.analysis.consistency import Grouping, grouping
from tracker.analysis.measures import ACCOMPANYING, kind_of
from tracker.analysis.statistics import Difference
from tracker.analysis.study import Study, study
from tracker.analysis.tables import Runs, read_runs
from tracker.report.page import Section
from tracker.report.spell import Box, Gap, Spell
from tracker.report.words import count, fixed, mph, unit_sign

Told = tuple[Spell, list[Section]]


def read_spells(out: Path, bowler: str | None, boxes: Sequence[Box], rng: np.random.Generator) -> list[Told]:
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
    return [_told(runs, name, boxes, rng) for name in names if bowler is None or name == bowler]


def _told(runs: Runs, bowler: str, boxes: Sequence[Box], rng: np.random.Generator) -> Told:
    rows = runs.rows[runs.rows["bowler"] == bowler].reset_index(drop=True)
    mine, choice = replace(runs, rows=rows), Choice()
    spell = Spell(bowler, rows, runs.pitch_length_m, tuple(boxes), margin_mps=choice.margin_mps)
    used, _ = counted(rows, choice)
    sections = []
    if used[SPEED].notna().any():
        answer = study(mine, [SPEED, *ACCOMPANYING], choice, rng)
        whole = [row for row in answer.comparisons if row.bowler == bowler and row.side == "all"]
        speeds = [row for row in whole if row.measure == SPEED]
        spell = replace(spell, gaps=tuple(_gaps(speeds, answer)), verdict=_sentence(speeds))
        sections.append(_hands(whole, answer))
    sections.append(_scatter(rows))
    return spell, [s for s in sections if s.lines or s.rows]


def _sentence(speeds: Sequence[Comparison]) -> str:
    """The verdicts, as sentences; with the arm where a bowler used both."""
    texts = [f"{row.arm} arm: {row.verdict}" if len(speeds) > 1 else row.verdict for row in speeds]
    return " ".join(_as_sentence(t) for t in texts)


def _as_sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:].rstrip('.')}."


def _gaps(speeds: Sequence[Comparison], answer: Study) -> list[Gap]:
    gaps = []
    for row in speeds:
        arm = f"\n{row.arm} arm" if len(speeds) > 1 else ""
        gaps += _gap(f"as bowled{arm}", row.found)
        for other in answer.adjusted:
            if (other.measure, other.bowler, other.arm) == (SPEED, row.bowler, row.arm) and other.terms:
                gaps += _gap(f"adjusted{arm}", other.adjusted)
    return gaps


def _gap(label: str, found: Difference) -> list[Gap]:
    known = all(isfinite(v) for v in (found.value, found.ci_low, found.ci_high))
    return [Gap(label, found.value, found.ci_low, found.ci_high)] if known else []


def _hands(whole: Sequence[Comparison], answer: Study) -> Section:
    """What else differs between the hands, and what to keep in mind about it."""
    lines = []
    for other in answer.adjusted:
        if other.measure == SPEED and other.bowler == whole[0].bowler and other.terms:
            lines.append(f"“Adjusted” allows for {', '.join(other.terms)} ({other.method}).")
    lines += [_as_sentence(note) for note in answer.notes]
    if answer.left_out:
        left = "; ".join(f"{n} {why}" for why, n in sorted(answer.left_out.items()))
        lines.append(f"Left out of the comparison: {left}.")
    rows = [_other(row) for row in whole if row.measure != SPEED and min(row.n) >= 2 and isfinite(row.found.value)]
    if rows:
        lines.append(
            "What else differs, left-handers less right-handers, with 95 % intervals; “beyond chance” allows for "
            f"looking at {count(len(rows), 'measure')} at once (Holm)."
        )
    heads = ("measure", "to right", "to left", "difference", "95 % interval", "beyond chance")
    return Section("What else changes between the hands", lines, heads, rows, (1, 2, 3, 4))


def _other(row: Comparison) -> list[str]:
    kind = kind_of(row.measure)
    unit = unit_sign(kind.people_unit)
    a, b, gap, low, high = (
        fixed(v / kind.scale, kind.digits) for v in (*row.means, row.found.value, row.found.ci_low, row.found.ci_high)
    )
    beyond = "yes" if row.p_adjusted < 0.05 else "no"
    return [kind.label, a + unit, b + unit, gap + unit, f"{low} to {high}", beyond]


def _scatter(rows: pd.DataFrame) -> Section:
    """How tightly the balls group, and how much of that is measuring."""
    measured = rows[rows["status"].isin(["ok", "partial"])]
    found = [g for g in grouping(measured) if isfinite(g.observed_sd)]
    lines = (
        "Scatter about the mean to each hand, one standard deviation: as observed, what measuring alone would make, "
        "and what is left as the bowler’s own, with its 95 % interval. Speeds in m/s, mph in brackets.",
    )
    heads = ("measure", "balls", "observed", "measuring", "the bowler’s own", "95 % interval")
    return Section("Repeating a ball", lines if found else (), heads, [_group(g) for g in found], (1, 2, 3, 4, 5))


def _group(found: Grouping) -> list[str]:
    kind = kind_of(found.measure)

    def figure(sd: float) -> str:
        beside = f" ({mph(sd):.2f})" if kind.unit == "m/s" else unit_sign(kind.unit)
        return f"{sd:.3g}{beside}" if isfinite(sd) else "–"

    values = [figure(v) for v in (found.observed_sd, found.measuring_sd, found.own_sd)]
    return [kind.label, str(found.n), *values, " to ".join(figure(v) for v in found.own_ci)]

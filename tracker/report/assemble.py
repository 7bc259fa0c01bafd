"""From a run's folder to what the report shows: its bowlers' spells with what the analysis says about each."""

from collections.abc import Sequence
from dataclasses import replace
from math import isfinite
from pathlib import Path

import numpy as np
import pandas as pd

from calibration.errors import LanepairError, nearest
from tracker.analysis.compare import SPEED, Choice, Comparison, counted
from tracker.analysis.measures import ACCOMPANYING
from tracker.analysis.statistics import Difference
from tracker.analysis.study import Study, study
from tracker.analysis.tables import Runs, bowled, read_runs
from tracker.analysis.zones import READY, Targets, read_targets, ready_file
from tracker.report.page import Section
from tracker.report.sections import crease_section, hands_section, scatter_section, targets_section
from tracker.report.spell import Gap, Spell
from tracker.report.words import QUANTITIES, as_sentence

Told = tuple[Spell, list[Section]]


def read_spells(out: Path, bowler: str | None, targets: str, rng: np.random.Generator) -> list[Told]:
    """Every bowler of a run (or one of them), in the order of their first ball.

    Parameters
    ----------
    out : a run's folder
    bowler : the only one wanted; None: all
    targets : a targets file, or the name of a ready one; "": by the style in the log, spin or a club's pace
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
    return [_told(runs, name, targets, rng) for name in names if bowler is None or name == bowler]


def _told(runs: Runs, bowler: str, wanted: str, rng: np.random.Generator) -> Told:
    rows = _with_empty_ones_named(runs.rows[runs.rows["bowler"] == bowler].reset_index(drop=True))
    mine, choice = replace(runs, rows=rows), Choice()
    name, targets = _targets(wanted, rows)
    targets = targets.scaled(runs.pitch_length_m)
    spell = Spell(
        bowler,
        rows,
        runs.pitch_length_m,
        targets.boxes,
        margin_mps=choice.margin_mps,
        junior_stumps=runs.runs[0].junior_stumps,
    )
    used, _ = counted(rows, choice)
    sections = []
    if used[SPEED].notna().any():
        answer = study(mine, [SPEED, *ACCOMPANYING], choice, rng)
        whole = [row for row in answer.comparisons if row.bowler == bowler and row.side == "all"]
        speeds = [row for row in whole if row.measure == SPEED]
        spell = replace(spell, gaps=tuple(_gaps(speeds, answer)), verdict=_sentence(speeds))
        sections.append(hands_section(whole, answer))
    own = rows[bowled(rows)]
    if bowler and len(own):
        sections += [scatter_section(own, runs.runs), targets_section(own, targets, name), crease_section(own, targets)]
    return spell, [s for s in sections if s.lines or s.rows]


def _with_empty_ones_named(rows: pd.DataFrame) -> pd.DataFrame:
    """A row without a single number is no measured ball, whatever its status says: it becomes `empty`."""
    numbers = rows[[name for name in QUANTITIES if name in rows.columns]].apply(pd.to_numeric, errors="coerce")
    empty = numbers.isna().all(axis=1) & (rows["status"] != "rejected")
    return rows.assign(status=rows["status"].mask(empty, "empty"))


def _targets(wanted: str, rows: pd.DataFrame) -> tuple[str, Targets]:
    """The targets and what to call them."""
    styles = [str(w).strip().lower() for w in rows["style"]] if "style" in rows else []
    name = wanted or ("spin" if styles and max(set(styles), key=styles.count) == "spin" else "pace-club")
    if name in READY:
        return f"the ready file “{name}”", read_targets(ready_file(name))
    return Path(name).name, read_targets(Path(name))


def _sentence(speeds: Sequence[Comparison]) -> str:
    """The verdicts, as sentences; with the arm where a bowler used both."""
    texts = [f"{row.arm} arm: {row.verdict}" if len(speeds) > 1 else row.verdict for row in speeds]
    return " ".join(as_sentence(t) for t in texts)


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

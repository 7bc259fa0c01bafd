"""Runs in and tables out: the deliveries of one or many output folders as one checked table.

`deliveries.csv` is read by `tracker.session.tables.read_rows`. `run.json` and `check.json` beside it give the pitch
length, the rig's common error and failed checks, where they say so. What cannot be compared honestly (a session given
twice, pitches of several lengths) is refused here, so that nothing below needs to ask.
"""

import json
import os
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calibration.errors import InputError, LanepairError
from calibration.lane import PITCH_LENGTH_M
from tracker.session.tables import DELIVERIES_CSV, read_rows

LABELS = ("session", "date", "delivery", "bowler", "arm", "batter_hand", "side", "status")
RUN = " run"  # our own columns begin with a space: no heading does, so a log may have a column of any name
TIDIED = ("feed", "variation", "style")  # the log's words that decide what counts
SAME_LENGTH_M = 0.05  # pitches that differ by less are one length: the Laws print 20.12 for 20.1168


@dataclass(frozen=True, eq=False)
class Run:
    """One output folder.

    pitch_length_m  from run.json; NaN where it does not say
    common_sd       by measure: one-sigma of the error that all its balls share (the rig's), where run.json says so
    failed          names of the rig's checks that failed
    junior_stumps   whether run.json says that the wickets are of the junior size
    """

    folder: Path
    session: str
    date: str
    pitch_length_m: float
    common_sd: Mapping[str, float]
    failed: tuple[str, ...]
    junior_stumps: bool = False


@dataclass(frozen=True, eq=False)
class Runs:
    """All deliveries of several runs, in order of date and delivery; the column RUN is the row's place in `runs`."""

    runs: tuple[Run, ...]
    rows: pd.DataFrame

    @property
    def pitch_length_m(self) -> float:
        """The one pitch length, 22 yards where no run says."""
        known = [r.pitch_length_m for r in self.runs if np.isfinite(r.pitch_length_m)]
        return known[0] if known else PITCH_LENGTH_M

    @property
    def rig_notes(self) -> list[str]:
        """A sentence for each run whose rig failed its check."""
        failed = [run for run in self.runs if run.failed]
        return [f"the rig of {run.session} ({run.date}) failed its check: {', '.join(run.failed)}" for run in failed]

    @property
    def usual_pitch_length_m(self) -> float:
        """The pitch length that most runs have; 22 yards where none says."""
        known = [round(r.pitch_length_m, 2) for r in self.runs if np.isfinite(r.pitch_length_m)]
        return max(set(known), key=known.count) if known else PITCH_LENGTH_M


def read_runs(folders: Sequence[Path], needed: Sequence[str] = (), one_length: bool = True) -> Runs:
    """Read and check output folders.

    Parameters
    ----------
    folders : paths
        Output folders of `lanepair track`.
    needed : names
        Columns that must be there, beside the labels.
    one_length : bool
        Refuse pitches of several lengths.

    Raises
    ------
    InputError
        If a file is missing, damaged or lacks a column; if a session is there twice; if pitch lengths are mixed.
    """
    if not folders:
        raise LanepairError("no output folder was given; name the folders that `lanepair track` wrote")
    places = [f.resolve() for f in folders]
    for i, place in enumerate(places):
        if place in places[:i]:
            raise InputError(folders[i], "this output folder is given twice", "name each folder once")
    rows, counts = read_rows([folder / DELIVERIES_CSV for folder in folders], [*LABELS, *needed])
    if not len(rows):
        place = folders[0] / DELIVERIES_CSV
        raise InputError(place, "no deliveries are in it", "track the session again, or look at run.json")
    rows[RUN] = np.repeat(np.arange(len(folders)), counts)
    for name in TIDIED:
        if name in rows:
            rows[name] = rows[name].str.strip()
    ends = np.cumsum(counts)
    parts = [rows.iloc[end - count : end] for count, end in zip(counts, ends, strict=True)]
    runs = tuple(_run(folder, part) for folder, part in zip(folders, parts, strict=True))
    _refuse_duplicates(runs, parts)
    if one_length:
        _refuse_mixed_lengths(runs)
    rows = rows.sort_values(["date", "session", "delivery"], kind="stable", ignore_index=True)
    return Runs(runs, rows)


def _run(folder: Path, table: pd.DataFrame) -> Run:
    facts = _read_json(folder / "run.json")
    common = next((v for v in _values(facts, "common_sd") if isinstance(v, dict)), {})
    lengths = [float(v) for v in _values(facts, "pitch_length_m") if isinstance(v, int | float)]
    failed = [
        str(c.get("name", "check")) for c in _records(_read_json(folder / "check.json")) if c.get("verdict") == "fail"
    ]
    return Run(
        folder=folder,
        session=str(table["session"].iloc[0]) if len(table) else str(folder),
        date=str(table["date"].iloc[0]) if len(table) else "",
        pitch_length_m=lengths[0] if lengths else float("nan"),
        common_sd={str(k): float(v) for k, v in common.items() if isinstance(v, int | float)},
        failed=tuple(dict.fromkeys(failed)),
        junior_stumps=True in _values(facts, "junior_stumps"),
    )


def _read_json(path: Path) -> Any:
    """What a JSON file holds; an absent file holds nothing."""
    if not path.is_file():
        return {}
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except (json.JSONDecodeError, UnicodeDecodeError) as fault:
        raise InputError(path, f"not a JSON file ({fault})", "track the session again") from None


def _values(facts: Any, key: str) -> Iterator[Any]:
    """Every value under `key`, at any depth."""
    for record in _records(facts):
        if key in record:
            yield record[key]


def _records(facts: Any) -> Iterator[dict[str, Any]]:
    """Every object in a JSON document, at any depth."""
    if isinstance(facts, dict):
        yield facts
    for inner in facts.values() if isinstance(facts, dict) else facts if isinstance(facts, list) else ():
        yield from _records(inner)


def _refuse_duplicates(runs: Sequence[Run], tables: Sequence[pd.DataFrame]) -> None:
    seen: dict[tuple[str, ...], Run] = {}
    for run, table in zip(runs, tables, strict=True):
        names = {(s, d) for s, d in zip(table["session"], table["date"], strict=True)}
        prints: list[tuple[str, ...]] = [("by name", *pair) for pair in sorted(names)]
        speeds = list(table["release_speed_mps"].dropna()) if "release_speed_mps" in table.columns else []
        if len(speeds) >= 3:  # the same numbers under another name are the same balls
            prints.append(("by numbers", " ".join(f"{v:.9g}" for v in speeds)))
        for mark in prints:
            if mark in seen:
                what = f'session "{mark[1]}" of {mark[2]}' if mark[0] == "by name" else "the same speeds"
                raise InputError(
                    run.folder,
                    f"holds {what}, as {seen[mark].folder} does",
                    "give each session once, under its own name",
                )
        seen.update(dict.fromkeys(prints, run))


def _refuse_mixed_lengths(runs: Sequence[Run]) -> None:
    known = [run for run in runs if np.isfinite(run.pitch_length_m)]
    for run in known[1:]:
        if abs(run.pitch_length_m - known[0].pitch_length_m) > SAME_LENGTH_M:
            raise InputError(
                run.folder,
                f"a pitch of {run.pitch_length_m:.2f} m, but {known[0].folder} has {known[0].pitch_length_m:.2f} m",
                "compare pitches of one length at a time",
            )


def bowled(rows: pd.DataFrame) -> pd.Series:
    """Which deliveries were bowled, neither thrown nor fed by a machine; an empty feed is bowled."""
    feed = rows["feed"] if "feed" in rows.columns else pd.Series("", index=rows.index, dtype="str")
    return feed.str.lower().isin(["", "bowled"])


def write_csv(table: pd.DataFrame, path: Path) -> None:
    """Write a table as the format says (UTF-8, comma, LF, empty for missing), whole or not at all."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, aside = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    except OSError as fault:
        raise InputError(
            path.parent, f"cannot write there ({fault.strerror})", "name another folder with --out"
        ) from None
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            table.to_csv(file, index=False, lineterminator="\n", float_format="%.9g")
        os.chmod(aside, 0o644)
        os.replace(aside, path)
    except BaseException:
        os.unlink(aside)
        raise

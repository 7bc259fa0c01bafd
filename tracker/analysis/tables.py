"""Runs in and tables out: the deliveries of one or many output folders as one checked table.

`deliveries.csv` is read by its headings: any order, extra columns kept, a missing one refused. Cells of text stay text;
numbers become floats with NaN for an empty cell. `run.json` and `check.json` beside it give the pitch length, the rig's
common error and failed checks, where they say so. What cannot be compared honestly (a session given twice, pitches of
several lengths) is refused here, so that nothing below needs to ask.
"""

import csv
import json
import os
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date as calendar
from math import inf, nan
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calibration.errors import InputError, LanepairError, nearest
from calibration.lane import PITCH_LENGTH_M
from tracker.session.tables import DELIVERIES_CSV, FIELDS

NUMBERS = frozenset(field.name for field in FIELDS if field.type in ("number", "integer"))
LABELS = ("session", "date", "delivery", "bowler", "arm", "batter_hand", "side", "status")
WORDS = {field.name: field.words for field in FIELDS if field.name in ("arm", "batter_hand", "side", "status")}
TIDIED = ("feed", "variation", "style")  # the log's words that decide what counts
SAME_LENGTH_M = 0.05  # pitches that differ by less are one length: the Laws print 20.12 for 20.1168


@dataclass(frozen=True, eq=False)
class Run:
    """One output folder.

    pitch_length_m  from run.json; NaN where it does not say
    common_sd       by measure: one-sigma of the error that all its balls share (the rig's), where run.json says so
    failed          names of the rig's checks that failed
    """

    folder: Path
    session: str
    date: str
    pitch_length_m: float
    common_sd: Mapping[str, float]
    failed: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Runs:
    """All deliveries of several runs, in order of session date and delivery; `run` is the row's place in `runs`."""

    runs: tuple[Run, ...]
    rows: pd.DataFrame

    @property
    def pitch_length_m(self) -> float:
        """The one pitch length, 22 yards where no run says."""
        known = [r.pitch_length_m for r in self.runs if np.isfinite(r.pitch_length_m)]
        return known[0] if known else PITCH_LENGTH_M

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
    files = [_read_cells(folder / DELIVERIES_CSV) for folder in folders]
    rows = _typed(files, needed)
    if not len(rows):
        raise InputError(files[0].path, "no deliveries are in it", "track the session again, or look at run.json")
    ends = np.cumsum([len(file.lines) for file in files])
    parts = [rows.iloc[end - len(file.lines) : end] for file, end in zip(files, ends, strict=True)]
    runs = tuple(_run(folder, part) for folder, part in zip(folders, parts, strict=True))
    _refuse_duplicates(runs, parts)
    if one_length:
        _refuse_mixed_lengths(runs)
    rows = rows.sort_values(["date", "session", "delivery"], kind="stable", ignore_index=True)
    return Runs(runs, rows)


@dataclass(frozen=True, eq=False)
class _Cells:
    """A CSV file as text: its columns by heading, and the line on which each row ends."""

    path: Path
    columns: dict[str, tuple[str, ...]]
    lines: list[int]


def _read_cells(path: Path) -> _Cells:
    """Every cell as text; csv and one typing of all files is ten times faster than a typed table for each."""
    if not path.is_file():
        where = "no such folder" if not path.parent.is_dir() else "no such file"
        raise InputError(path, where, "name a folder that `lanepair track` wrote")
    try:
        with open(path, encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(file, strict=True)
            numbered = [(reader.line_num, row) for row in reader if row]
    except (csv.Error, UnicodeDecodeError, OSError) as fault:
        raise InputError(path, f"is not a readable CSV file ({fault})", "comma-separated UTF-8 is needed") from None
    if not numbered:
        raise InputError(path, "the file is empty", "track the session again")
    names = [name.strip() for name in numbered[0][1]]
    for name in names:
        if names.count(name) > 1:
            raise InputError(path, f'column "{name}" is there twice', "keep one")
    for line, row in numbered[1:]:
        if len(row) != len(names):
            raise InputError(path, f"line {line} has {len(row)} cells, the headings {len(names)}", "mend that line")
    columns = zip(*(row for _, row in numbered[1:]), strict=True) if len(numbered) > 1 else [()] * len(names)
    return _Cells(path, dict(zip(names, columns, strict=True)), [line for line, _ in numbered[1:]])


def _typed(files: Sequence[_Cells], needed: Sequence[str]) -> pd.DataFrame:
    """All files as one table, checked: headings, numbers, words, dates, no delivery twice; `run` counts the files."""
    for file in files:
        for column in [*LABELS, *needed]:
            if column not in file.columns:
                hint = nearest(column, list(file.columns))
                raise InputError(file.path, f'no column "{column}"', f"{hint}; is it a deliveries.csv?")
    columns: dict[str, Any] = {}
    for name in dict.fromkeys(name for file in files for name in file.columns):
        cells = [cell for file in files for cell in file.columns.get(name, ("",) * len(file.lines))]
        if name in NUMBERS:
            columns[name] = _numbers(files, name, cells)
        elif name in WORDS:
            columns[name] = _words(files, name, cells)
        else:
            columns[name] = pd.array([cell.strip() for cell in cells] if name in TIDIED else cells, dtype="str")
    rows = pd.DataFrame(columns)
    rows["run"] = np.repeat(np.arange(len(files)), [len(file.lines) for file in files])
    for day in rows["date"].unique():
        try:
            calendar.fromisoformat(day)
        except ValueError:
            place = _place(files, int(np.flatnonzero(rows["date"] == day)[0]))
            raise InputError(place, f'date is "{day}"', "an ISO date such as 2026-11-12 is needed") from None
    twice = np.flatnonzero(rows.duplicated(["run", "session", "date", "delivery"]))
    if len(twice):
        number = rows["delivery"].iloc[twice[0]]
        raise InputError(_place(files, int(twice[0])), f"delivery {number:g} is there twice", "keep one row a delivery")
    return rows


def _place(files: Sequence[_Cells], row: int) -> str:
    """File and line of a row of the whole."""
    for file in files:
        if row < len(file.lines):
            return f"{file.path}, line {file.lines[row]}"
        row -= len(file.lines)
    raise IndexError(row)


def _numbers(files: Sequence[_Cells], name: str, cells: list[str]) -> NDArray[np.float64]:
    """A column as floats; an empty cell (or the word nan) is NaN."""
    try:
        values = np.array([float(cell) if cell else nan for cell in cells])
    except ValueError:
        values = np.array([_number(cell) for cell in cells])
    wrong = np.flatnonzero(np.isinf(values))
    if len(wrong):
        cell = cells[wrong[0]]
        raise InputError(_place(files, int(wrong[0])), f'{name} is "{cell}"', "a number or an empty cell is needed")
    return values


def _number(cell: str) -> float:
    """A number, NaN for blanks, infinity for anything else: it is refused as infinity is."""
    try:
        return float(cell) if cell.strip() else nan
    except ValueError:
        return inf


def _words(files: Sequence[_Cells], name: str, cells: list[str]) -> Any:
    tidy = [cell.strip().lower() for cell in cells]
    for i, cell in enumerate(tidy):
        if cell and cell not in WORDS[name]:
            raise InputError(_place(files, i), f'{name} is "{cells[i]}"', f"{' or '.join(WORDS[name])} is needed")
    return pd.array(tidy, dtype="str")


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

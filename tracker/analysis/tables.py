"""Runs in and tables out: the deliveries of one or many output folders as one checked table.

`deliveries.csv` is read by its headings: any order, extra columns kept, a missing one refused. Cells of text stay text;
numbers become floats with NaN for an empty cell. `run.json` and `check.json` beside it give the pitch length, the rig's
common error and failed checks, where they say so. What cannot be compared honestly (a session given twice, pitches of
several lengths) is refused here, so that nothing below needs to ask.
"""

import json
import os
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date as calendar
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calibration.errors import InputError, LanepairError, nearest
from calibration.lane import PITCH_LENGTH_M

QUANTITIES = [
    "release_speed_mps",
    "release_x_m",
    "release_y_m",
    "release_z_m",
    "release_azimuth_deg",
    "release_elevation_deg",
    "gate_x_m",
    "gate_z_m",
    "gate_speed_mps",
    "bounce_x_m",
    "bounce_y_m",
    "speed_at_bounce_mps",
    "speed_off_bounce_mps",
    "swing_m",
    "deviation_deg",
    "deviation_m",
    "stumps_x_m",
    "stumps_z_m",
]
NUMBERS = frozenset(
    ["delivery", "start_s", "release_speed_mph", "sightings_left", "sightings_right", "residual_px"]
    + QUANTITIES
    + [f"{q}_sd" for q in QUANTITIES]
)
LABELS = ("session", "date", "delivery", "bowler", "arm", "batter_hand", "side", "status")
WORDS = {
    "arm": ("right", "left"),
    "batter_hand": ("right", "left"),
    "side": ("over", "round"),
    "status": ("ok", "partial", "rejected"),
}
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
    tables = [read_deliveries(folder / "deliveries.csv", needed) for folder in folders]
    runs = tuple(_run(folder, table) for folder, table in zip(folders, tables, strict=True))
    _refuse_duplicates(runs, tables)
    if one_length:
        _refuse_mixed_lengths(runs)
    for number, table in enumerate(tables):
        table["run"] = number
    filled = [table for table in tables if len(table)]
    if not filled:
        raise InputError(
            folders[0] / "deliveries.csv", "no deliveries in it", "track the session again, or look at run.json"
        )
    rows = pd.concat(filled, ignore_index=True)
    text = [c for c in rows.columns if c not in NUMBERS and c != "run"]
    rows[text] = rows[text].fillna("")
    rows = rows.sort_values(["date", "session", "delivery"], kind="stable", ignore_index=True)
    return Runs(runs, rows)


def read_deliveries(path: Path, needed: Sequence[str] = ()) -> pd.DataFrame:
    """One deliveries.csv, checked: headings, numbers, words, dates, no delivery twice."""
    table = _read_csv(path)
    for column in [*LABELS, *needed]:
        if column not in table.columns:
            hint = nearest(column, list(table.columns))
            raise InputError(path, f'no column "{column}"', f"{hint}; it must be a deliveries.csv of `lanepair track`")
    for column in [c for c in table.columns if c in NUMBERS]:
        table[column] = _numbers(path, table[column])
    for column, words in WORDS.items():
        tidy = table[column].str.strip().str.lower()
        wrong = ~tidy.isin(["", *words])
        if wrong.any():
            raise InputError(
                path,
                f'row {_line(wrong)}: {column} is "{table[column][wrong].iloc[0]}"',
                " or ".join(words) + " is needed",
            )
        table[column] = tidy
    for column in [c for c in ("feed", "variation", "style") if c in table.columns]:
        table[column] = table[column].str.strip()
    for day in table["date"].unique():
        _check_date(path, day)
    twice = table.duplicated(["session", "date", "delivery"])
    if twice.any():
        number = table["delivery"][twice].iloc[0]
        raise InputError(path, f"row {_line(twice)}: delivery {number:g} is there twice", "keep one row a delivery")
    return table


def _read_csv(path: Path) -> pd.DataFrame:
    """Every cell as text."""
    if not path.is_file():
        where = "no such folder" if not path.parent.is_dir() else "no such file"
        raise InputError(path, where, "name a folder that `lanepair track` wrote")
    try:
        with open(path, encoding="utf-8-sig", newline="") as file:
            heading = pd.read_csv(file, header=None, nrows=1, dtype=str, keep_default_na=False)
        names = [str(name).strip() for name in heading.iloc[0]]
        repeated = {name for name in names if names.count(name) > 1}
        if repeated:
            raise InputError(path, f'column "{sorted(repeated)[0]}" is there twice', "keep one")
        table = pd.read_csv(
            path, dtype=str, keep_default_na=False, encoding="utf-8-sig", header=0, names=names, index_col=False
        )
    except pd.errors.EmptyDataError:
        raise InputError(path, "the file is empty", "track the session again") from None
    except (pd.errors.ParserError, UnicodeDecodeError, pd.errors.ParserWarning) as fault:
        raise InputError(path, f"not a readable CSV file ({fault})", "comma-separated UTF-8 is needed") from None
    return table.fillna("")


def _numbers(path: Path, cells: pd.Series) -> pd.Series:
    """A column as floats; an empty cell is NaN."""
    text = cells.str.strip()
    values = pd.to_numeric(text.where(text != ""), errors="coerce").astype(float)
    wrong = (text != "") & ~np.isfinite(values)
    if wrong.any():
        raise InputError(path, f'row {_line(wrong)}: {cells.name} is "{cells[wrong].iloc[0]}"', "a number is needed")
    return values


def _line(wrong: pd.Series) -> int:
    """The line of the file, counted from 1 with the headings, of the first true row."""
    return int(np.flatnonzero(wrong.to_numpy())[0]) + 2


def _check_date(path: Path, day: str) -> None:
    try:
        calendar.fromisoformat(day)
    except ValueError:
        raise InputError(path, f'date is "{day}"', "an ISO date such as 2026-11-12 is needed") from None


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

"""deliveries.csv and its dictionary: what each column means, written once, used by writer, reader and documents.

The order of COLUMNS is the order of the file; the log's further columns follow. Format: docs/files.md.
"""

import csv
import datetime as dt
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import inf, isfinite, nan
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calibration.errors import InputError, nearest
from calibration.lane import MPH_MPS
from tracker.records import Delivery, Measure

DELIVERIES_CSV = "deliveries.csv"
DELIVERIES_SCHEMA = "deliveries.schema.json"
LOG_COLUMNS = ("clip", "bowler", "arm", "batter_hand", "side")  # the log's columns that are ours too


@dataclass(frozen=True)
class Field:
    """A column: its name, type (Table Schema's word), unit, meaning, and the words it may hold."""

    name: str
    type: str
    unit: str
    meaning: str
    words: tuple[str, ...] = ()


def _estimated(name: str, unit: str, meaning: str) -> tuple[Field, Field]:
    return Field(name, "number", unit, meaning), Field(f"{name}_sd", "number", unit, f"one-sigma of {name}")


FIELDS = (
    Field("session", "string", "", "the session's name"),
    Field("date", "date", "", "the session's day"),
    Field("delivery", "integer", "", "number in the session, from 1, across clips, in time order"),
    Field("clip", "integer", "", "number of the clip in session.toml, from 1"),
    Field("start_s", "number", "s", "release on the clip's clock, true seconds"),
    Field("bowler", "string", "", "from the log"),
    Field("arm", "string", "", "bowling arm, from the log", ("right", "left")),
    Field("batter_hand", "string", "", "from the log; empty if nobody batted or not known", ("right", "left")),
    Field("side", "string", "", "over or round the wicket, from the log", ("over", "round")),
    Field(
        "status",
        "string",
        "",
        "ok; partial: some quantities are empty; rejected: a real delivery that could not be measured",
        ("ok", "partial", "rejected"),
    ),
    Field("reason", "string", "", "which quantities are empty and why"),
    Field(
        "kind",
        "string",
        "",
        "full_toss: reaches bat, body or the stumps' plane without bouncing",
        ("bounce", "full_toss"),
    ),
    Field("release_seen", "boolean", "", "false: the path was carried back to the usual release plane"),
    *_estimated("release_speed_mps", "m/s", "magnitude of the velocity at release"),
    Field("release_speed_mph", "number", "mph", "release_speed_mps in miles per hour"),
    *_estimated("release_x_m", "m", "ball's centre at release; +x is a right-handed batter's off side"),
    *_estimated("release_y_m", "m", "ball's centre at release, from the striker's stumps"),
    *_estimated("release_z_m", "m", "ball's centre at release, above the ground"),
    *_estimated("release_azimuth_deg", "deg", "horizontal direction at release: 0 down the pitch, + toward +x"),
    *_estimated("release_elevation_deg", "deg", "vertical direction at release: negative is downward"),
    *_estimated("gate_x_m", "m", "ball's centre at the gate plane, 2.5 m in front of the bowler's stumps"),
    *_estimated("gate_z_m", "m", "height of the ball's centre at the gate plane"),
    *_estimated("gate_speed_mps", "m/s", "speed at the gate plane"),
    *_estimated("bounce_x_m", "m", "line: x of the ball's centre at first contact with the ground"),
    *_estimated("bounce_y_m", "m", "length: distance of the first contact from the striker's stumps"),
    *_estimated("speed_at_bounce_mps", "m/s", "speed just before the bounce"),
    *_estimated("speed_off_bounce_mps", "m/s", "speed just after the bounce"),
    *_estimated("swing_m", "m", "sideways movement in the air at the bounce (full toss: at y = 0), + toward +x"),
    Field("swing_way", "string", "", "by the batter's hand; follows the sign of swing_m", ("in", "out")),
    *_estimated("deviation_deg", "deg", "change of horizontal direction at the bounce, + toward +x"),
    *_estimated("deviation_m", "m", "sideways movement off the pitch at the stumps, + toward +x"),
    Field("deviation_way", "string", "", "by the batter's hand; follows the sign of deviation_deg", ("in", "out")),
    *_estimated("stumps_x_m", "m", "x of the ball's centre at the plane y = 0"),
    *_estimated("stumps_z_m", "m", "height of the ball's centre at the plane y = 0"),
    Field("stumps_projected", "boolean", "", "true: not seen at y = 0 and carried on by the flight model"),
    Field("sightings_left", "integer", "", "sightings of the left camera kept by the fit"),
    Field("sightings_right", "integer", "", "sightings of the right camera kept by the fit"),
    Field("residual_px", "number", "px", "rms over both axes of the sightings kept"),
)
COLUMNS = tuple(field.name for field in FIELDS)
MEASURES = tuple(f.name.removesuffix("_sd") for f in FIELDS if f.name.endswith("_sd"))
UNITS = {field.name: field.unit for field in FIELDS}


def way(value: float, batter_hand: str) -> str:
    """Which way it went: "in" (toward the batter's legs), "out", or "" where hand or value is not known.

    >>> way(-0.1, "right"), way(-0.1, "left"), way(-0.1, "")
    ('in', 'out', '')
    """
    if batter_hand not in ("right", "left") or not isfinite(value) or value == 0:
        return ""
    return "in" if (value < 0) == (batter_hand == "right") else "out"


def deliveries_table(name: str, date: dt.date, deliveries: Sequence[Delivery], log_rows: pd.DataFrame) -> pd.DataFrame:
    """The rows of deliveries.csv, as Python values (None: empty).

    Parameters
    ----------
    name, date
        The session's.
    deliveries : sequence of Delivery
    log_rows : DataFrame
        One row a delivery: `AttachedLog.rows`.
    """
    extra = [c for c in log_rows.columns if c not in LOG_COLUMNS]
    rows = []
    for delivery, cells in zip(deliveries, log_rows.itertuples(index=False, name=None), strict=True):
        labels = dict(zip(map(str, log_rows.columns), cells, strict=True))
        row: dict[str, Any] = {"session": name, "date": date.isoformat(), **labels, **_facts(delivery)}
        row |= _quantities(delivery, labels.get("batter_hand", ""))
        rows.append([row.get(column) for column in (*COLUMNS, *extra)])
    return pd.DataFrame(rows, columns=pd.Index([*COLUMNS, *extra]), dtype=object)


def _facts(delivery: Delivery) -> dict[str, Any]:
    measured = delivery.status != "rejected"
    return {
        "delivery": delivery.number,
        "clip": delivery.clip,
        "start_s": delivery.start_s,
        "status": delivery.status,
        "reason": delivery.reason,
        "kind": delivery.kind,
        "release_seen": bool(delivery.release_seen) if measured else None,
        "sightings_left": delivery.sightings_left,
        "sightings_right": delivery.sightings_right,
        "residual_px": delivery.residual_px,
    }


def _quantities(delivery: Delivery, batter_hand: str) -> dict[str, Any]:
    measures: Mapping[str, Measure] = {} if delivery.status == "rejected" else delivery.measures
    unknown = set(measures) - set(MEASURES)
    if unknown:
        raise ValueError(f"no column for {', '.join(sorted(unknown))}")
    row: dict[str, Any] = {}
    for name, measure in measures.items():
        if isfinite(measure.value):
            row[name], row[f"{name}_sd"] = float(measure.value), float(measure.sd)
    if "release_speed_mps" in row:
        row["release_speed_mph"] = row["release_speed_mps"] / MPH_MPS
    row["swing_way"] = way(row.get("swing_m", 0.0), batter_hand)
    row["deviation_way"] = way(row.get("deviation_deg", 0.0), batter_hand)
    if "stumps_x_m" in row or "stumps_z_m" in row:
        row["stumps_projected"] = bool(delivery.stumps_projected)
    return row


def cell(value: object) -> str:
    """A value as it stands in our CSV files: true/false, ISO dates, nine significant digits, empty for missing.

    >>> cell(True), cell(None), cell(float("nan")), cell(36.123456789012), cell(3)
    ('true', '', '', '36.1234568', '3')
    """
    if value is None or value is pd.NA:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.9g}" if isfinite(value) else ""
    return value.isoformat() if isinstance(value, dt.date) else str(value)


def csv_text(header: Iterable[str], rows: Iterable[Iterable[object]]) -> str:
    """A CSV file's text: comma, LF, one header row; quoted where needed (RFC 4180)."""
    lines = [list(header), *([cell(value) for value in row] for row in rows)]
    return "".join(",".join(map(_quoted, line)) + "\n" for line in lines)


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if any(c in text for c in ',"\r\n') else text


def write_deliveries(out: Path, table: pd.DataFrame) -> None:
    """Write deliveries.csv and its dictionary into a folder."""
    text = csv_text(table.columns, table.itertuples(index=False, name=None))
    (out / DELIVERIES_CSV).write_bytes(text.encode("utf-8"))
    write_schema(out / DELIVERIES_SCHEMA, (*FIELDS, *extra_fields(table)))


def extra_fields(table: pd.DataFrame) -> list[Field]:
    """Descriptions of the log's further columns of a table of deliveries."""
    return [Field(str(c), "string", "", "from the log, untouched") for c in table.columns if c not in COLUMNS]


def write_schema(path: Path, fields: Iterable[Field]) -> None:
    """Write the dictionary of a table: a Table Schema (Data Package standard), one entry a column."""
    schema = {"fields": [_described(field) for field in fields], "missingValues": [""]}
    path.write_text(json.dumps(schema, indent=1, ensure_ascii=False) + "\n", encoding="utf-8", newline="\n")


def _described(field: Field) -> dict[str, Any]:
    entry: dict[str, Any] = {"name": field.name, "type": field.type, "description": field.meaning}
    if field.unit:
        entry["unit"] = field.unit
    if field.type == "boolean":
        entry |= {"trueValues": ["true"], "falseValues": ["false"]}
    if field.words:
        entry["constraints"] = {"enum": list(field.words)}
    return entry


def read_deliveries(out: str | Path) -> pd.DataFrame:
    """The deliveries of a run, typed: float64 (NaN: empty), Int64, boolean (NA: empty), str ("" : empty).

    Parameters
    ----------
    out : path
        A run's folder, or a deliveries.csv itself.

    Raises
    ------
    InputError
        If there is no such file, a column of the format is missing, or a cell does not fit its column.
    """
    path = Path(out) if Path(out).is_file() else Path(out) / DELIVERIES_CSV
    table, _ = read_rows([path], COLUMNS)
    for field in FIELDS:
        if field.type == "integer":
            table[field.name] = table[field.name].astype("Int64")
        elif field.type == "boolean":
            table[field.name] = table[field.name].map({"true": True, "false": False}).astype("boolean")
    return table


def read_rows(paths: Sequence[Path], needed: Iterable[str]) -> tuple[pd.DataFrame, list[int]]:
    """The rows of one or many deliveries.csv, checked: the one way in for everything that reads them.

    Columns are found by their headings, in any order; further ones are text and stay as they are.

    Parameters
    ----------
    paths : paths
        Files of the format; a column that only some have is empty in the others.
    needed : names
        Columns that each file must have, `date` and `delivery` beside.

    Returns
    -------
    table : DataFrame
        Numbers, whole ones too, as float64 (NaN: empty); everything else as str, known words in lower case.
    counts : list of int
        How many of the rows, in order, are each file's.

    Raises
    ------
    InputError
        Naming file and line, for anything that is not as the format says.
    """
    wanted, files = ("date", "delivery", *needed), [_read_cells(path) for path in paths]
    for file in files:
        for column in wanted:
            if column not in file.columns:
                near = nearest(column, list(file.columns))
                remedy = near if near.startswith("did") else "is it a deliveries.csv, as `lanepair track` writes it?"
                raise InputError(file.path, f'no column "{column}"', remedy)
    known = {field.name: field for field in FIELDS}
    columns: dict[str, Any] = {}
    for name in dict.fromkeys(name for file in files for name in file.columns):
        cells = [cell for file in files for cell in file.columns.get(name, ("",) * len(file.lines))]
        columns[name] = _typed(files, known[name], cells) if name in known else pd.array(cells, dtype="str")
    table, counts = pd.DataFrame(columns), [len(file.lines) for file in files]
    keys = [name for name in ("session", "date", "delivery") if name in table]
    twice = table[keys].assign(file=np.repeat(np.arange(len(files)), counts)).duplicated().to_numpy()
    if twice.any():
        row = int(np.argmax(twice))
        what = f"delivery {table['delivery'].iloc[row]:g} is there twice"
        raise InputError(_place(files, row), what, "keep one row a delivery")
    return table, counts


@dataclass(frozen=True, eq=False)
class _Cells:
    """A CSV file as text: its columns by heading, and the line on which each row ends."""

    path: Path
    columns: dict[str, tuple[str, ...]]
    lines: list[int]


def _read_cells(path: Path) -> _Cells:
    """Every cell as text; csv and one typing of all files is ten times faster than a typed table for each."""
    if not path.is_file():
        if path.parent.is_file():
            raise InputError(path.parent, "is not a folder", "name one that `lanepair track` wrote")
        where = "no such file" if path.parent.is_dir() else "no such folder"
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
    if len(names) == 1 and (";" in names[0] or "\t" in names[0]):
        raise InputError(path, "the columns are not separated by commas", "save it as CSV with commas")
    for name in names:
        if names.count(name) > 1:
            raise InputError(path, f'column "{name}" is there twice', "keep one")
    for line, row in numbered[1:]:
        if len(row) != len(names):
            raise InputError(path, f"line {line} has {len(row)} cells, the headings {len(names)}", "mend that line")
    columns = zip(*(row for _, row in numbered[1:]), strict=True) if len(numbered) > 1 else [()] * len(names)
    return _Cells(path, dict(zip(names, columns, strict=True)), [line for line, _ in numbered[1:]])


def _typed(files: Sequence[_Cells], field: Field, cells: list[str]) -> Any:
    """One column of all files."""
    if field.type == "number":
        values = _numbers(cells)
        _refuse(files, field.name, cells, np.isinf(values), "a number or an empty cell is needed")
        return values
    if field.type == "integer":
        values = _numbers(cells)
        wrong = np.isinf(values) | (values % 1 > 0) | (np.isnan(values) & (field.name == "delivery"))
        _refuse(files, field.name, cells, wrong, "a whole number is needed")
        return values
    words = ("true", "false") if field.type == "boolean" else field.words
    tidy = [cell.strip().lower() for cell in cells] if words else cells
    if field.type == "date":
        odd, needed = {cell for cell in set(cells) if not _is_date(cell)}, "an ISO date such as 2026-11-12"
    else:
        odd, needed = set(tidy) - {"", *words} if words else set(), " or ".join(words)
    _refuse(files, field.name, cells, [word in odd for word in tidy] if odd else [], f"{needed} is needed")
    return pd.array(tidy, dtype="str")


def _refuse(
    files: Sequence[_Cells], name: str, cells: Sequence[str], wrong: Sequence[bool] | NDArray[np.bool_], needed: str
) -> None:
    """Name file and line of the first wrong cell, if there is one."""
    rows = np.flatnonzero(wrong)
    if len(rows):
        raise InputError(_place(files, int(rows[0])), f'{name} is "{cells[rows[0]]}"', needed)


def _place(files: Sequence[_Cells], row: int) -> str:
    """File and line of a row of the whole."""
    places = [(file.path, line) for file in files for line in file.lines]
    return "{}, line {}".format(*places[row])


def _numbers(cells: list[str]) -> NDArray[np.float64]:
    """Numbers, NaN for blanks, infinity for anything else: it is refused as infinity is."""
    try:
        return np.array([float(cell) if cell else nan for cell in cells], float)
    except ValueError:
        return np.array([_number(cell) for cell in cells], float)


def _number(cell: str) -> float:
    try:
        return float(cell) if cell.strip() else nan
    except ValueError:
        return inf


def _is_date(cell: str) -> bool:
    """Whether it is a day in the form that sorts as text; ISO has others, such as 20261112."""
    try:
        return dt.date.fromisoformat(cell).isoformat() == cell
    except ValueError:
        return False

"""deliveries.csv and its dictionary: what each column means, written once, used by writer, reader and documents.

The order of COLUMNS is the order of the file; the log's further columns follow. Format: docs/files.md.
"""

import datetime as dt
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Any

import pandas as pd

from calibration.errors import InputError
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
    path = Path(out) / DELIVERIES_CSV if Path(out).is_dir() else Path(out)
    try:
        table = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8")
    except FileNotFoundError:
        raise InputError(path, "no such file", "give the folder that `lanepair track --out` wrote") from None
    except (OSError, UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError) as e:
        raise InputError(path, f"is not a readable CSV file ({str(e).splitlines()[0]})", "track again") from None
    for field in FIELDS:
        if field.name not in table:
            raise InputError(path, f'the column "{field.name}" is missing', "is this a deliveries.csv?")
        table[field.name] = _typed(path, table[field.name], field)
    return table


def _typed(path: Path, cells: pd.Series, field: Field) -> pd.Series:
    try:
        if field.type == "number":
            return pd.to_numeric(cells.mask(cells == "")).astype("float64")
        if field.type == "integer":
            return pd.to_numeric(cells.mask(cells == "")).astype("Int64")
    except (ValueError, TypeError):
        raise InputError(path, f"the column {field.name} holds something that is no {field.type}") from None
    words = {"true": True, "false": False}
    if field.type == "boolean":
        if not cells.isin([*words, ""]).all():
            raise InputError(path, f"the column {field.name} holds something other than true and false")
        return cells.map(words).astype("boolean")
    if field.words and not cells.isin([*field.words, ""]).all():
        wrong = cells[~cells.isin([*field.words, ""])].iloc[0]
        raise InputError(path, f'the column {field.name} holds "{wrong}"', f"known are {', '.join(field.words)}")
    return cells

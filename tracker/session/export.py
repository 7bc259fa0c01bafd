"""A run for other programs: tables as CSV, spreadsheet or Parquet, flights as C3D. One more is a function and a line.

Tables are the deliveries and, long, the points: one row a sighting of a delivery, with where it puts the ball and the
filter's smoothed state. A dictionary of the columns goes with each.
"""

import importlib
import os
import re
import shutil
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.interpolate import CubicHermiteSpline

from calibration.errors import InputError, LanepairError
from calibration.lane import wicket_m
from calibration.rig import Rig
from tracker.records import Floats, Track
from tracker.session.layout import GROUPS
from tracker.session.reading import RecordedRun, read_run, read_tables
from tracker.session.tables import FIELDS, Field, csv_text, extra_fields, read_deliveries, write_schema
from tracker.session.tracks import TRACKS_H5

_LABELS = tuple(f for f in FIELDS if f.name in ("session", "date", "delivery", "clip", "bowler", "arm", "batter_hand"))
_NOT_TEXT = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")  # what XML, and so a spreadsheet, cannot hold
_C3D_FIELDS = (
    Field("ball", "array", "mm", "centre of the ball, smoothed"),
    *(
        Field(f"{end}_{part}", "array", "mm", f"{end}'s middle stump, {part}")
        for end in ("striker", "bowler")
        for part in ("base", "top")
    ),
    Field("release", "number", "s", "event: the ball leaves the hand; absent before the first frame"),
    Field("bounce", "number", "s", "event: first contact with the ground; absent where there is none"),
)
_GAP_S = 0.05  # a C3D frame further than this from any state is marked missing


@dataclass(frozen=True, eq=False)
class Exported:
    """What an exporter is given: two tables with their columns' meaning, and the run's own records."""

    deliveries: pd.DataFrame
    delivery_fields: Sequence[Field]
    points: pd.DataFrame
    point_fields: Sequence[Field]
    recorded: RecordedRun

    @property
    def tables(self) -> tuple[tuple[str, pd.DataFrame, Sequence[Field]], ...]:
        """Name, table and meaning of both."""
        points = ("points", self.points, self.point_fields)
        return ("deliveries", self.deliveries, self.delivery_fields), points


def export_run(out: Path, to: str, folder: Path) -> list[Path]:
    """Write a run for other programs into a folder; files of the same names are replaced, each whole.

    Parameters
    ----------
    out : a run's folder
    to : one of EXPORTERS
    folder : where to write

    Returns
    -------
    files : what was written
    """
    deliveries = read_deliveries(out)
    points, point_fields = _points(out, deliveries)
    fields = (*FIELDS, *extra_fields(deliveries))
    exported = Exported(deliveries, fields, points, point_fields, read_run(out))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        aside = Path(tempfile.mkdtemp(prefix=".export-", dir=folder))
    except OSError as e:
        raise InputError(folder, f"cannot be written ({e.strerror})", "name another folder with --out") from None
    try:
        EXPORTERS[to](exported, aside)
        files = [folder / file.name for file in sorted(aside.iterdir())]
        for file in files:
            os.replace(aside / file.name, file)
    except OSError as e:
        raise InputError(folder, f"cannot be written ({e.strerror})", "is a file of it open elsewhere?") from None
    finally:
        shutil.rmtree(aside, ignore_errors=True)
    return files


def _points(out: Path, deliveries: pd.DataFrame) -> tuple[pd.DataFrame, tuple[Field, ...]]:
    """The long table: /points beside /states, labelled."""
    tables, _ = read_tables(out / TRACKS_H5)
    seen, smoothed = (
        pd.DataFrame({field.name: tables[name][field.name] for field in GROUPS[name][1]})  # HDF5 lists them by letter
        for name in ("points", "states")
    )
    seen = seen.drop(columns="sighting").assign(view=np.where(seen["view"] == 0, "left", "right"))
    seen["kept"] = seen["kept"] == 1
    smoothed = smoothed.drop(columns=["delivery", "time_s"]).add_prefix("smoothed_")
    labels = deliveries[[f.name for f in _LABELS]].assign(delivery=deliveries["delivery"].astype("int64"))
    table = labels.merge(pd.concat([seen, smoothed], axis=1), on="delivery", how="right")
    about = {f.name: f for f in (*_LABELS, *GROUPS["points"][1])}
    about["view"] = Field("view", "string", "", "camera", ("left", "right"))
    states = [f for f in GROUPS["states"][1] if f.name not in ("delivery", "time_s")]
    about |= {f"smoothed_{f.name}": Field(f"smoothed_{f.name}", f.type, f.unit, f"filter: {f.meaning}") for f in states}
    return table, tuple(about[str(name)] for name in table.columns)


def _to_csv(exported: Exported, folder: Path) -> None:
    for name, table, fields in exported.tables:
        _table_to_csv(name, table, fields, folder)


def _table_to_csv(name: str, table: pd.DataFrame, fields: Sequence[Field], folder: Path) -> None:
    (folder / f"{name}.csv").write_bytes(csv_text(table.columns, _values(table)).encode("utf-8"))
    write_schema(folder / f"{name}.schema.json", fields)


def _values(table: pd.DataFrame) -> list[tuple[Any, ...]]:
    """Rows as Python values, None for empty."""
    plain = table.astype(object).where(table.notna(), None)
    return list(plain.itertuples(index=False, name=None))


def _to_spreadsheet(exported: Exported, folder: Path) -> None:
    """One workbook: deliveries, points and a dictionary; text is text, whatever it looks like."""
    import openpyxl

    book = openpyxl.Workbook(write_only=True)
    columns = [("table", "column", "type", "unit", "meaning")]
    for name, table, fields in exported.tables:
        _sheet(openpyxl, book, name, [tuple(table.columns), *_values(table)])
        columns += [(name, f.name, f.type, f.unit, f.meaning) for f in fields]
    _sheet(openpyxl, book, "columns", columns)
    book.save(folder / "lanepair.xlsx")


def _sheet(openpyxl: Any, book: Any, name: str, rows: Sequence[Sequence[Any]]) -> None:
    sheet = book.create_sheet(name)
    sheet.freeze_panes = "A2"
    for row in rows:
        sheet.append([_safe(openpyxl, sheet, value) for value in row])


def _safe(openpyxl: Any, sheet: Any, value: Any) -> Any:
    """A cell; one that starts like a formula is stored as text and stays text when somebody edits it."""
    if not isinstance(value, str):
        return value
    value = _NOT_TEXT.sub("\ufffd", value)
    if not value.startswith(("=", "+", "-", "@", "\t", "\r")):
        return value
    cell = openpyxl.cell.WriteOnlyCell(sheet, value)
    cell.data_type = "s"
    cell.quotePrefix = True
    return cell


def _to_parquet(exported: Exported, folder: Path) -> None:
    """One file a table; unit and meaning of each column in the file's own schema and beside it."""
    try:
        pa, pq = importlib.import_module("pyarrow"), importlib.import_module("pyarrow.parquet")
    except ImportError:
        raise LanepairError("parquet needs pyarrow, which is not installed: pip install pyarrow") from None
    for name, table, fields in exported.tables:
        arrow = pa.Table.from_pandas(table, preserve_index=False)
        about = [{"unit": f.unit, "description": f.meaning} for f in fields]
        described = [arrow.schema.field(i).with_metadata(told) for i, told in enumerate(about)]
        pq.write_table(arrow.cast(pa.schema(described)), folder / f"{name}.parquet")
        write_schema(folder / f"{name}.schema.json", fields)


def _to_c3d(exported: Exported, folder: Path) -> None:
    """One file a delivery that was tracked: the ball's smoothed path at an even rate and the wickets, millimetres.

    `c3d.schema.json` says what its points and events are; `deliveries.csv` who bowled each.
    """
    import ezc3d

    run = exported.recorded.run
    rates = {clip.number: _rate_hz(clip.films[0].stamps_s) for clip in run.clips}
    rig = exported.recorded.rig
    for delivery in run.deliveries:
        if delivery.track is None:
            continue
        time_s, ball_m = even_path(delivery.track, rates[delivery.clip])
        events = (
            [("release", delivery.flight.release_s), ("bounce", delivery.flight.bounce_s)] if delivery.flight else []
        )
        events = [(name, at - time_s[0]) for name, at in events if time_s[0] <= at <= time_s[-1]]
        file = _c3d(ezc3d.c3d(), ball_m, rates[delivery.clip], rig, events)
        file.write(str(folder / f"delivery_{delivery.number:03d}.c3d"))
    write_schema(folder / "c3d.schema.json", _C3D_FIELDS)
    _table_to_csv("deliveries", exported.deliveries, exported.delivery_fields, folder)


def _rate_hz(stamps_s: Floats) -> float:
    return round(1 / float(np.median(np.diff(stamps_s))), 3) if len(stamps_s) > 1 else 240.0


def even_path(track: Track, rate_hz: float) -> tuple[Floats, Floats]:
    """The smoothed path at an even rate: times (n,) from the first state on, positions (n, 3); NaN far from any state.

    Between states it is the cubic that has their positions and velocities.
    """
    known, first = np.unique(track.time_s, return_index=True)
    time_s = known[0] + np.arange(int((known[-1] - known[0]) * rate_hz + 1e-9) + 1) / rate_hz
    if len(known) < 2:
        return time_s, track.state[first, :3]
    path = CubicHermiteSpline(known, track.state[first, :3], track.state[first, 3:])
    position: Floats = path(time_s)
    after = np.clip(np.searchsorted(known, time_s), 1, len(known) - 1)
    far = np.minimum(np.abs(time_s - known[after - 1]), np.abs(time_s - known[after])) > _GAP_S
    position[far] = np.nan
    return time_s, position


def _c3d(file: Any, ball_m: Floats, rate_hz: float, rig: Rig, events: Sequence[tuple[str, float]]) -> Any:
    wickets = {
        f"{end}_{part}": (0.0, y, z)
        for end, y in (("striker", 0.0), ("bowler", rig.pitch_length_m))
        for part, z in (("base", 0.0), ("top", wicket_m(rig.junior_stumps)[1]))
    }
    points = np.full((4, 1 + len(wickets), len(ball_m)), 1.0)
    points[:3, 0] = ball_m.T * 1000
    points[:3, 1:] = np.array(list(wickets.values())).T[:, :, None] * 1000
    about = file["parameters"]["POINT"]
    about["UNITS"]["value"], about["RATE"]["value"] = ["mm"], [rate_hz]
    about["LABELS"]["value"] = ["ball", *wickets]
    about["DESCRIPTIONS"]["value"] = [field.meaning for field in _C3D_FIELDS[: 1 + len(wickets)]]
    file.add_parameter("POINT", "X_SCREEN", ["+X"])  # to a right-handed batter's off side
    file.add_parameter("POINT", "Y_SCREEN", ["+Z"])  # up
    file.add_parameter("EVENT", "USED", [len(events)])
    if events:
        file.add_parameter("EVENT", "LABELS", [name for name, _ in events])
        file.add_parameter("EVENT", "TIMES", np.array([[0.0, at] for _, at in events]).T)  # minutes, seconds
    file["data"]["points"] = points
    return file


EXPORTERS: dict[str, Callable[[Exported, Path], None]] = {
    "csv": _to_csv,
    "spreadsheet": _to_spreadsheet,
    "parquet": _to_parquet,
    "c3d": _to_c3d,
}

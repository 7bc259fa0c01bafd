"""Exports: what other programs read is what was measured.

Outside readers: openpyxl and the workbook's own XML, pyarrow and pandas, the pure-Python c3d package (independent of
ezc3d, which writes).
"""

import csv
import json
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pyarrow.parquet as pq
import pytest

from calibration.errors import InputError
from tests.invented import flight_positions
from tracker.cli import main
from tracker.records import Run
from tracker.session.export import EXPORTERS, even_path, export_run
from tracker.session.tables import COLUMNS, read_deliveries

DANGEROUS = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1+1", '=HYPERLINK("http://x.invalid","<b>é</b>")']


@pytest.fixture
def named(out: Path) -> Path:
    """The invented run with a bowler whose name is a formula, and a note with a control character."""
    file = out / "deliveries.csv"
    table = read_deliveries(out)
    table["bowler"], table["plan"] = DANGEROUS[:3], [DANGEROUS[3], DANGEROUS[5], "bell \x07"]
    from tracker.session.tables import write_deliveries

    write_deliveries(out, table.astype(object).where(table.notna(), None))
    assert file.exists()
    return out


@pytest.mark.parametrize("to", EXPORTERS)
def test_every_export_is_written_and_written_again(written: Path, tmp_path: Path, to: str) -> None:
    (tmp_path / "mine.txt").write_text("not yours")
    files = export_run(written, to, tmp_path)
    assert files and all(f.stat().st_size > 0 for f in files)
    again = export_run(written, to, tmp_path)
    assert again == files
    assert sorted(tmp_path.iterdir()) == sorted([*files, tmp_path / "mine.txt"])


def test_csv_is_the_deliveries_and_one_row_a_point(written: Path, tmp_path: Path, run: Run) -> None:
    export_run(written, "csv", tmp_path)
    assert (tmp_path / "deliveries.csv").read_bytes() == (written / "deliveries.csv").read_bytes()
    with (tmp_path / "points.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    tracks = [d.track for d in run.deliveries if d.track is not None]
    assert len(rows) == sum(map(len, tracks))
    second = rows[len(tracks[0]) :]
    assert {row["delivery"] for row in second} == {"2"} and {row["batter_hand"] for row in second} == {"left"}
    np.testing.assert_allclose([float(r["u_px"]) for r in second], tracks[1].centre_px[:, 0], rtol=1e-8)
    np.testing.assert_allclose([float(r["smoothed_y_m"]) for r in second], tracks[1].state[:, 1], rtol=1e-8)
    assert {row["view"] for row in rows} == {"left", "right"} and {row["kept"] for row in rows} == {"true", "false"}
    order = list(rows[0])  # as docs/files.md lists them: when and where in the picture, then where in space
    assert order[order.index("view") :][:4] == ["view", "time_s", "u_px", "v_px"]
    assert order.index("z_m") < order.index("smoothed_x_m") < order.index("smoothed_vz_mps")
    for name in ("deliveries", "points"):
        schema = json.loads((tmp_path / f"{name}.schema.json").read_text())
        header = (tmp_path / f"{name}.csv").read_text().splitlines()[0].split(",")
        assert [field["name"] for field in schema["fields"]] == header
        assert all(field["description"] for field in schema["fields"])


def test_a_spreadsheet_shows_formulas_as_text(named: Path, tmp_path: Path) -> None:
    export_run(named, "spreadsheet", tmp_path)
    book = openpyxl.load_workbook(tmp_path / "lanepair.xlsx")
    assert book.sheetnames == ["deliveries", "points", "columns"]
    header, *rows = book["deliveries"].iter_rows()
    place = [cell.value for cell in header].index("bowler")
    plan = [cell.value for cell in header].index("plan")
    assert [row[place].value for row in rows] == DANGEROUS[:3]  # as text, unchanged
    assert [row[plan].value for row in rows][:2] == [DANGEROUS[3], DANGEROUS[5]]
    assert rows[2][plan].value == "bell \ufffd"
    for row in rows:
        assert row[place].data_type == "s" and row[place].quotePrefix
    speed = [cell.value for cell in header].index("release_speed_mps")
    assert rows[0][speed].value == 33.21 and rows[2][speed].value is None
    seen = [cell.value for cell in header].index("release_seen")
    assert rows[0][seen].value is True
    with zipfile.ZipFile(tmp_path / "lanepair.xlsx") as archive:
        sheets = [archive.read(n).decode() for n in archive.namelist() if n.startswith("xl/worksheets/")]
    assert len(sheets) == 3 and not any("<f>" in sheet or "<f " in sheet for sheet in sheets)


def test_parquet_carries_types_units_and_meaning(written: Path, tmp_path: Path) -> None:
    export_run(written, "parquet", tmp_path)
    table = pq.read_table(tmp_path / "deliveries.parquet")
    assert table.column_names[: len(COLUMNS)] == list(COLUMNS)
    speed = table.schema.field("release_speed_mps")
    assert speed.metadata == {b"unit": b"m/s", b"description": b"magnitude of the velocity at release"}
    frame = pd.read_parquet(tmp_path / "deliveries.parquet")
    assert frame["release_speed_mps"].tolist()[:2] == [33.21, 33.21] and np.isnan(frame["release_speed_mps"][2])
    assert frame["release_seen"].tolist()[:2] == [True, True]
    points = pd.read_parquet(tmp_path / "points.parquet")
    assert points["time_s"].dtype == np.float64 and set(points["delivery"]) == {1, 2}


@pytest.mark.filterwarnings("ignore:No analog data")
def test_c3d_is_read_by_an_independent_reader(written: Path, tmp_path: Path, run: Run) -> None:
    import c3d

    files = export_run(written, "c3d", tmp_path)
    beside = ["c3d.schema.json", "deliveries.csv", "deliveries.schema.json"]
    assert sorted(f.name for f in files) == [*beside, "delivery_001.c3d", "delivery_002.c3d"]
    files = [f for f in files if f.suffix == ".c3d"]
    described = [field["name"] for field in json.loads((tmp_path / beside[0]).read_text())["fields"]]
    track = run.deliveries[0].track
    assert track is not None
    with files[0].open("rb") as handle:
        reader = c3d.Reader(handle)
        frames = np.array([points[:, :3] for _, points, _ in reader.read_frames()])
        labels = [label.strip() for label in reader.point_labels]
        units = reader.get("POINT:UNITS").string_value.strip()
        rate, events = reader.point_rate, reader.get("EVENT:LABELS").string_array
        at_s = reader.get("EVENT:TIMES").float_array
    assert labels == ["ball", "striker_base", "striker_top", "bowler_base", "bowler_top"] == described[:5]
    assert (units, rate) == ("mm", 240.0)
    time_s = track.time_s[0] + np.arange(len(frames)) / rate
    assert time_s[-1] <= track.time_s[-1] < time_s[-1] + 1 / rate
    np.testing.assert_allclose(frames[:, 0], even_path(track, 240.0)[1] * 1000, atol=0.002)  # float32 of 18,000 mm
    np.testing.assert_allclose(frames[:, 3], np.tile([0, 20116.8, 0], (len(frames), 1)), atol=0.002)
    assert [str(e).strip() for e in events] == ["bounce"]  # the release comes before the first sighting
    assert described[5:] == ["release", "bounce"]
    assert np.ravel(at_s)[1] == pytest.approx(0.46 - track.time_s[0], abs=1e-6)


def test_the_even_path_is_the_path() -> None:
    """A made-up flight with its true velocities: the cubic between states is far within a millimetre of it."""
    from tests.invented import invented_delivery

    track = invented_delivery(np.random.default_rng(1))[0].track
    assert track is not None
    step = 1e-6
    velocity = (flight_positions(track.time_s + step) - flight_positions(track.time_s - step)) / (2 * step)
    moving = replace(track, state=np.column_stack([flight_positions(track.time_s), velocity]))
    time_s, path = even_path(moving, 240.0)
    assert np.abs(path - flight_positions(time_s)).max() < 2e-3  # at the bounce; elsewhere
    away = np.abs(time_s - 0.46) > 0.01
    assert np.abs(path - flight_positions(time_s))[away].max() < 1e-6


def test_a_gap_in_the_states_is_missing_in_the_path() -> None:
    from tests.invented import invented_delivery

    track = invented_delivery(np.random.default_rng(1))[0].track
    assert track is not None
    keep = (track.time_s < 0.2) | (track.time_s > 0.4)
    holed = track.take(keep)
    time_s, path = even_path(holed, 240.0)
    assert np.isnan(path[(time_s > 0.26) & (time_s < 0.34)]).all()
    assert np.isfinite(path[(time_s < 0.2) | (time_s > 0.4)]).all()


def test_the_command_says_what_it_wrote(out: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["export", str(out), "--to", "csv"]) == 0
    told = capsys.readouterr().out.splitlines()
    assert [Path(line).name for line in told] == [
        "deliveries.csv", "deliveries.schema.json", "points.csv", "points.schema.json",
    ]  # fmt: skip
    assert Path(told[0]).parent == out / "export"


def test_what_is_no_run_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file; name a folder that `lanepair track` wrote"):
        export_run(tmp_path, "csv", tmp_path / "x")
    assert not (tmp_path / "x").exists()


def test_a_place_that_cannot_be_written_is_refused(written: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="cannot be written"):
        export_run(written, "csv", tmp_path / "file")

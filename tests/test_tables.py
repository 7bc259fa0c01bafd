"""deliveries.csv and its dictionary: columns, order, empties and words as docs/files.md says; read back as written.

The order of the columns is read from docs/files.md itself, not from the code.
"""

import csv
import datetime as dt
import io
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.errors import InputError
from tracker.analysis.tables import read_runs
from tracker.records import Delivery, Measure, Run
from tracker.session.log import attach_log
from tracker.session.tables import (
    COLUMNS,
    FIELDS,
    MEASURES,
    UNITS,
    cell,
    csv_text,
    deliveries_table,
    read_deliveries,
    way,
    write_deliveries,
)

FILES_MD = Path(__file__).parents[1] / "docs" / "files.md"


def ball(number: int = 1, **changes: object) -> Delivery:
    """A measured delivery, every quantity there; `changes` replace its fields."""
    measures = {name: Measure(0.5 + i, 0.01, UNITS[name]) for i, name in enumerate(MEASURES)}
    whole = Delivery(number, 1, 2.5, "ok", "", "bounce", True, measures, False, 60, 58, 0.21, None, None)
    return replace(whole, **changes)


def written(place: Path, *balls: Delivery, labels: pd.DataFrame | None = None) -> list[dict[str, str]]:
    """The rows of the deliveries.csv of these balls, as text."""
    rows = attach_log(None, [1] * len(balls), 1).rows if labels is None else labels
    write_deliveries(place, deliveries_table("Invented", dt.date(2026, 11, 12), balls, rows))
    with (place / "deliveries.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def labelled(**cells: str) -> pd.DataFrame:
    """What the log says of one ball."""
    return pd.DataFrame([{"bowler": "", "arm": "", "batter_hand": "", "side": ""} | cells], dtype=object)


def test_the_columns_are_the_documented_ones_in_their_order() -> None:
    text = FILES_MD.read_text(encoding="utf-8")
    listed = re.search(r"`deliveries\.csv` columns, in this order:\s*`([^`]*)`", text)
    assert listed is not None
    assert [name.strip() for name in listed[1].split(",")] == [*COLUMNS, "extra log columns"]


def test_a_measured_ball_fills_its_row(tmp_path: Path) -> None:
    (row,) = written(tmp_path, ball(), labels=labelled(bowler="A", batter_hand="left", plan="full"))
    assert list(row) == [*COLUMNS, "plan"]
    assert row["session"] == "Invented" and row["date"] == "2026-11-12" and row["start_s"] == "2.5"
    assert row["release_seen"] == "true" and row["stumps_projected"] == "false"
    assert row["release_speed_mps"] == "0.5" and row["release_speed_mps_sd"] == "0.01"
    assert float(row["release_speed_mph"]) == pytest.approx(0.5 * 2.2369362920544, rel=1e-8)  # 1609.344 m in a mile
    assert (row["bowler"], row["plan"], row["arm"]) == ("A", "full", "")
    assert [name for name in COLUMNS if row[name] == ""] == ["arm", "side", "reason"]


def test_a_rejected_ball_keeps_its_number_and_its_log_row_and_nothing_else(tmp_path: Path) -> None:
    lost = ball(status="rejected", reason="seen by one camera", kind="", start_s=float("nan"))
    (row,) = written(tmp_path, lost, labels=labelled(bowler="A", batter_hand="left"))
    filled = {name for name, text in row.items() if text}
    assert filled == {
        "session", "date", "delivery", "clip", "bowler", "batter_hand", "status", "reason",
        "sightings_left", "sightings_right", "residual_px",
    }  # fmt: skip


def test_what_could_not_be_had_is_empty(tmp_path: Path) -> None:
    whole = ball().measures
    fewer = {n: m for n, m in whole.items() if not n.startswith(("bounce", "deviation", "stumps", "speed_"))}
    fewer["swing_m"] = Measure(float("nan"), float("nan"), "m")
    (row,) = written(tmp_path, ball(kind="full_toss", measures=fewer), labels=labelled(batter_hand="right"))
    for name in (
        "bounce_y_m",
        "bounce_y_m_sd",
        "deviation_way",
        "stumps_projected",
        "swing_m",
        "swing_m_sd",
        "swing_way",
    ):
        assert row[name] == ""
    assert row["gate_speed_mps"] != ""


# docs/files.md: "in" is toward the batter's legs: toward -x for a right-hander, +x for a left-hander
@pytest.mark.parametrize(
    ("value", "hand", "expected"),
    [(-0.1, "right", "in"), (0.1, "right", "out"), (0.1, "left", "in"), (-0.1, "left", "out"), (0.1, "", ""),
     (float("nan"), "left", ""), (0.0, "left", "")],
)  # fmt: skip
def test_in_and_out_follow_the_batters_hand(value: float, hand: str, expected: str) -> None:
    assert way(value, hand) == expected


def test_deviation_way_follows_the_angle_and_swing_way_the_distance(tmp_path: Path) -> None:
    measures = dict(ball().measures)
    measures |= {"swing_m": Measure(0.001, 1, "m"), "deviation_deg": Measure(-0.5, 0.1, "deg")}
    measures["deviation_m"] = Measure(+0.2, 0.1, "m")
    (row,) = written(tmp_path, ball(measures=measures), labels=labelled(batter_hand="right"))
    assert (row["swing_way"], row["deviation_way"]) == ("out", "in")


def test_a_measure_without_a_column_is_a_fault(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="no column for spin"):
        written(tmp_path, ball(measures={"spin": Measure(1, 1, "rad/s")}))


def test_the_file_is_plain_csv(tmp_path: Path) -> None:
    written(tmp_path, ball(), labels=labelled(bowler='Ann "The Arm" Ö, =1+1'))
    raw = (tmp_path / "deliveries.csv").read_bytes()
    assert raw.count(b"\r") == 0 and raw.endswith(b"\n") and raw.count(b"\n") == 2
    assert '"Ann ""The Arm"" Ö, =1+1"'.encode() in raw  # carried through untouched


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    lost = ball(2, status="rejected", reason="é", kind="", start_s=float("nan"), residual_px=float("nan"))
    labels = pd.concat([labelled(bowler="A", over_no="1"), labelled(bowler="B", over_no="")], ignore_index=True)
    written(tmp_path, ball(), lost, labels=labels)
    table = read_deliveries(tmp_path)
    assert table["delivery"].tolist() == [1, 2] and table["over_no"].tolist() == ["1", ""]
    assert table["release_seen"].tolist() == [True, pd.NA]
    assert table["release_speed_mps"][0] == 0.5 and np.isnan(table["release_speed_mps"][1])
    assert table["reason"].tolist() == ["", "é"]
    assert read_deliveries(tmp_path / "deliveries.csv").equals(table)


def test_a_run_without_deliveries_is_a_table_without_rows(tmp_path: Path) -> None:
    assert written(tmp_path) == []
    assert len(read_deliveries(tmp_path)) == 0


def test_the_dictionary_describes_every_column_in_order(written_schema: dict) -> None:
    names = [field["name"] for field in written_schema["fields"]]
    assert names == [*COLUMNS, "plan", "note"]
    assert written_schema["missingValues"] == [""]
    known = {"string", "number", "integer", "boolean", "date"}  # Table Schema, field types (Data Package standard)
    for field in written_schema["fields"]:
        assert field["type"] in known and field["description"]
        suffix = field["name"].removesuffix("_sd").rpartition("_")[2]
        unit = {"m": "m", "s": "s", "mps": "m/s", "deg": "deg", "px": "px", "mph": "mph"}.get(suffix)
        assert field.get("unit") == unit


@pytest.fixture
def written_schema(out: Path) -> dict:
    return dict(json.loads((out / "deliveries.schema.json").read_text(encoding="utf-8")))


def test_the_dictionary_fits_the_table(out: Path, written_schema: dict) -> None:
    """The rows read by the dictionary alone: every cell fits its field's type and words."""
    fits = {
        "number": float,
        "integer": int,
        "date": dt.date.fromisoformat,
        "boolean": {"true": True, "false": False}.__getitem__,
        "string": str,
    }
    with (out / "deliveries.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            for field in written_schema["fields"]:
                text = row[field["name"]]
                if text not in written_schema["missingValues"]:
                    fits[field["type"]](text)
                    assert text in field.get("constraints", {}).get("enum", [text])


@settings(max_examples=50, deadline=None)
@given(st.lists(st.lists(st.text(st.characters(codec="utf-8", exclude_characters="\0")), min_size=2, max_size=2)))
def test_any_text_survives(rows: list[list[str]]) -> None:
    text = csv_text(["a", "b"], rows)
    assert list(csv.reader(io.StringIO(text, newline="")))[1:] == rows


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_numbers_keep_nine_digits(value: float) -> None:
    assert float(cell(value)) == pytest.approx(value, rel=1e-8, abs=1e-320)


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (lambda text: text.replace("kind", "sort", 1), 'deliveries.csv: no column "kind"; is it a deliveries.csv'),
        (lambda text: text.replace("bounce_y_m,", "bouncey_m,", 1), 'did you mean "bouncey_m"?'),
        (
            lambda text: text.replace("33.21", "fast", 1),
            'line 2: release_speed_mps is "fast"; a number or',
        ),
        (lambda text: text.replace(",true,", ",yes,", 1), 'line 2: release_seen is "yes"; true or false is needed'),
        (lambda text: text.replace(",ok,", ",fine,", 1), 'status is "fine"; ok or partial or rejected is needed'),
        (lambda text: text.replace("2026-", "26-", 1), "line 2: date is"),
        (lambda text: text.replace(",1,1,", ",1.5,1,", 1), 'line 2: delivery is "1.5"; a whole number is needed'),
        (lambda text: text.replace(",1,1,", ",,1,", 1), "line 2: delivery is"),
        (lambda text: text + text.splitlines()[1] + "\n", "line 5: delivery 1 is there twice"),
        (lambda text: text + "1,2\n", "line 5 has 2 cells"),
        (lambda text: text.replace(",", ";"), "not separated by commas"),
        (lambda text: "", "the file is empty"),
    ],
)
def test_a_damaged_table_is_refused(out: Path, change, line: str) -> None:
    file = out / "deliveries.csv"
    file.write_text(change(file.read_text(encoding="utf-8")), encoding="utf-8", newline="")
    with pytest.raises(InputError, match=re.escape(line)):
        read_deliveries(out)
    if "kind" not in line:  # comparing does not need that one
        with pytest.raises(InputError, match=re.escape(line)):
            read_runs([out], needed=["bounce_y_m"])


def test_a_missing_table_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file; name a folder that `lanepair track` wrote"):
        read_deliveries(tmp_path)


def test_every_estimated_quantity_has_its_sd_beside_it() -> None:
    for name in MEASURES:
        assert COLUMNS.index(f"{name}_sd") == COLUMNS.index(name) + 1
    assert len(MEASURES) == 18 and len(FIELDS) == 56


def test_the_invented_run_has_its_three_rows(out: Path, run: Run) -> None:
    table = read_deliveries(out)
    assert table["status"].tolist() == [d.status for d in run.deliveries] == ["ok", "partial", "rejected"]
    assert table["swing_way"].tolist() == ["out", "in", ""]  # +0.339 m: out to a right-hander, in to a left-hander

"""CSV files that people write: comments, names as they are, what spreadsheets leave behind."""

import csv
import io
from pathlib import Path

import pytest

from calibration.errors import InputError
from tracker.analysis.agreement import read_reference
from tracker.analysis.workload import read_limits
from tracker.session.cells import read_cells

NAMES = ("#7 Smith", "Jo #1", "Zoë O'Neil, the younger", 'a "quick" one', "Bo\n# not a comment")


def as_csv(rows: list[list[str]], ends: str = "\n") -> str:
    """What Python's own writer makes of it, quotes only where needed (RFC 4180, which knows no comments)."""
    text = io.StringIO()
    csv.writer(text, lineterminator=ends).writerows(rows)
    return text.getvalue()


@pytest.mark.parametrize("ends", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_a_comment_begins_a_line_and_nothing_else_is_one(tmp_path: Path, ends: str, mark: str) -> None:
    table = as_csv([["band", "bowlers"], *([str(i), name] for i, name in enumerate(NAMES))], ends)
    (tmp_path / "t.csv").write_text(f'{mark}# one{ends}{table}# two, with a "{ends}9,last{ends}', "utf-8", newline="")
    header, rows, lines = read_cells(tmp_path / "t.csv", "", comments=True)
    assert header == ["band", "bowlers"]
    assert [row[1] for row in rows] == [*NAMES, "last"]
    assert lines == [3, 4, 5, 6, 8, 10]  # where each ends: the last name has two lines


def test_names_with_a_number_sign_have_their_limits(tmp_path: Path) -> None:
    (tmp_path / "limits.csv").write_text("# mine\nband,bowlers,balls_per_day\nu15 #2,#7 Smith; Jo #1,36\n")
    (limit,) = read_limits(tmp_path / "limits.csv")
    assert (limit.band, limit.bowlers, limit.balls_per_day) == ("u15 #2", ("#7 Smith", "Jo #1"), 36)


def test_sessions_with_a_number_sign_have_their_readings(tmp_path: Path) -> None:
    (tmp_path / "gun.csv").write_text("# a gun\nsession, delivery, speed_kmh\nNet #3, 1, 108\nNet #3, 2,\n")
    table = read_reference(tmp_path / "gun.csv")
    assert table.to_dict("records") == [{"session": "Net #3", "delivery": 1, "reference_mps": pytest.approx(30.0)}]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("band,bowlers,balls_per_day\nx,A,B,36\n", "line 2: 4 cells under 3 column names"),  # a name with a comma
        ("band;bowlers;balls_per_day\nx;A;36\n", "not separated by commas"),
        ('band,bowlers\nx,"A\n', "look for a stray double quote"),
        ("band,band,bowlers\n", 'the column "band" is there twice'),
        ("", "is empty"),
    ],
)
def test_a_table_that_is_none_is_refused_by_its_line(tmp_path: Path, text: str, says: str) -> None:
    (tmp_path / "limits.csv").write_text(text)
    with pytest.raises(InputError, match=says):
        read_limits(tmp_path / "limits.csv")

"""The commands as people type them: help, versions, and one clear line with exit code 2 for every wrong input."""

import os
import shlex
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from tests.invented_balls import balls, write_out
from tracker.cli import COMMANDS, main


def told(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    """Exit code, standard output, standard error of a command."""
    try:
        code = main(arguments)
    except SystemExit as stop:
        code = int(stop.code or 0)
    out, err = capsys.readouterr()
    return code, out, err


def refusal(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    """The one line of a refusal."""
    code, out, err = told(arguments, capsys)
    assert code == 2, (code, out, err)
    assert "Traceback" not in err and err.count("\n") == 1 and err.startswith("lanepair")
    return err


def test_version_and_help_answer(capsys: pytest.CaptureFixture[str]) -> None:
    assert told(["--version"], capsys)[:2] == (0, "lanepair 0.1.0\n")
    code, out, _ = told(["--help"], capsys)
    assert code == 0 and all(name in out for name in COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_explains_itself(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = told([name, "--help"], capsys)
    assert code == 0 and f"lanepair {name}" in out


def test_the_module_is_the_command() -> None:
    shown = subprocess.run([sys.executable, "-m", "tracker", "--version"], capture_output=True, text=True, check=True)
    assert shown.stdout == "lanepair 0.1.0\n"


def test_an_output_that_lacks_a_letter_stops_nothing(tmp_path: Path) -> None:
    # what Windows redirects to a file is cp1252, which lacks this name's first letter
    out = write_out(tmp_path / "out", balls(np.random.default_rng(1), bowler="Łukasz"))
    shown = subprocess.run(
        [sys.executable, "-m", "tracker", "compare", str(out), "--shuffles", "99"],
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": "cp1252"},
    )
    assert (shown.returncode, shown.stderr) == (0, b"")
    assert b"?ukasz" in shown.stdout


@pytest.mark.parametrize("arguments", [[], ["trakc"], ["export"], ["export", "x", "--to", "pdf"], ["new"]])
def test_a_wrong_command_is_refused_in_one_line(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert "--help" in refusal(arguments, capsys)


def test_a_fault_inside_is_told_from_a_wrong_file(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from tracker.commands import new

    def broken(args: object) -> int:
        raise RuntimeError("a bug")

    monkeypatch.setattr(new, "run", broken)
    code, _, err = told(["new", "x"], capsys)
    assert code == 3 and "RuntimeError: a bug" in err and "a fault inside the tool" in err


def test_new_lays_a_session_and_never_overwrites(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import tomllib

    folder = tmp_path / "nets"
    folder.mkdir()
    (folder / "film.mp4").write_bytes(b"kept")
    code, out, _ = told(["new", str(folder)], capsys)
    assert code == 0 and "lanepair calibrate" in out
    session = tomllib.loads((folder / "session.toml").read_text(encoding="utf-8"))
    assert set(session) == {"name", "date", "rig", "log", "clips", "ball", "air"}
    assert "[[clips]]" in (folder / "session.toml").read_text(encoding="utf-8")
    tomllib.loads((folder / "calibration" / "calibration.toml").read_text(encoding="utf-8"))
    (folder / "session.toml").write_text("filled in")
    assert "session.toml: is there already and is kept" in refusal(["new", str(folder)], capsys)
    assert (folder / "session.toml").read_text() == "filled in"
    assert (folder / "film.mp4").read_bytes() == b"kept"


@pytest.mark.parametrize("folder", ["net 3", "."])
def test_what_new_tells_to_type_can_be_typed(
    folder: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """As the POSIX shell splits it: two folders, the second not within reach of a hidden name."""
    monkeypatch.chdir(tmp_path)
    _, out, _ = told(["new", folder], capsys)
    typed = shlex.split(next(line for line in out.splitlines() if "lanepair track" in line))
    assert typed[1:] == ["lanepair", "track", folder, "--out", {"net 3": "net 3-measured", ".": "measured"}[folder]]


def test_new_is_filled_in_by_naming_films_and_rig(session_folder: Path, tmp_path: Path) -> None:
    """The template becomes a session that is read without complaint when its films and rig are there."""
    from tracker.session.folder import read_session

    assert main(["new", str(tmp_path / "mine")]) == 0
    (tmp_path / "mine" / "rig.toml").write_bytes((session_folder / "rig.toml").read_bytes())
    for view in ("left", "right"):
        (tmp_path / "mine" / f"clip01_{view}.mp4").write_bytes(view.encode())
    session = read_session(tmp_path / "mine")
    assert session.log is not None and len(session.log) == 0
    assert session.name == "Net session" and session.ball.colour == "red"


def test_the_marks_template_names_real_marks() -> None:
    import csv
    from importlib.resources import files

    from calibration.marks import mark_names

    text = files("tracker.session").joinpath("templates", "marks.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    assert {row["mark"] for row in rows} <= set(mark_names())
    assert sum(row["camera"] == "left" for row in rows) == sum(row["camera"] == "right" for row in rows) == 12


def test_a_place_where_nothing_can_be_made_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").write_text("")
    assert "cannot be written" in refusal(["new", str(tmp_path / "file" / "below")], capsys)

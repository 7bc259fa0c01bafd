"""Wrong words and files: the one line that says so names what to write instead."""

import errno
import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from calibration.errors import InputError
from calibration.rig import read_toml
from tests.invented_balls import balls, write_out
from tracker.cli import main
from tracker.session.runs import check_out


def refused(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    assert main(arguments) == 2
    shown = capsys.readouterr()
    assert shown.err.count("\n") == 1 and not shown.out
    return shown.err


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return write_out(tmp_path / "out", balls(np.random.default_rng(1)))


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("date = 12/11/2026", "write a date as 2026-11-12"),
        ("date = 12.11.2026", "write a date as 2026-11-12"),
        ("radius_m = 0,036", "write a decimal point"),
        ("name = Net 3", "put a text in double quotes"),
        ("name = “Net 3”", "put a text in double quotes"),
        ('left = "films\\clip.mp4"', "in paths write / for"),
        ("= 3", "mend that line"),
    ],
)
@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_a_line_that_is_no_toml_is_named_with_what_to_write(tmp_path: Path, line: str, says: str, ends: str) -> None:
    file = tmp_path / "session.toml"
    file.write_text(f'\ufeff# a comment{ends}{line}{ends}rig = "rig.toml"{ends}', encoding="utf-8", newline="")
    with pytest.raises(InputError, match=f"at line 2.*{says}"):
        read_toml(file)


@pytest.mark.parametrize("command", ["compare", "targets"])
def test_a_variation_that_nobody_bowled_is_no_answer_about_the_stock_ball(
    out: Path, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A log without variations holds stock balls."""
    told = refused([command, str(out), "--variations", "stok"], capsys)
    assert 'no delivery is of the variation "stok": did you mean "stock"?' in told
    assert main([command, str(out), "--variations", "Stock"]) == 0


def test_a_name_in_other_capitals_is_the_nearest(out: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert 'did you mean "Invented A"?' in refused(["report", str(out), "--bowler", "INVENTED a"], capsys)


@pytest.mark.parametrize("command", ["report", "targets"])
def test_the_ready_targets_are_named(out: Path, command: str, capsys: pytest.CaptureFixture[str]) -> None:
    told = refused([command, str(out), "--targets", "pace_club"], capsys)
    assert "pace_club: no such file; the ready targets are pace-professional, pace-club, spin" in told


@pytest.mark.parametrize(("option", "value"), [("--fps", "0"), ("--exposure", "1"), ("--iso", "-100")])
def test_a_number_of_the_command_line_is_not_the_files_fault(
    option: str, value: str, capsys: pytest.CaptureFixture[str]
) -> None:
    told = refused(["plan", "end_on", option, value], capsys)
    assert f"{option} is {value}; it lies between" in told and ".toml" not in told


def test_a_folder_that_is_no_calibration_says_how_to_get_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = refused(["calibrate", str(tmp_path), "--out", str(tmp_path / "rig.toml")], capsys)
    assert "calibration.toml: no such file" in told and "`lanepair new`" in told


def test_a_speed_with_a_decimal_comma_says_so(out: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "gun.csv").write_text('delivery,speed_mph\n1,"72,5"\n')
    assert '"72,5" is not a number; write a decimal point' in refused(
        ["agree", str(out), str(tmp_path / "gun.csv")], capsys
    )
    (tmp_path / "gun.csv").write_text("delivery;speed_mph\n1;72,5\n")
    assert "not separated by commas" in refused(["agree", str(out), str(tmp_path / "gun.csv")], capsys)


def test_a_place_that_takes_no_folder_is_told_before_any_work(tmp_path: Path) -> None:
    """Whatever its rights say: Linux's /proc lets root write, by access(2), and takes no folder."""
    if not Path("/proc/self").is_dir():
        pytest.skip("needs Linux's /proc")
    with pytest.raises(InputError, match="is not a folder that you may write to"):
        check_out(Path("/proc/results"), tmp_path)
    check_out(tmp_path / "deep" / "results", tmp_path / "session")
    assert list(tmp_path.iterdir()) == []  # nothing is left of the trial


def test_the_help_speaks_of_the_pitch_in_tenths_of_a_millimetre(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["calibrate", "--help"])
    assert "20.1168 m" in " ".join(capsys.readouterr().out.split())


@pytest.fixture
def shut(tmp_path: Path) -> Iterator[Path]:
    """A folder that takes no file, as a read-only disk; root may write everywhere but in /proc."""
    folder = tmp_path / "shut"
    folder.mkdir()
    folder.chmod(0o555)
    yield Path("/proc/self/fdinfo") if os.access(folder, os.W_OK) else folder
    folder.chmod(0o755)


def test_a_place_that_takes_no_file_is_no_fault_of_the_tool(
    out: Path, shut: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = Path(__file__).parents[1] / "sample_frames" / "rig.toml"
    for arguments in (
        ["plan", "end_on", "--copy", str(shut / "my.toml")],
        ["exchange", str(rig), str(shut / "rig.yml")],
        ["compare", str(out), "--design", "--out", str(shut / "plan")],
        ["season", str(out), "--out", str(shut / "s")],
        ["calibrate", str(tmp_path), "--out", str(shut / "rig.toml")],
    ):
        told = refused(arguments, capsys)
        assert str(shut) in told, arguments


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS])
def test_a_full_or_read_only_disk_is_told_in_one_line(
    out: Path, number: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from tracker.commands import season

    def full(args: object) -> int:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(season, "run", full)
    assert os.strerror(number) in refused(["season", str(out)], capsys)


def test_a_season_without_a_chart_does_not_say_that_one_was_written(
    out: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["season", str(out), "--charts", str(tmp_path / "c")]) == 0
    assert "nothing drawn: no bowler has 3 days yet" in capsys.readouterr().out
    assert not (tmp_path / "c").exists()


def test_a_folder_below_a_file_is_told(out: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").write_text("")
    for arguments in (
        ["report", str(out), "--out", str(tmp_path / "r.html"), "--charts", str(tmp_path / "file" / "c")],
        ["simulate", str(tmp_path / "file" / "rehearsal"), "--deliveries", "1"],
    ):
        assert str(tmp_path / "file") in refused(arguments, capsys)


def test_an_example_saved_by_powershell_is_told_how_to_be_saved(
    out: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Windows PowerShell 5.1 redirects in UTF-16 with a byte order mark (its about_Redirection, from memory)."""
    for example, command, suffix in (
        (["targets", "--example", "spin"], ["targets", str(out), "--targets"], "toml"),
        (["season", "--example-limits"], ["season", str(out), "--limits"], "csv"),
    ):
        assert main(example) == 0
        text, file = capsys.readouterr().out, tmp_path / f"mine.{suffix}"
        file.write_bytes(text.encode("utf-16"))
        assert "is not a text file in UTF-8; save it as" in refused([*command, str(file)], capsys)
        file.write_bytes(text.replace("\n", "\r\n").encode("utf-8-sig"))
        assert main([*command, str(file)]) == 0
        capsys.readouterr()


def test_words_that_cannot_be_meant_are_refused(out: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "gun.csv").write_text("delivery,speed_mph\n1,72\n")
    for arguments, says in (
        (["compare", "--design", "--bowlers", "Zoë", "Bo", "Zoë"], "--bowlers names somebody twice: Zoë, Bo, Zoë"),
        (["agree", str(out), str(tmp_path / "gun.csv"), "--gun-m", "nan", "18", "2"], "three numbers, metres"),
        (
            ["check", str(Path(__file__).parents[1] / "sample_frames"), "--heal", str(tmp_path / "rig.txt")],
            "is not a name for a rig file; end it in .toml",
        ),
    ):
        assert says in refused(arguments, capsys)

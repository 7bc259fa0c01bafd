"""`lanepair calibrate` on drawn pictures: the rig, its doubt, its page; and every blunder named in one line."""

import csv
import json
import shutil
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy import stats

from calibration.board import Board
from calibration.doubt import doubt_at
from calibration.errors import InputError
from calibration.folder import read_gray, refuse_other_grid
from calibration.marks import named_mark
from calibration.rehearse import Plan, _held_up
from calibration.rig import Rig, read_rig, write_rig
from tests.drawn import board_picture, lane_picture
from tests.rehearsed import LANE_M, NAMES, camera, found_at
from tracker.cli import main

LENS = (-0.2, 0.06, 0.0005, -0.0003, 0.0)
SIZE = (640, 360)
TRUTH = Rig(*(camera((x, 25.5, 2.4), (0, 11, 0.3), 600, LENS, SIZE) for x in (1.0, -1.0)))
BOARD = Board("chessboard", 9, 6, 0.060)
TOML = """\
[board]
kind = "chessboard"
columns = 9
rows = 6
square_m = 0.060

[images]
left = "left_board"
right = "right_board"

[marks]
file = "marks.csv"

[lane_pictures]
left = "lane_left.png"
right = "lane_right.png"

[left]
exposure_s = 0.001
row_time_s = 1e-5

[right]
exposure_s = 0.001
time_offset_s = 0.0
"""
HOSTILE = "<img src=x onerror=alert(1)> & $7"  # a name that must stay text
FLOOR_M = [(x, y, 0.0) for y in (5.0, 9.0, 13.0, 17.0) for x in (-1.2, 1.2)]


def board_places(rng: np.random.Generator, cameras: tuple[int, ...]) -> tuple[np.ndarray, np.ndarray]:
    plan = Plan(near_m=1.0, far_m=2.5)
    while True:
        at = _held_up(TRUTH.cameras[cameras[0]], BOARD.corners_m, plan, rng)
        rim = at + 1.2 * (at - at.mean(axis=0))
        if all(TRUTH.cameras[i].sees(rim).all() for i in cameras):
            across, down = at[8] - at[0], at[-9] - at[0]
            turn = np.column_stack([across / np.linalg.norm(across), down / np.linalg.norm(down), np.zeros(3)])
            turn[:, 2] = np.cross(turn[:, 0], turn[:, 1])
            return turn, at[0]


def mark_rows(rng: np.random.Generator, rough: bool, junior: bool = False) -> list[list[str]]:
    rows = []
    for who, own in zip(("left", "right"), TRUTH.cameras, strict=True):
        for name in (*NAMES, *(f"floor {i}" for i in range(len(FLOOR_M)))):
            law = name in NAMES
            place = named_mark(name, junior_stumps=junior)[0] if law else np.array(FLOOR_M[int(name.split()[1])])
            if own.sees(place[None])[0]:
                u, v = own.project(place[None])[0] + rng.normal(0, 1.5 if law and rough else 0.15, 2)
                where = ["", "", ""] if law else [f"{c}" for c in place]
                rows.append(
                    [
                        who,
                        name,
                        f"{u:.2f}",
                        f"{v:.2f}",
                        *where,
                        "" if law and rough else "0.4",
                        str(law and rough).lower(),
                    ]
                )
    return rows


def write_marks(file: Path, rows: list[list[str]]) -> None:
    names = ["camera", "mark", "u_px", "v_px", "x_m", "y_m", "z_m", "sd_px", "approximate"]
    with file.open("w", newline="", encoding="utf-8") as out:
        csv.writer(out).writerows([names, *rows])


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A whole calibration folder, drawn once: only to be copied."""
    folder, rng = tmp_path_factory.mktemp("calibration") / "hall", np.random.default_rng(12)
    (folder / "left_board").mkdir(parents=True)
    (folder / "right_board").mkdir()
    for n, cameras in enumerate([(0, 1)] * 6 + [(0,)] * 5 + [(1,)] * 5):
        turn, first = board_places(rng, cameras)
        for i in cameras:
            picture = board_picture(TRUTH.cameras[i], BOARD, turn, first, rng)
            cv2.imwrite(str(folder / f"{('left', 'right')[i]}_board" / f"shot{n:02d}.png"), picture)
    for who, own in zip(("left", "right"), TRUTH.cameras, strict=True):
        cv2.imwrite(str(folder / f"lane_{who}.png"), lane_picture(own, rng))
    (folder / "calibration.toml").write_text(TOML, encoding="utf-8")
    rows = [[cell.replace("floor 7", HOSTILE) for cell in row] for row in mark_rows(rng, rough=True)]
    write_marks(folder / "marks.csv", rows)
    return folder


@pytest.fixture
def hall(drawn: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(drawn, tmp_path / "hall"))


@pytest.fixture(scope="module")
def done(drawn: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[int, Path]:
    """The command run once on it."""
    out = tmp_path_factory.mktemp("rig") / "rig.toml"
    return main(["calibrate", str(drawn), "--out", str(out)]), out


def refused(folder: Path, capsys: pytest.CaptureFixture[str], *more: str) -> str:
    """The one line on stderr of a calibration that is refused; nothing is written."""
    out = folder.parent / "rig.toml"
    capsys.readouterr()
    assert main(["calibrate", str(folder), "--out", str(out), *more]) == 2
    line = [x for x in capsys.readouterr().err.splitlines() if x.startswith("lanepair:")]
    assert len(line) == 1
    assert not list(folder.parent.glob("rig*"))
    return line[0]


def close_to_truth(rig: Rig) -> None:
    for place in LANE_M:
        error, cov = found_at(rig, TRUTH, place) - place, doubt_at(rig, place[None])
        assert error @ np.linalg.solve(cov, error) < stats.chi2.ppf(0.9999, 3)
        assert np.linalg.norm(error) < 0.15


def test_the_rig_is_the_one_that_took_the_pictures(done: tuple[int, Path]) -> None:
    code, out = done
    assert code == 0
    rig = read_rig(out)
    close_to_truth(rig)
    assert rig.calibrated is not None
    assert (rig.left.time_offset_s, rig.right.time_offset_s) == (None, 0.0)
    assert (rig.left.row_time_s, rig.left.exposure_s) == (1e-5, 0.001)
    assert len(rig.names) >= 28


def test_what_is_kept_beside_the_rig(done: tuple[int, Path], drawn: Path) -> None:
    out = done[1]
    notes = read_rig(out).notes
    for who in ("left", "right"):
        kept = out.parent / notes["lane_pictures"][who]
        assert np.array_equal(cv2.imread(str(kept)), cv2.imread(str(drawn / f"lane_{who}.png")))
    assert {m["mark"] for m in notes["marks"]} >= {"S_pop_x_return_off", "floor 3"}
    assert notes["verdict"]["worst"] in ("pass", "doubtful")
    assert len(notes["verdict"]["bounce_sd_m"]) == 3
    assert not list(out.parent.glob("*.part"))


def test_the_page_stands_alone_and_the_numbers_say_the_same(done: tuple[int, Path]) -> None:
    out = done[1]
    page = (out.parent / "rig_calibration.html").read_text(encoding="utf-8")
    assert page.count("data:image/") >= 8
    for reach in ("http://", "https://", "<script", "<link", 'src="rig'):
        assert reach not in page.replace("http://www.w3.org", "")
    assert HOSTILE not in page and "&lt;img src=x onerror=alert(1)&gt; &amp; $7" in page
    facts = json.loads((out.parent / "rig_calibration.json").read_text(encoding="utf-8"))
    assert facts["verdict"] in page
    assert set(facts["places"]) == {"release", "bounce", "stumps"}
    assert {c["verdict"] for c in facts["checks"]} <= {"pass", "doubtful", "fail"}
    found = [f for f in facts["rough_clicks"] if not f["problem"]]
    assert len(found) >= 0.9 * len(facts["rough_clicks"]) >= 20
    miss = []
    for f in found:
        own = TRUTH.cameras[("left", "right").index(f["camera"])]
        miss.append(np.array(f["px"]) - own.project(named_mark(f["mark"])[0][None])[0])
    assert np.sqrt(np.mean(np.square(miss))) < 0.25  # clicked with 1.5 px of noise


def boards_away(folder: Path, first: str) -> None:
    """Take the board pictures out of a folder, put `first` for [board] and [images], and make the clicks careful."""
    for name in ("left_board", "right_board"):
        shutil.rmtree(folder / name, ignore_errors=True)
    (folder / "calibration.toml").write_text(first + TOML[TOML.index("[marks]") :], encoding="utf-8")
    write_marks(folder / "marks.csv", mark_rows(np.random.default_rng(3), rough=False))


def test_lenses_are_kept_when_asked(done: tuple[int, Path], hall: Path, tmp_path: Path) -> None:
    old = read_rig(done[1])
    out = tmp_path / "new.toml"
    boards_away(hall, '[lenses]\nfile = "old.toml"\n')
    write_rig(hall / "old.toml", old)
    assert main(["calibrate", str(hall), "--out", str(out), "--keep-lenses"]) == 0
    new = read_rig(out)
    assert new.left.lens.matrix == pytest.approx(old.left.lens.matrix, rel=1e-12)
    assert {n for n in new.names if ".f" in n} == {n for n in old.names if ".f" in n}  # their doubt came along
    close_to_truth(new)
    # a rig that is already there lends its lenses too, and is replaced
    boards_away(hall, "[board]\nkind = 'chessboard'\ncolumns = 9\nrows = 6\nsquare_m = 0.06\n")
    assert main(["calibrate", str(hall), "--out", str(out), "--keep-lenses"]) == 0


def test_a_junior_wicket_is_remembered(done: tuple[int, Path], hall: Path, tmp_path: Path) -> None:
    """Marks where a junior wicket has them (Law 8, junior clause of the 2000 code: 8 in wide, 27 in high)."""
    out = tmp_path / "new.toml"
    boards_away(hall, '[lenses]\nfile = "old.toml"\n')
    write_rig(hall / "old.toml", read_rig(done[1]))
    write_marks(hall / "marks.csv", mark_rows(np.random.default_rng(3), rough=False, junior=True))
    assert main(["calibrate", str(hall), "--out", str(out), "--junior-stumps"]) == 0
    assert read_rig(out).junior_stumps and not read_rig(done[1]).junior_stumps
    # lenses kept from such a rig bring its wickets along
    assert main(["calibrate", str(hall), "--out", str(out), "--lenses", str(out)]) == 0
    assert read_rig(out).junior_stumps
    close_to_truth(read_rig(out))
    tops = [m["z_m"] for m in read_rig(out).notes["marks"] if m["mark"].endswith("_top")]
    assert tops and tops == pytest.approx([27 * 0.0254] * len(tops))


def test_other_programs_forms_are_written_and_kept_from(done: tuple[int, Path], hall: Path, tmp_path: Path) -> None:
    boards_away(hall, '[lenses]\nfile = "none.toml"\n')
    write_rig(hall / "none.toml", TRUTH)
    write_rig(tmp_path / "exact.toml", replace(read_rig(done[1]), names=(), cov=np.zeros((0, 0))))
    out, also = tmp_path / "rig.toml", tmp_path / "pair.yml"
    exact = ["--lenses", str(tmp_path / "exact.toml"), "--opencv", str(also)]
    assert main(["calibrate", str(hall), "--out", str(out), *exact]) == 0
    facts = json.loads((tmp_path / "rig_calibration.json").read_text())
    assert any("came without a covariance" in c["advice"] for c in facts["checks"])
    again = tmp_path / "again.toml"
    assert main(["calibrate", str(hall), "--out", str(again), "--lenses", str(also)]) == 0
    place = LANE_M[2]
    assert found_at(read_rig(again), TRUTH, place) == pytest.approx(found_at(read_rig(out), TRUTH, place), abs=1e-6)


def test_wrong_squares_are_told_and_fail(hall: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # 3 % too large: distances by the board come out too long
    (hall / "calibration.toml").write_text(TOML.replace("square_m = 0.060", "square_m = 0.0618"), encoding="utf-8")
    write_marks(hall / "marks.csv", mark_rows(np.random.default_rng(3), rough=False))
    assert main(["calibrate", str(hall), "--out", str(tmp_path / "rig.toml")]) == 1
    told = capsys.readouterr().out
    assert "too long against your lane marks" in told and "measure across ten squares again" in told
    share = float(told.split("distances by the board are ")[1].split(" %")[0])
    assert share == pytest.approx(3.0, abs=0.8)
    close_to_truth(read_rig(tmp_path / "rig.toml"))


CASES = {
    "unit of the square": (("square_m = 0.060", "square_m = 60"), "did you mean 0.06 (60 mm)"),
    "unknown key": (("square_m", "squares_m"), 'unknown key "board.squares_m"; did you mean "square_m"'),
    "unknown table": (("[marks]", "[mark]"), "did you mean"),
    "no board, no lenses": ((TOML[: TOML.index("[images]")], ""), "neither [board] nor [lenses]"),
    "kind": (('"chessboard"', '"chequers"'), "board.kind is 'chequers'"),
    "rows": (("rows = 6", "rows = true"), "board.rows is True"),
    "half a row": (("rows = 6", "rows = 6.5"), "columns and rows are whole numbers"),
    "no folder": (('left = "left_board"', 'left = "board_left"'), "the folder board_left is not there"),
    "no picture": (('"lane_left.png"', '"lane.png"'), "lane_pictures.left names 'lane.png'"),
    "exposure": (("exposure_s = 0.001\nrow", "exposure_s = -1\nrow"), "left.exposure_s is -1"),
    "not TOML": (("[board]", "[board"), "not valid TOML"),
}


@pytest.mark.parametrize("case", CASES)
def test_a_wrong_calibration_toml_is_refused(case: str, hall: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (old, new), words = CASES[case]
    assert old in TOML
    (hall / "calibration.toml").write_text(TOML.replace(old, new, 1), encoding="utf-8")
    line = refused(hall, capsys)
    assert words in line and "calibration.toml" in line


def test_an_empty_picture_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "view.png").touch()
    with pytest.raises(InputError, match="not a picture that can be read"):
        read_gray(tmp_path / "view.png")


MARKS = {
    "unknown mark": (["left", "S_pop_x_retrun_off", "100", "100", "", "", ""], 'did you mean "S_pop_x_return_off"'),
    "camera": (["middle", "S_stump_mid_top", "100", "100", "", "", ""], "left or right is needed"),
    "not clicked": (["left", "S_stump_mid_base", "", "", "", "", ""], "fill in u_px and v_px, or delete the row"),
    "pixel": (["left", "S_stump_mid_base", "abc", "100", "", "", ""], "u_px is 'abc'"),
    "millimetres": (["left", "own", "100", "100", "1320.8", "1219.2", "0"], "did you mean mm?"),
    "outside": (["left", "S_stump_mid_base", "1200", "100", "", "", ""], "outside the left picture of 640x360"),
    "twice": (["left", "S_stump_mid_top", "100", "100", "", "", ""], "S_stump_mid_top is there twice"),
    "half a place": (["left", "own", "100", "100", "1.0", "", "0"], "y_m is ''"),
}


@pytest.mark.parametrize("case", MARKS)
def test_a_wrong_row_of_marks_is_refused(case: str, hall: Path, capsys: pytest.CaptureFixture[str]) -> None:
    row, words = MARKS[case]
    write_marks(hall / "marks.csv", [*mark_rows(np.random.default_rng(1), rough=False), [*row, "", ""]])
    line = refused(hall, capsys)
    assert words in line and "marks.csv" in line


def test_pictures_of_two_sizes_are_refused(hall: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = hall / "left_board" / "shot03.png"
    cv2.imwrite(str(file), cv2.resize(cv2.imread(str(file)), (1280, 720)))
    assert "shot03.png: is 1280x720, the others 640x360; use one video mode" in refused(hall, capsys)


def test_a_lane_picture_of_another_mode_is_refused(hall: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = hall / "lane_right.png"
    cv2.imwrite(str(file), cv2.resize(cv2.imread(str(file)), (1280, 720)))
    assert "is 1280x720, the right pictures of the board are 640x360" in refused(hall, capsys)


def test_a_lens_of_another_mode_is_refused(hall: Path, capsys: pytest.CaptureFixture[str]) -> None:
    old = TRUTH
    lens = replace(old.left.lens, image_size_px=(4000, 3000))
    write_rig(hall / "photo.toml", replace(old, left=replace(old.left, lens=lens)))
    line = refused(hall, capsys, "--lenses", str(hall / "photo.toml"))
    assert "the lens is for 4000x3000 pictures, these are 640x360; film the board in the same video mode" in line


@pytest.mark.slow
def test_exchanged_board_folders_are_refused(hall: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = TOML.replace('left = "left_board"\nright = "right_board"', 'left = "right_board"\nright = "left_board"')
    (hall / "calibration.toml").write_text(text, encoding="utf-8")
    assert "left and right exchanged: the board folders" in refused(hall, capsys)


def test_too_few_marks_are_refused(hall: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_marks(hall / "marks.csv", mark_rows(np.random.default_rng(1), rough=False)[:3])
    assert "3 marks in the left picture and 0 in the right: mark at least 4" in refused(hall, capsys)


def test_keeping_lenses_needs_some(hall: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "name a file with --lenses" in refused(hall, capsys, "--keep-lenses")


def test_a_picture_that_is_none_is_refused(hall: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (hall / "left_board" / "shot00.png").write_bytes(b"not a picture")
    assert "shot00.png: is not a picture that can be read" in refused(hall, capsys)


def test_squares_counted_for_corners_are_refused(hall: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("left_board", "right_board"):
        for file in sorted((hall / name).iterdir())[3:]:
            file.unlink()
    (hall / "calibration.toml").write_text(TOML.replace("columns = 9\nrows = 6", "columns = 10\nrows = 7"))
    assert "9 x 6 inner corners, the settings say 10 x 7: count inner corners" in refused(hall, capsys)


@pytest.mark.slow
def test_a_board_with_fewer_rows_than_stated_is_refused(hall: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (hall / "calibration.toml").write_text(TOML.replace("rows = 6", "rows = 7"), encoding="utf-8")
    line = refused(hall, capsys)
    assert "9 x 6 inner corners, the settings say 9 x 7: count inner corners, not squares" in line


def test_the_same_part_of_a_board_in_nearly_every_picture_is_another_board() -> None:
    # a mistaken whole board or two among them do not save it
    board = Board("chessboard", 9, 7, 0.06)
    with pytest.raises(InputError) as told:
        refuse_other_grid(Path("left_board"), board, [(9, 6)] * 17, 19)
    assert str(told.value) == (
        "left_board: 17 of 19 pictures show 9 x 6 inner corners, the settings say 9 x 7; "
        "count inner corners, not squares"
    )
    refuse_other_grid(Path("left_board"), board, [(9, 6), (8, 7), (9, 5), (7, 5)], 19)

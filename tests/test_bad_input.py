"""`lanepair track` on wrong input: one clear line, exit code 2, and the earlier results stay as they were.

Damaged films are measured as far as they go (exit 1). The films are a still, made-up hall; nothing is bowled in it.
"""

import shutil
from collections.abc import Callable
from concurrent.futures import CancelledError
from dataclasses import replace
from pathlib import Path
from threading import Event

import cv2
import numpy as np
import pytest

from calibration.rig import Rig, write_rig
from tests.small_films import Scene, pictures, write_film
from tracker import pipeline
from tracker.cli import main

SESSION = """\
name = "Invented, nothing bowled"
date = 2026-11-12
rig = "rig.toml"
log = "log.csv"

[[clips]]
left = "left.mp4"
right = "right.mp4"
"""
LOG = "delivery,bowler,arm,batter_hand,side\n"
SIZE = (640, 360)


@pytest.fixture(scope="module")
def small_rig(rig: Rig) -> Rig:
    """The end-on pair, seen through a third of the pixels."""

    def shrunk(camera):
        matrix = camera.lens.matrix / 3
        matrix[2, 2] = 1
        return replace(camera, lens=replace(camera.lens, image_size_px=SIZE, matrix=matrix))

    return replace(rig, left=shrunk(rig.left), right=shrunk(rig.right))


@pytest.fixture(scope="module")
def still(tmp_path_factory: pytest.TempPathFactory, small_rig: Rig) -> Path:
    """A session in which nothing is bowled: two films of a quarter of a second."""
    folder = tmp_path_factory.mktemp("still") / "session"
    folder.mkdir()
    for seed, view in enumerate(("left", "right")):
        scene = Scene(size=SIZE, frames=60)
        write_film(folder / f"{view}.mp4", pictures(scene, np.random.default_rng(seed)), 240.0)
    write_rig(folder / "rig.toml", small_rig)
    (folder / "session.toml").write_text(SESSION)
    (folder / "log.csv").write_text(LOG)
    return folder


@pytest.fixture
def session(still: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(still, tmp_path / "session"))


def replaced(name: str, old: str, new: str) -> Callable[[Path], None]:
    """A change of one text file of the session."""

    def change(session: Path) -> None:
        text = (session / name).read_text()
        assert old in text
        (session / name).write_text(text.replace(old, new, 1))

    return change


def text_named_mp4(session: Path) -> None:
    (session / "left.mp4").write_text("this is no film\n" * 100)


def empty_file(session: Path) -> None:
    (session / "right.mp4").write_bytes(b"")


def no_frames(session: Path) -> None:
    write_film(session / "right.mp4", iter([np.zeros(SIZE[::-1])]), 240.0)
    whole = (session / "right.mp4").read_bytes()
    start = whole.index(b"mdat") + 4
    (session / "right.mp4").write_bytes(whole[:start] + b"\0" * (len(whole) - start))


def other_size(session: Path) -> None:
    scene = Scene(size=(320, 180), frames=10)
    write_film(session / "left.mp4", pictures(scene, np.random.default_rng(1)), 240.0)


def on_its_side(session: Path) -> None:
    scene = Scene(size=SIZE[::-1], frames=10)
    write_film(session / "left.mp4", pictures(scene, np.random.default_rng(1)), 240.0)


def looking_away(session: Path) -> None:
    lines = (session / "rig.toml").read_text().splitlines()
    for name, value in (("rotation_vector", "[0.0, 0.0, 0.0]"), ("translation_m", "[0.0, 0.0, -9.0]")):  # up, from 9 m
        at = next(i for i, line in enumerate(lines) if line.startswith(name))
        lines[at] = f"{name} = {value}"
    (session / "rig.toml").write_text("\n".join(lines))


def later_clip_wrong(session: Path) -> None:
    text = (session / "session.toml").read_text()
    (session / "session.toml").write_text(f'{text}\n[[clips]]\nleft = "left.mp4"\nright = "log.csv"\n')


def stated(line: str) -> Callable[[Path], None]:
    """A line added to the clip."""
    return replaced("session.toml", 'right = "right.mp4"', f'right = "right.mp4"\n{line}')


WRONG = {
    "film missing": (lambda s: (s / "left.mp4").unlink(), "left.mp4: no such file"),
    "text named .mp4": (text_named_mp4, "left.mp4: is not a film that can be read"),
    "empty film": (empty_file, "right.mp4: "),
    "no frames": (no_frames, "right.mp4: "),
    "image size": (other_size, "left.mp4: is 320 x 180 pixels, the rig was calibrated for 640 x 360"),
    "film on its side": (on_its_side, "rig was calibrated for 640 x 360; films are measured as stored, not as shown"),
    "broken TOML": (replaced("session.toml", "rig = ", "rig "), "session.toml: is not valid TOML: "),
    "unknown key": (replaced("session.toml", "rig =", "rigg ="), 'unknown key "rigg"; did you mean "rig"?'),
    "missing column": (replaced("log.csv", "batter_hand", "hand"), 'log.csv: the column "batter_hand" is missing'),
    "wrong date": (
        replaced("session.toml", "2026-11-12", '"yesterday"'),
        "date is 'yesterday'; write year, month, day",
    ),
    "negative fps": (stated("fps = -240"), "clip 1: fps is -240"),
    "contradicting fps": (stated("fps = 100"), "fps is stated as 100"),
    "no rotation": (replaced("rig.toml", "rotation_vector = [", "rotation_vector = [90"), "which is no rotation"),
    "camera looks away": (looking_away, "rig.toml: the left camera sees none of the lane"),
    "later clip wrong": (later_clip_wrong, "log.csv: is not a film that can be read"),
    "rig missing": (lambda s: (s / "rig.toml").unlink(), "rig.toml: no such file"),
    "no session": (lambda s: (s / "session.toml").unlink(), "session.toml: no such file"),
}


@pytest.mark.parametrize("fault", WRONG)
def test_wrong_input_is_one_line_and_leaves_earlier_results(
    fault: str, session: Path, out: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spoil, line = WRONG[fault]
    spoil(session)
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    assert main(["track", str(session), "--out", str(out)]) == 2
    told = capsys.readouterr().err
    assert told.startswith("lanepair: ") and told.count("\n") == 1, told
    assert line in told
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before


def test_a_broken_line_is_named(session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    replaced("session.toml", "rig = ", "rig ")(session)
    assert main(["track", str(session), "--out", str(tmp_path / "out")]) == 2
    assert "at line 3" in capsys.readouterr().err


def test_an_out_that_is_no_run_is_refused_before_any_work(
    session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").write_text("precious")
    assert main(["track", str(session), "--out", str(tmp_path / "mine")]) == 2
    assert "mine: holds something other than a run" in capsys.readouterr().err
    assert [p.name for p in (tmp_path / "mine").iterdir()] == ["notes.txt"]


def test_a_film_in_which_nothing_is_bowled_has_no_deliveries(session: Path, tmp_path: Path) -> None:
    assert main(["track", str(session), "--out", str(tmp_path / "out"), "--quiet"]) == 0
    lines = (tmp_path / "out" / "deliveries.csv").read_text().splitlines()
    assert len(lines) == 1 and lines[0].startswith("session,date,delivery")


def test_a_log_that_disagrees_is_said_and_needs_a_look(
    session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (session / "log.csv").write_text(f"{LOG}1,Invented A,right,left,over\n")
    assert main(["track", str(session), "--out", str(tmp_path / "out")]) == 1
    told = " ".join(capsys.readouterr().out.split())
    assert "clip 1: 0 deliveries found, 1 in the log, 1 fewer than logged" in told


def test_a_truncated_film_is_measured_as_far_as_it_goes(
    session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A transport stream cut in the middle: its first half decodes."""
    scene = Scene(size=SIZE, frames=60)
    write_film(session / "left.ts", pictures(scene, np.random.default_rng(0)), 240.0)
    whole = (session / "left.ts").read_bytes()
    (session / "left.ts").write_bytes(whole[: len(whole) // 2])
    replaced("session.toml", "left.mp4", "left.ts")(session)
    code = main(["track", str(session), "--out", str(tmp_path / "out")])
    told = "".join(capsys.readouterr().out.split())  # a long path may be broken at a line's end
    assert (tmp_path / "out" / "run.json").exists()
    assert code == 1 and "left.ts" in told


def test_pictures_in_a_folder_are_a_film(session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for view in ("left", "right"):
        (session / view).mkdir()
        scene = Scene(size=SIZE, frames=6)
        for k, picture in enumerate(pictures(scene, np.random.default_rng(0))):
            cv2.imwrite(str(session / view / f"frame_{k + 7:04d}.png"), np.clip(picture, 0, 255).astype(np.uint8))
    text = SESSION.replace("left.mp4", "left").replace("right.mp4", "right") + "fps = 240\n"
    (session / "session.toml").write_text(text)
    assert main(["track", str(session), "--out", str(tmp_path / "out"), "--quiet"]) == 0
    (session / "left" / "frame_0009.png").write_text("no picture")
    (session / "left" / "frame_0007.png").write_text("no picture")
    assert main(["track", str(session), "--out", str(tmp_path / "out2"), "--quiet"]) == 2
    assert "frame_0007.png: is not a picture that can be read" in capsys.readouterr().err


def test_stopped_by_hand_neither_film_is_read_to_its_end(
    session: Path, out: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Ctrl-C while the left film is read; the right one would go on for as long as hours of film take."""
    stopped, begun = [], Event()

    def read(film, camera, view, offset, colour, settings, on_frame):
        if view == 0:
            assert begun.wait(60)
            raise KeyboardInterrupt
        begun.set()
        try:
            for _ in range(200):
                for frame in film:
                    on_frame(frame)
        except CancelledError:
            stopped.append(view)
            raise

    monkeypatch.setattr(pipeline, "see", read)
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    assert main(["track", str(session), "--out", str(out), "--quiet"]) == 130
    assert stopped == [1] and "stopped; earlier results are as they were" in capsys.readouterr().err
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before

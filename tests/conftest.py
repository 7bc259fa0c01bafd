"""Named situations shared by the tests; outside data are skipped, saying so, where they are not there."""

import os
import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.camera import Camera, Lens
from calibration.rig import Rig, write_rig
from tests.invented import end_on_rig
from tests.invented_run import invented_run
from tracker.records import Run
from tracker.session.folder import read_session
from tracker.session.runs import whole_folder, write_run

REFERENCE = Path(__file__).parent / "reference"

SESSION_TOML = """\
name = "Invented net session"
date = 2026-11-12
rig = "rig.toml"
log = "log.csv"

[[clips]]
left = "one_left.mp4"
right = "one_right.mp4"

[[clips]]
left = "two_left.mp4"
right = "two_right.mp4"
"""
LOG_CSV = """\
delivery,bowler,arm,batter_hand,side,clip,plan,note
1,Invented A,right,right,over,1,good,
2,Invented A,right,left,round,1,good,"=1+1, ""quoted"" é"
3,Invented B,left,,over,2,full,
"""


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20261112)


@pytest.fixture(scope="session")
def rig() -> Rig:
    """An end-on pair high behind the bowler."""
    return end_on_rig()


@pytest.fixture
def camera() -> Camera:
    """Level, from the bowler's end, for small films of 640 x 360."""
    lens = Lens((640, 360), np.array([[600.0, 0, 319.5], [0, 600.0, 179.5], [0, 0, 1]]), np.zeros(5))
    level = cv2.Rodrigues(np.array([[-1.0, 0, 0], [0, 0, -1.0], [0, -1.0, 0]]))[0].ravel()
    return Camera(lens, level, np.zeros(3), 0.0, 0.0, 0.001)


def lay_session(folder: Path, rig: Rig) -> Path:
    """A session of two clips and three logged balls whose films are only names: enough for what lies on disk."""
    folder.mkdir()
    (folder / "session.toml").write_text(SESSION_TOML, encoding="utf-8")
    (folder / "log.csv").write_text(LOG_CSV, encoding="utf-8")
    write_rig(folder / "rig.toml", rig)
    for name in ("one_left", "one_right", "two_left", "two_right"):
        (folder / f"{name}.mp4").write_bytes(name.encode())
    return folder


@pytest.fixture
def session_folder(tmp_path: Path, rig: Rig) -> Path:
    return lay_session(tmp_path / "session", rig)


@pytest.fixture(scope="session")
def run(rig: Rig) -> Run:
    """An invented run of that session: never change its arrays."""
    return invented_run(np.random.default_rng(20261112), rig)


@pytest.fixture(scope="session")
def written(tmp_path_factory: pytest.TempPathFactory, rig: Rig, run: Run) -> Path:
    """The folder that `track` would write of it: only to be read."""
    place = tmp_path_factory.mktemp("invented")
    session = read_session(lay_session(place / "session", rig))
    with whole_folder(place / "out") as folder:
        write_run(folder, session, run)
    return place / "out"


@pytest.fixture
def out(tmp_path: Path, written: Path) -> Path:
    """A copy of it to change."""
    return Path(shutil.copytree(written, tmp_path / "out"))


@pytest.fixture(scope="session")
def outside_data() -> Path:
    """Open data from elsewhere, in the folder that LANEPAIR_DATA names."""
    place = os.environ.get("LANEPAIR_DATA", "")
    if not place:
        pytest.skip("LANEPAIR_DATA is not set: the outside data are not here")
    if not Path(place).is_dir():
        pytest.fail(f"LANEPAIR_DATA names {place}, which is no folder")
    return Path(place)

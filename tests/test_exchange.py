"""Lenses and poses to and from other programs' forms: read by OpenCV and PyYAML themselves, and back again."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import yaml

from calibration.errors import InputError, LanepairError
from calibration.exchange import between, read_exchange, write_kalibr, write_opencv
from calibration.rig import Rig, write_rig
from tests.rehearsed import RIGS
from tracker.cli import main

PICTURES = Path(__file__).parent / "data" / "opencv_stereo_chessboard"  # files of OpenCV's own samples
PAIR = RIGS["end on"]


def four_terms(rig: Rig) -> Rig:
    lenses = [replace(c.lens, distortion=np.r_[c.lens.distortion[:4], 0.0]) for c in rig.cameras]
    left, right = (replace(c, lens=lens) for c, lens in zip(rig.cameras, lenses, strict=True))
    return replace(rig, left=left, right=right)


@pytest.mark.parametrize("ending", [".yml", ".yaml", ".xml"])
def test_opencv_reads_what_we_write(ending: str, tmp_path: Path) -> None:
    file = tmp_path / f"pair{ending}"
    write_opencv(file, PAIR)
    store = cv2.FileStorage(str(file), cv2.FILE_STORAGE_READ)
    for i, camera in enumerate(PAIR.cameras, start=1):
        assert store.getNode(f"M{i}").mat() == pytest.approx(camera.lens.matrix)
        assert store.getNode(f"D{i}").mat().ravel() == pytest.approx(camera.lens.distortion)
    turn, shift = store.getNode("R").mat(), store.getNode("T").mat().ravel()
    assert int(store.getNode("image_width").real()) == 1920
    # R and T take the left camera's coordinates to the right one's
    point = np.array([0.3, 9.0, 1.0])
    left, right = (c.R @ point + c.translation_m for c in PAIR.cameras)
    assert turn @ left + shift == pytest.approx(right)
    assert np.linalg.norm(shift) == pytest.approx(2.4)  # the cameras stand 2.4 m apart


@pytest.mark.parametrize("ending", [".yml", ".xml"])
def test_the_whole_pair_comes_back_from_opencvs_form(ending: str, tmp_path: Path) -> None:
    write_opencv(tmp_path / f"pair{ending}", PAIR)
    back = read_exchange(tmp_path / f"pair{ending}")
    assert back.rig is not None and back.turn is not None and back.shift_m is not None
    assert np.vstack([back.turn, back.shift_m]) == pytest.approx(np.vstack(between(PAIR)))
    for own, other in zip(back.rig.cameras, PAIR.cameras, strict=True):
        assert own.lens.image_size_px == other.lens.image_size_px
        assert own.project(np.array([[0.3, 9.0, 1.0]])) == pytest.approx(other.project(np.array([[0.3, 9.0, 1.0]])))


def test_kalibrs_form_goes_and_comes(tmp_path: Path) -> None:
    pair, file = four_terms(PAIR), tmp_path / "camchain.yaml"
    write_kalibr(file, pair)
    plain = yaml.safe_load(file.read_text())
    assert plain["cam0"]["camera_model"] == "pinhole" and plain["cam0"]["distortion_model"] == "radtan"
    assert plain["cam1"]["resolution"] == [1920, 1080]
    step = np.array(plain["cam1"]["T_cn_cnm1"])
    point = np.array([0.3, 9.0, 1.0])
    left, right = (c.R @ point + c.translation_m for c in pair.cameras)
    assert (step @ np.r_[left, 1.0])[:3] == pytest.approx(right)
    back = read_exchange(file)
    for lens, camera in zip(back.lenses, pair.cameras, strict=True):
        assert lens is not None
        assert lens.matrix == pytest.approx(camera.lens.matrix)
        assert lens.distortion == pytest.approx(camera.lens.distortion)


def test_kalibrs_form_has_no_room_for_a_fifth_term(tmp_path: Path) -> None:
    with pytest.raises(LanepairError, match="four terms"):
        write_kalibr(tmp_path / "camchain.yaml", PAIR)
    assert not list(tmp_path.iterdir())


def test_opencvs_own_samples_are_read() -> None:
    single = read_exchange(PICTURES / "left_intrinsics.yml")
    assert single.lenses[1] is None and single.lenses[0] is not None
    assert single.lenses[0].matrix[0, 0] == pytest.approx(535.91573396163199)
    assert single.lenses[0].image_size_px == (640, 480)
    pair = read_exchange(PICTURES / "intrinsics.yml", ((640, 480), (640, 480)))
    assert [lens.matrix[0, 2] for lens in pair.lenses if lens] == pytest.approx(
        [335.68643204394891, 334.55744527912015]
    )


def test_a_plain_camera_file_is_read(outside_data: Path) -> None:
    # the form of a well-known robot system's camera_info; values as in the file (three_camera_ball_flights)
    file = outside_data / "three_camera_ball_flights" / "22276209_calibration.yaml"
    (lens, other) = read_exchange(file).lenses
    assert other is None and lens is not None
    assert lens.image_size_px == (1280, 1024)
    assert lens.matrix[0] == pytest.approx([1284.01914, 0, 631.046669])
    assert lens.distortion == pytest.approx([-0.20069138, -0.04660679, 0.0043649, -0.00115257, 0.8032512])


def test_rig_toml_is_read_with_its_covariance(tmp_path: Path) -> None:
    write_rig(tmp_path / "old.toml", replace(PAIR, names=("left.fx",), cov=np.array([[4.0]])))
    back = read_exchange(tmp_path / "old.toml")
    assert back.rig is not None and back.rig.names == ("left.fx",)


BAD = {
    "no lens": ("%YAML:1.0\n---\nframes: 13\n", "tells no lens"),
    "no size": ("%YAML:1.0\n---\nM1: !!opencv-matrix\n   rows: 3\n   cols: 3\n   dt: d\n"
                "   data: [ 500., 0., 320., 0., 500., 240., 0., 0., 1. ]\n", "picture's size"),
    "fisheye": ("cam0:\n  camera_model: pinhole\n  distortion_model: equidistant\n  intrinsics: [500, 500, 320, 240]\n"
                "  distortion_coeffs: [0, 0, 0, 0]\n  resolution: [640, 480]\n", "pinhole with equidistant"),
    "no resolution": ("cam0:\n  intrinsics: [500, 500, 320, 240]\n", "no resolution"),
    "list": ("- 1\n- 2\n", "not a table"),
    "broken": ("cam0: [1, 2\n", "cannot be read"),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD)
def test_what_is_no_lens_file_is_refused_in_a_line(case: str, tmp_path: Path) -> None:
    text, words = BAD[case]
    (tmp_path / "lens.yaml").write_text(text)
    with pytest.raises(InputError, match=words) as refusal:
        read_exchange(tmp_path / "lens.yaml")
    assert str(refusal.value).startswith(str(tmp_path / "lens.yaml"))


def test_another_pictures_size_is_refused(tmp_path: Path) -> None:
    # a lens file made from photos, films in another mode
    write_opencv(tmp_path / "lens.yml", PAIR)
    with pytest.raises(InputError, match=r"for 1920x1080 pictures, these are 1280x720.*same video mode"):
        read_exchange(tmp_path / "lens.yml", ((1280, 720), (1280, 720)))


@pytest.mark.parametrize(
    "command",
    [
        "exchange RIG gone/new.yml",
        "exchange RIG gone/new.toml",
        "plan side --copy gone/new.toml",
        "calibrate HERE --out new.toml --opencv gone/new.yml",
        "check SESSION --heal gone/new.toml",
    ],
)
def test_a_file_in_a_folder_that_is_not_there_is_refused_before_the_work(
    command: str, session_folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(session_folder)
    places = {"RIG": "rig.toml", "HERE": ".", "SESSION": "."}
    assert main([places.get(word, word) for word in command.split()]) == 2
    told = capsys.readouterr().err
    assert "its folder is not there; make the folder first" in told and told.startswith("lanepair: gone/new.")

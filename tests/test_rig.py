"""rig.toml: what is written is read, and what is wrong is refused in a line that names the key."""

import datetime as dt
import tomllib
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.errors import InputError, LanepairError
from calibration.rig import Rig, parameter_names, parse_rig, read_rig, rig_text, write_rig

SMALL = """\
format = "lanepair-rig"
version = 1
[left]
image_size_px = [1280, 720]
matrix = [[1120.0, 0.0, 640.0], [0.0, 1120.0, 360.0], [0.0, 0.0, 1.0]]
distortion = [0.0, 0.0, 0.0, 0.0]
rotation_vector = [1.6, 0.1, 0.02]
translation_m = [0.0, 1.0, 22.0]
[right]
image_size_px = [1280, 720]
matrix = [[1120.0, 0.0, 640.0], [0.0, 1120.0, 360.0], [0.0, 0.0, 1.0]]
distortion = [0.0, 0.0, 0.0, 0.0]
rotation_vector = [1.6, 0.1, 0.02]
translation_m = [1.0, 1.0, 22.0]
"""
COV = "[covariance]\nnames = "


def test_a_rig_comes_back_number_for_number(rig: Rig, rng: np.random.Generator, tmp_path: Path) -> None:
    names = (*parameter_names("left", rig.left), *parameter_names("right", rig.right))
    root = rng.normal(0, 1e-3, (len(names), 80))
    calibrated = dt.datetime(2026, 11, 12, 9, 30, tzinfo=dt.UTC)
    whole = replace(
        rig, names=names, cov=root @ root.T, calibrated=calibrated, notes={"verdict": "good", "marks": [1, 2]}
    )
    write_rig(tmp_path / "rig.toml", whole)
    again = read_rig(tmp_path / "rig.toml")
    assert again.names == names and again.calibrated == calibrated and again.notes == whole.notes
    np.testing.assert_array_equal(again.cov, whole.cov)
    for a, b in zip(again.cameras, whole.cameras, strict=True):
        np.testing.assert_array_equal(a.lens.matrix, b.lens.matrix)
        np.testing.assert_array_equal(a.rotation_vector, b.rotation_vector)
        np.testing.assert_array_equal(a.translation_m, b.translation_m)
        assert (a.lens.image_size_px, a.row_time_s, a.exposure_s) == (b.lens.image_size_px, b.row_time_s, b.exposure_s)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["rig.toml"]


def test_what_is_left_out_is_as_documented() -> None:
    rig = parse_rig(Path("rig.toml"), tomllib.loads(SMALL))
    assert rig.exact and rig.pitch_length_m == pytest.approx(20.1168) and rig.calibrated is None
    assert rig.left.time_offset_s is None  # absent: unknown
    assert (rig.left.row_time_s, rig.left.exposure_s) == (0.0, 0.0)


def test_a_pose_means_what_opencv_means() -> None:
    """x_camera = R x_lane + t with Rodrigues' R, checked with OpenCV's projectPoints."""
    camera = parse_rig(Path("rig.toml"), tomllib.loads(SMALL)).left
    point = np.array([[0.3, 9.0, 0.7]])
    expected, _ = cv2.projectPoints(
        point, np.array([1.6, 0.1, 0.02]), np.array([0.0, 1.0, 22.0]), camera.lens.matrix, np.zeros(4)
    )
    np.testing.assert_allclose(camera.project(point), expected[:, 0], atol=1e-9)
    turn = cv2.Rodrigues(np.array([1.6, 0.1, 0.02]))[0]
    np.testing.assert_allclose(camera.centre_m, -turn.T @ [0.0, 1.0, 22.0], atol=1e-12)


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ('"lanepair-rig"', '"rig"', 'format is \'rig\'; a rig file has format = "lanepair-rig"'),
        ("version = 1", "version = 2", "version is 2; this program reads version 1"),
        ("version = 1", "version = 1\npich_length_m = 2", 'unknown key "pich_length_m"; did you mean "pitch'),
        ("version = 1", "version = 1\npitch_length_m = 2012", "pitch_length_m is 2012; it is in metres"),
        ("version = 1", 'version = 1\ncalibrated = "today"', "calibrated is not a date with a time"),
        ("version = 1", "version = 1\nnotes = 3", "notes is 3; it is a table: [notes]"),
        ("[right]", "[rihgt]", 'unknown key "rihgt"; did you mean "right"?'),
        ("[left]\n", "[left]\nfps = 3\n", 'unknown key "left.fps"'),
        ("image_size_px = [1280, 720]", "", "left.image_size_px is missing"),
        ("[1280, 720]", "[1280, 0]", "width and height in whole pixels"),
        ("[1280, 720]", "[1280.5, 720]", "width and height in whole pixels"),
        ("[1280, 720]", "[1280]", "left.image_size_px is [1280]; 2 numbers are needed"),
        ("[[1120.0, 0.0, 640.0]", "[[-1120.0, 0.0, 640.0]", "left.matrix is not a camera matrix"),
        ("[[1120.0, 0.0, 640.0]", "[[1120.0, 3.0, 640.0]", "left.matrix has skew 3"),
        ("[0.0, 0.0, 1.0]]", "[0.0, 0.0, 2.0]]", "left.matrix is not a camera matrix"),
        ("[0.0, 0.0, 0.0, 0.0]", "[0.0, 0.0, 0.0]", "left.distortion has 3 terms; 4, 5, 8 or 12 are known"),
        ("[0.0, 0.0, 0.0, 0.0]", "[0.0, nan, 0.0, 0.0]", "left.distortion is"),
        ("[1.6, 0.1, 0.02]", "[91.7, 5.7, 1.1]", "which is no rotation; it is in radians"),
        ("[1.6, 0.1, 0.02]", "[[1, 0, 0], [0, 1, 0], [0, 0, 1]]", "3 numbers are needed"),
        ("[1.6, 0.1, 0.02]", "[inf, 0.1, 0.02]", "left.rotation_vector is [inf, 0.1, 0.02]"),
        ("[0.0, 1.0, 22.0]", '["0", 1.0, "x"]', "left.translation_m is"),
        ("[0.0, 1.0, 22.0]", "[0.0, 1000.0, 22000.0]", "stands 2.202e+04 m from the striker's stumps; did you"),
        ("[right]", "exposure_s = 2\n[right]", "exposure_s 2 or row_time_s 0 is out of range; use seconds"),
        ("[right]", "row_time_s = 15\n[right]", "is out of range; use seconds"),
        ("[right]", "time_offset_s = true\n[right]", "left.time_offset_s is True; a number is needed"),
        ("[right]", f"{COV}[\"left.f\"]\nvalues = [1]\n[right]", 'covariance.names has "left.f"; did you mean'),
        ("[right]", f"{COV}[\"left.k3\"]\nvalues = [1]\n[right]", 'covariance.names has "left.k3"'),
        ("[right]", f"{COV}[\"left.fx\", \"left.fx\"]\nvalues = [1, 0, 1]\n[right]", "a name twice"),
        ("[right]", f"{COV}[\"left.fx\", \"left.fy\"]\nvalues = [1, 0]\n[right]", "3 numbers are needed"),
        ("[right]", f"{COV}[\"left.fx\", \"left.fy\"]\nvalues = [1, 2, 1]\n[right]", "is not a covariance"),
        ("[right]", f"{COV}3\n[right]", "covariance is not a table with names and values"),
        ("format", "covariance = 3\nformat", "covariance is not a table with names and values"),
    ],
)  # fmt: skip
def test_a_wrong_rig_is_refused(tmp_path: Path, old: str, new: str, line: str) -> None:
    assert old in SMALL
    (tmp_path / "rig.toml").write_text(SMALL.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputError) as refusal:
        read_rig(tmp_path / "rig.toml")
    assert str(refusal.value).startswith(f"{tmp_path / 'rig.toml'}: ") and "\n" not in str(refusal.value)
    assert line in str(refusal.value)


def test_anything_in_any_place_is_read_or_refused(rig: Rig) -> None:
    """Every key set to every kind of value: never a fault."""
    base = tomllib.loads(rig_text(replace(rig, names=("left.fx", "right.tx"), cov=np.eye(2), notes={"a": 1})))
    wrong = [True, -1, 0, 1e300, float("nan"), "x", [], [1], [[1]], {}, {"a": 1}, [["a"]], [[1, 2], [3]]]
    places = [(top, key) for top in ("left", "right", "covariance") for key in base[top]]
    for place in [*((top, None) for top in base), *places]:
        for value in wrong:
            table = tomllib.loads(rig_text(replace(rig, names=("left.fx", "right.tx"), cov=np.eye(2), notes={"a": 1})))
            top, key = place
            if key is None:
                table[top] = value
            else:
                table[top][key] = value
            try:
                assert isinstance(parse_rig(Path("rig.toml"), table), Rig)
            except LanepairError as refusal:
                assert "\n" not in str(refusal)

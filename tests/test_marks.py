"""Lane marks: the Laws by name, what a wrong click looks like, and rough clicks found again in drawn pictures."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.errors import LanepairError
from calibration.marks import likely_cause, mark_names, named_mark
from calibration.refine import Refined, Scene, refine_click, refine_marks
from calibration.rehearse import Plan
from calibration.rig import Rig, shifted_camera
from tests.drawn import lane_picture
from tests.rehearsed import ENDS, TOPS, camera, marks_for

TABLE = Path(__file__).parent / "reference" / "pitch_control_points.csv"  # MCC, Laws of Cricket, 2017 Code, Laws 6 to 8
YARD_M = 0.9144


def table() -> dict[str, tuple[float, ...]]:
    with TABLE.open() as file:
        rows = csv.DictReader(line for line in file if not line.startswith("#"))
        return {r["point_id"]: tuple(float(r[k]) for k in ("x_m", "y_m", "z_m")) for r in rows}


def test_every_mark_is_where_the_laws_put_it() -> None:
    wanted = table()
    assert set(mark_names()) == set(wanted)
    for name, place in wanted.items():
        assert named_mark(name)[0] == pytest.approx(place, abs=1e-9)


@given(st.floats(13.0, 21.0))
def test_a_shorter_pitch_moves_the_bowlers_end_only(length_m: float) -> None:
    for name, (x, y, z) in table().items():
        end = length_m - 22 * YARD_M if name.startswith("B_") else 0.0
        assert named_mark(name, length_m)[0] == pytest.approx([x, y + end, z], abs=1e-9)


def test_junior_wickets_are_eight_inches_wide_and_27_high() -> None:
    # Law 8, junior clause (2000 to 2013 text): 8 in wide, 27 in high
    left, right = (named_mark(f"S_wicket_edge_{side}_top", junior_stumps=True)[0] for side in ("leg", "off"))
    assert right[0] - left[0] == pytest.approx(0.2032, abs=1e-4)
    assert right[2] == pytest.approx(0.6858, abs=1e-4)
    outer = named_mark("S_stump_off_top", junior_stumps=True)[0][0]
    assert pytest.approx(outer, abs=1e-4) == 0.1016 - 0.0349 / 2
    assert named_mark("S_stump_mid_base", junior_stumps=True)[0] == pytest.approx(np.zeros(3))


def test_what_the_laws_leave_open_is_loose_in_that_direction_only() -> None:
    # Law 7.3: the popping crease is marked to at least 6 ft either side; 7.4: return creases to at least 8 ft behind
    assert named_mark("S_pop_end_min_off")[1][0] > 0.5 > 0.01 > named_mark("S_pop_end_min_off")[1][1]
    assert named_mark("S_return_rear_leg")[1][1] > 0.5 > 0.01 > named_mark("S_return_rear_leg")[1][0]
    assert named_mark("B_pop_x_return_off")[1].max() < 0.005


def test_a_name_that_is_none_gets_the_nearest() -> None:
    with pytest.raises(LanepairError, match="S_pop_x_return_off"):
        named_mark("S_pop_x_retrun_off")


@pytest.mark.parametrize(
    ("name", "error_m", "words"),
    [
        ("S_pop_x_return_off", (0.002, 0.051, 0.0), "front edge: 50 mm"),  # paint lies toward the pitch's middle
        ("B_bowlcrease_end_leg", (0.0, -0.047, 0.003), "front edge: 50 mm"),
        ("B_pop_x_return_leg", (-0.05, 0.0, 0.0), "outer edge: 50 mm"),
        ("S_stump_off_top", (-0.0953, 0.0, 0.001), "S_stump_mid_top"),
        ("S_stump_mid_top", (0.001, 0.0, -0.025), "junior"),
        ("S_bowlcrease_end_off", (-2.64, 0.01, 0.0), "off and leg"),
        ("S_bowlcrease_end_off", (0.0, -0.05, 0.0), ""),  # behind the crease there is no paint
        ("S_stump_mid_top", (0.01, 0.0, 0.0), ""),
    ],
)
def test_the_likely_cause_of_an_error(name: str, error_m: tuple[float, ...], words: str) -> None:
    told = likely_cause(name, np.array(error_m))
    assert words in told
    assert bool(words) == bool(told)


# --- rough clicks -------------------------------------------------------------------------------------------------

SMALL = (800, 450)
LENS = (-0.25, 0.08, 0.0005, -0.0003, 0.0)


@pytest.fixture(scope="module")
def seen() -> tuple[Rig, list[np.ndarray]]:
    """A pair low behind the bowler and pictures of the empty lane: both ends' marks in view."""
    rig = Rig(
        camera((1.0, 25.5, 2.4), (0, 11, 0.3), 900, LENS, SMALL),
        camera((-1.0, 25.5, 2.4), (0, 11, 0.3), 900, LENS, SMALL),
    )
    rng = np.random.default_rng(8)
    return rig, [lane_picture(c, rng) for c in rig.cameras]


CLICKED = [f"{end}{name}" for end in ("S_", "B_") for name in (*ENDS, *TOPS)]


def test_rough_clicks_come_back_to_the_paint_and_the_stumps(seen: tuple[Rig, list[np.ndarray]]) -> None:
    rig, pictures = seen
    rng = np.random.default_rng(9)
    marks = marks_for(rig, rng, Plan(mark_sd_px=2.0), names=CLICKED, floor=(), sd_m=1e-9)
    # the cameras are known no better than rough clicks let them be
    near = [shifted_camera(c, {"rx": 5e-4, "ry": -5e-4, "tx": 0.005}) for c in rig.cameras]
    fixed, fates = refine_marks(marks, np.ones(len(marks), bool), near, pictures, Scene())
    assert len(fates) >= 16
    assert not [f for f in fates if f.problem]
    true = np.array(
        [rig.cameras[v].project(marks.point_m[m][None])[0] for v, m in zip(marks.view, marks.mark, strict=True)]
    )
    before, after = np.linalg.norm(marks.px - true, axis=1), np.linalg.norm(fixed.px - true, axis=1)
    assert np.sqrt(np.mean(before**2)) > 2.0
    assert np.sqrt(np.mean(after**2)) < 0.35
    whitened = [e @ np.linalg.solve(c, e) for e, c in zip(fixed.px - true, fixed.cov_px2, strict=True)]
    assert np.mean(whitened) < 2 * 3  # 2 degrees of freedom; poses are off by more than the pictures' noise


def test_a_mark_that_is_not_there_is_named(seen: tuple[Rig, list[np.ndarray]]) -> None:
    rig, pictures = seen
    name = "S_pop_x_return_off"
    point = named_mark(name)[0]
    px = rig.left.project(point[None])[0]
    hidden = pictures[0].copy()
    u, v = px.round().astype(int)
    hidden[v - 25 : v + 25, u - 25 : u + 25] = 100 + np.random.default_rng(1).integers(-6, 7, (50, 50))
    click = Refined(name, 0, px, px, np.eye(2) * 4.0, 0.0, "")
    assert "nothing there" in refine_click(click, point, rig.left, hidden, Scene()).problem
    assert not refine_click(click, point, rig.left, pictures[0], Scene()).problem


def test_a_mark_of_ones_own_keeps_its_click(seen: tuple[Rig, list[np.ndarray]]) -> None:
    rig, pictures = seen
    marks = marks_for(rig, np.random.default_rng(3), Plan(), names=(), floor=[(1.2, 6.0, 0.0)])
    same, fates = refine_marks(marks, np.ones(len(marks), bool), rig.cameras, pictures, Scene())
    assert np.array_equal(same.px, marks.px)
    assert all("of the Laws" in f.problem for f in fates)
    assert (
        "no picture" in refine_marks(marks, np.ones(len(marks), bool), rig.cameras, [None, None], Scene())[1][0].problem
    )

"""The lane's fixed numbers against the Laws of Cricket (MCC, 2017 Code) and other published standards.

The table of control points (tests/reference/pitch_control_points.csv) was computed from the Laws' imperial figures
apart from this project; the printed metric figures below are the Laws' own, rounded to a centimetre or, for the
wicket, to a hundredth. Law 7's wording was read in the 2nd edition (2019), Law 8's in texts of 2000 to 2013.
"""

import csv

import numpy as np
import pytest

from calibration import lane
from calibration.marks import mark_names, named_mark
from tests.conftest import REFERENCE


def control_points() -> list[dict[str, str]]:
    lines = (REFERENCE / "pitch_control_points.csv").read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@pytest.mark.parametrize(
    ("value_m", "printed_m", "half_a_digit_m"),
    [
        (lane.PITCH_LENGTH_M, 20.12, 0.005),  # Law 6.1: 22 yards / 20.12 m
        (2 * lane.PITCH_HALF_WIDTH_M, 3.05, 0.005),  # Law 6.1: 10 feet / 3.05 m
        (lane.BOWLING_CREASE_LENGTH_M, 2.64, 0.005),  # Law 7.2: 8 feet 8 inches / 2.64 m
        (lane.POPPING_CREASE_M, 1.22, 0.005),  # Law 7.3: 4 feet / 1.22 m
        (lane.RETURN_CREASE_X_M, 1.32, 0.005),  # Law 7.4: 4 feet 4 inches / 1.32 m
        (lane.RETURN_CREASE_LENGTH_M, 2.44, 0.005),  # Law 7.4: 8 feet / 2.44 m
        (lane.WICKET_WIDTH_M, 0.2286, 0.00005),  # Law 8.1: 9 inches / 22.86 cm
        (lane.STUMP_HEIGHT_M, 0.711, 0.0005),  # Law 8.2: 28 inches / 71.1 cm
        (lane.STUMP_DIAMETER_M, 0.0381, 0.00005),  # Law 8.2: not more than 1.50 inches / 3.81 cm
        (lane.JUNIOR_WICKET_WIDTH_M, 0.2032, 0.00005),  # Law 8, junior clause: 8 inches / 20.32 cm
        (lane.JUNIOR_STUMP_HEIGHT_M, 0.6858, 0.00005),  # Law 8, junior clause: 27 inches / 68.58 cm
        (lane.PROTECTED_AREA_HALF_WIDTH_M, 0.3048, 0.00005),  # Law 41: 1 foot / 30.48 cm either side
        (lane.PROTECTED_AREA_START_M, 1.52, 0.005),  # Law 41: 5 feet / 1.52 m in front of the popping crease
    ],
)
def test_printed_metric_figures(value_m: float, printed_m: float, half_a_digit_m: float) -> None:
    assert value_m == pytest.approx(printed_m, abs=half_a_digit_m)


def test_exact_imperial_figures() -> None:
    """International yard and pound agreement, 1959: 1 yd = 0.9144 m."""
    yard = 0.9144
    assert pytest.approx(22 * yard, abs=1e-12) == lane.PITCH_LENGTH_M
    assert pytest.approx(4 / 3 * yard, abs=1e-12) == lane.POPPING_CREASE_M
    assert pytest.approx(yard / 4, abs=1e-12) == lane.WICKET_WIDTH_M
    assert pytest.approx(1760 * yard / 3600, abs=1e-12) == lane.MPH_MPS


@pytest.mark.parametrize("point", control_points(), ids=lambda p: p["point_id"])
def test_every_mark_lies_where_the_laws_put_it(point: dict[str, str]) -> None:
    place, _ = named_mark(point["point_id"])
    np.testing.assert_allclose(place, [float(point[f"{a}_m"]) for a in "xyz"], atol=1e-4)


def test_the_marks_are_those_of_the_table() -> None:
    assert set(mark_names()) == {p["point_id"] for p in control_points()}


@pytest.mark.parametrize(
    ("name", "place"),
    [  # from this project's constants alone: a slip in the table would show
        ("S_pop_x_return_off", (lane.RETURN_CREASE_X_M, lane.POPPING_CREASE_M, 0)),
        ("S_bowlcrease_end_leg", (-lane.BOWLING_CREASE_LENGTH_M / 2, 0, 0)),
        ("B_pop_x_return_leg", (-lane.RETURN_CREASE_X_M, lane.PITCH_LENGTH_M - lane.POPPING_CREASE_M, 0)),
        ("B_stump_mid_top", (0, lane.PITCH_LENGTH_M, lane.STUMP_HEIGHT_M)),
        ("S_stump_off_top", ((lane.WICKET_WIDTH_M - lane.STUMP_DIAMETER_M) / 2, 0, lane.STUMP_HEIGHT_M)),
        ("S_wicket_edge_leg_top", (-lane.WICKET_WIDTH_M / 2, 0, lane.STUMP_HEIGHT_M)),
        (
            "B_return_rear_off",
            (lane.RETURN_CREASE_X_M, lane.PITCH_LENGTH_M - lane.POPPING_CREASE_M + lane.RETURN_CREASE_LENGTH_M, 0),
        ),
        (
            "S_protected_corner_off",
            (lane.PROTECTED_AREA_HALF_WIDTH_M, lane.POPPING_CREASE_M + lane.PROTECTED_AREA_START_M, 0),
        ),
        ("S_pitch_corner_leg", (-lane.PITCH_HALF_WIDTH_M, 0, 0)),
    ],
)
def test_constants_and_table_agree(name: str, place: tuple[float, float, float]) -> None:
    np.testing.assert_allclose(named_mark(name)[0], place, atol=1e-4)


def test_no_ball_passes_between_two_stumps() -> None:
    """Law 8.2: the stumps are of equal size, placed so that the ball cannot pass between them."""
    gap = (lane.WICKET_WIDTH_M - 3 * lane.STUMP_DIAMETER_M) / 2
    assert 0 < gap < 2 * lane.BALL_RADIUS_M


def test_the_usual_ball_is_one_that_the_laws_allow() -> None:
    """Law 4: circumference 22.4 to 22.9 cm, mass 155.9 to 163.0 g (men; tests/reference/ball_sizes.csv)."""
    assert 0.224 <= 2 * np.pi * lane.BALL_RADIUS_M <= 0.229
    assert 0.1559 <= lane.BALL_MASS_KG <= 0.1630


def test_planes_of_release_and_gate() -> None:
    """docs/files.md: release 1.6 m, gate 2.5 m in front of the bowler's stumps, on any pitch."""
    assert lane.release_plane_y_m(20.1168) == pytest.approx(18.5168)
    assert lane.gate_y_m(17.6784) == pytest.approx(15.1784)
    assert lane.gate_y_m(20.1168) < 20.1168 - lane.POPPING_CREASE_M < 20.1168  # past any legal release


def test_standard_gravity() -> None:
    """3rd General Conference on Weights and Measures (1901), from memory: 9.80665 m/s2 exactly."""
    assert lane.STANDARD_GRAVITY_MPS2 == 9.80665

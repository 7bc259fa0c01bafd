"""The flight's physics against outside numbers: closed forms, an independent integrator, published air and spin."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tests.flown import bowl
from tracker.flight import physics
from tracker.flight.milestones import Course
from tracker.records import Air, Ball, Floats
from tracker.settings import FlightSettings

REFERENCE = Path(__file__).parent / "reference"
MEN = Ball(0.03605, 0.1595)  # mid of Law 4's sizes
K = 0.0153586  # 1/m: that ball at 1.2 kg/m3 (tests/reference/flight_reference.csv)


def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def model_of(
    k_per_m: float = K, gravity: float = 9.80665, reference_mps: float = 30.0, bounces: bool = False
) -> Floats:
    return np.array([gravity, k_per_m, reference_mps, 0.0, 1.0, MEN.radius_m, 0.0, float(bounces)])


def params(place: tuple[float, ...], velocity: tuple[float, ...], drag: float = 0.0, **more: float) -> Floats:
    q = np.zeros(physics.COUNT)
    q[:3], q[3:6], q[physics.DRAG] = place, velocity, drag
    for name, value in more.items():
        q[physics.PATH_NAMES.index(name)] = value
    return q


def flown(q: Floats, model: Floats, seconds: float, step_s: float = 0.004) -> Floats:
    x, s = physics.launch(q)
    physics.fly(x, s, 0.0, seconds, q, model, False, step_s)
    return x


PLAIN = [row for row in rows("flight_reference.csv") if not any(float(row[w]) for w in ("wx", "wy", "wz"))]
SPUN = [row for row in rows("flight_reference.csv") if row["case"] in ("Stop", "Sback")]


@pytest.mark.parametrize("row", PLAIN, ids=lambda row: row["case"])
def test_reference_flights_to_the_printed_digits(row: dict[str, str]) -> None:
    """tests/reference/flight_reference.csv: an 8th-order integrator at 1e-12, computed for the project."""
    q = params(
        tuple(float(row[k]) for k in ("x0", "y0", "z0")),
        tuple(float(row[k]) for k in ("vx0", "vy0", "vz0")),
        float(row["Cd"]),
        side=-float(row["Cs"]),  # the table's is positive to the right of travel
    )
    x = flown(q, model_of(1.2 * math.pi * 0.0721**2 / (8 * 0.1595)), float(row["t_end"]))
    wanted = [float(row[k]) for k in ("x", "y", "z", "vx", "vy", "vz")]
    rounding = 1e-6 + 5e-8 * np.linalg.norm(wanted[3:])  # printed to 1e-6, at an instant printed to 1e-7 s
    np.testing.assert_allclose(x, wanted, rtol=0, atol=rounding)


@pytest.mark.parametrize("row", SPUN, ids=lambda row: row["case"])
def test_spun_balls_land_as_with_nathans_lift(row: dict[str, str]) -> None:
    """The same table, C_L = 1.12 S / (0.583 + 2.333 S): our power law in the speed is within 4 mm of it over 17 m."""
    velocity = np.array([float(row[k]) for k in ("vx0", "vy0", "vz0")])
    share = MEN.radius_m * abs(float(row["wx"])) / np.linalg.norm(velocity)
    lift = -math.copysign(1.12 * share / (0.583 + 2.333 * share), float(row["wx"]))
    q = params((0, 18.2, 2.2), tuple(velocity), 0.4, lift=lift)
    x = flown(q, model_of(reference_mps=float(np.linalg.norm(velocity))), float(row["t_end"]))
    assert x[1] == pytest.approx(float(row["y"]), abs=0.004)
    assert x[2] == pytest.approx(float(row["z"]), abs=0.004)


def test_speed_with_drag_alone() -> None:
    """v = v0 exp(-k x), t = (exp(k x) - 1) / (k v0): textbook, e.g. Taylor 2005, Classical Mechanics, sec. 2.4."""
    for speed in (20.0, 36.0):
        k = K * 0.40
        seconds = math.expm1(k * 17.68) / (k * speed)
        x = flown(params((0, 17.68, 2.0), (0, -speed, 0), 0.40), model_of(gravity=0.0), seconds)
        assert x[1] == pytest.approx(0.0, abs=1e-8)
        assert 1 + x[4] / speed == pytest.approx(0.10293, abs=1e-5)  # loss of 10.293 %, whatever the speed


def test_terminal_speed_and_the_way_back() -> None:
    """Thrown up at terminal speed v: apex ln2/2 v^2/g after pi/4 v/g, back at v/sqrt2 (textbook)."""
    v = math.sqrt(9.80665 / (K * 0.4))
    assert v == pytest.approx(39.954, abs=1e-3)
    q = params((0, 0, 0), (0, 1e-9, v), 0.4)
    apex = flown(q, model_of(), math.pi / 4 * v / 9.80665)
    assert apex[5] == pytest.approx(0.0, abs=1e-6)
    assert apex[2] == pytest.approx(math.log(2) / 2 * v**2 / 9.80665, abs=1e-5)
    fall = params((0, 0, apex[2]), (0, 1e-9, 0), 0.4)
    seconds = np.arange(0.0, 6.0, 0.001)
    heights = physics.trace(fall, model_of(), seconds, 0.01)[0]
    landing = heights[np.searchsorted(-heights[:, 2], 0.0)]
    assert -landing[5] == pytest.approx(v / math.sqrt(2), abs=0.01)


@pytest.mark.parametrize("speed", [20.0, 40.0])
def test_swing_of_a_steady_side_force(speed: float) -> None:
    """K Cs x^2 / 2 from the tangent, at any speed and drag: 0.50874 m for Cs 0.2 over 18.2 m (small angles)."""
    course = Course(params((0, 18.2, 5.0), (0, -speed, 0), 0.4, side=0.2), model_of(gravity=0.0))
    crossing = course.crossing(0.0, False)
    assert crossing is not None
    assert crossing.state[0] == pytest.approx(0.50874, rel=0.005)


def test_side_force_turns_the_path_by_k_c_x() -> None:
    """K Cs x radians: 2.464 degrees over 14 m at Cs 0.20."""
    course = Course(params((0, 14.0, 5.0), (0, -36.0, 0), 0.0, side=0.2), model_of(gravity=0.0))
    crossing = course.crossing(0.0, False)
    assert crossing is not None
    assert math.degrees(math.atan2(crossing.state[3], -crossing.state[4])) == pytest.approx(2.464, abs=0.01)


@pytest.mark.parametrize("row", [r for r in rows("air_density_reference.csv") if r["model"] == "CIPM-2007"])
def test_air_density(row: dict[str, str]) -> None:
    """CIPM-2007: Picard et al. 2008, Metrologia 45, 149-155."""
    air = Air(float(row["t_C"]), float(row["p_Pa"]), float(row["rel_humidity"]))
    assert physics.air_density_kg_m3(air) == pytest.approx(float(row["rho_kg_m3"]), abs=2e-5)


def test_side_force_over_weight() -> None:
    """Mehta 1985 gives about 0.4 for Cs 0.3 at 30 m/s (from memory); 0.423 computed for the mid ball."""
    k = physics.drag_factor_per_m(MEN, 1.2)
    assert k * 0.3 * 30.0**2 / 9.80665 == pytest.approx(0.423, abs=0.001)


def test_agrees_with_an_independent_integrator() -> None:
    """scipy's DOP853 on the equations of docs/method.md, written anew with vectors and numpy's Legendre series."""
    q = params((0.4, 18.2, 2.2), (-0.8, -34.0, -2.0), 0.45, drag_slope=-0.2, side=0.15, side_late=0.1, lift=0.1)
    q[physics.SIDE + 2 : physics.SIDE + 5], q[physics.LIFT_LATE] = (0.05, -0.04, 0.03), 0.05
    model = model_of()
    model[physics.ARC_START], model[physics.ARC_END] = 0.05, 0.38

    def rate(t: float, x: Floats) -> Floats:
        v = x[3:]
        s, u = np.linalg.norm(v), np.clip(2 * (t - 0.05) / 0.33 - 1, -1, 1)
        drag = q[physics.DRAG] - 0.2 * np.log(s / 30.0)
        side = np.polynomial.legendre.legval(u, q[physics.SIDE : physics.SIDE + 5])
        lift = (0.1 + 0.05 * u) * (30.0 / s) ** 0.6
        left = np.cross([0.0, 0.0, 1.0], v) / np.hypot(v[0], v[1])
        force = -drag * s * v + side * s**2 * left + lift * s**2 * np.cross(v / s, left)
        return np.concatenate([v, K * force - [0, 0, 9.80665]])

    wanted = solve_ivp(rate, (0.05, 0.38), q[:6], method="DOP853", rtol=1e-12, atol=1e-12, max_step=0.01).y[:, -1]
    model[physics.START] = 0.05
    fitted = physics.trace(q, model, np.array([0.38]), FlightSettings().step_s)[0][0]
    np.testing.assert_allclose(fitted, wanted, rtol=0, atol=1e-6)


def test_derivatives_are_those_of_the_path() -> None:
    ball = bowl(np.random.default_rng(3))
    times = np.linspace(-0.03, ball.stumps_s + 0.02, 150)
    q, step = ball.params[: physics.COUNT], 1e-5
    sens = physics.trace(q, ball.model, times, 0.016)[1]
    away = np.abs(times - ball.bounce_s) > 0.002  # where a nudged path is on the other arc, differences mean nothing
    for j in range(physics.COUNT):
        nudge = step * np.eye(physics.COUNT)[j]
        up, down = (physics.trace(q + n, ball.model, times, 0.016)[0][:, :3] for n in (nudge, -nudge))
        np.testing.assert_allclose(sens[away, :, j], ((up - down) / (2 * step))[away], atol=2e-8, rtol=1e-6)


def test_the_arcs_meet_where_the_ball_touches_the_floor() -> None:
    """The ball's middle is a radius above the floor at contact; with z = 0 the bounce would come r / tan later."""
    ball = bowl(np.random.default_rng(5), floor_m=0.004)
    course = Course(ball.params, ball.model)
    assert course.before is not None and course.after is not None
    assert course.before.state[2] == pytest.approx(0.004 + Ball().radius_m, abs=1e-9)
    np.testing.assert_allclose(course.before.state[:3], course.after.state[:3], atol=1e-12)
    np.testing.assert_allclose(course.after.state[3:], ball.params[physics.AFTER : physics.AFTER + 3])


def test_a_mirror_image_flies_mirrored() -> None:
    """The frame has no preferred hand: x to -x with the side forces' signs turned gives the mirrored path."""
    ball = bowl(np.random.default_rng(6), side=0.2, side_after=0.05)
    mirrored = ball.params.copy()
    for name in ("x_m", "vx_mps", "side", "side_late", "side_bend", "side_3", "side_4", "after_vx_mps", "side_after"):
        mirrored[physics.PATH_NAMES.index(name)] *= -1
    times = np.linspace(0, ball.stumps_s, 40)
    other = physics.trace(mirrored[: physics.COUNT], ball.model, times, 0.004)[0]
    np.testing.assert_allclose(other, ball.states(times) * [-1, 1, 1, -1, 1, 1], atol=1e-10)


def test_drag_takes_energy_and_side_force_and_lift_do_not() -> None:
    v, c, a = np.array([1.0, -30.0, -4.0]), np.zeros(6), np.zeros(3)
    for name, takes in (("drag", True), ("side", False), ("lift", False)):
        q = params((0, 0, 0), (0, 0, 0), **{name: 0.3})
        physics.coefficients(0.5, q, model_of(), False, c)
        physics.acceleration(v, q, model_of(gravity=0.0), c, a, np.zeros((3, 3)), np.zeros((3, 4)))
        assert (a @ v < -1.0) if takes else abs(a @ v) < 1e-10

"""Every quantity against its definition in docs/files.md, computed another way from the dense path."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.lane import PITCH_LENGTH_M, gate_y_m, release_plane_y_m
from calibration.rig import Rig
from tests.flown import Flown, bowl
from tracker.flight import physics
from tracker.flight.measures import MEASURES, At, aside_m, assess, measure, turn_deg
from tracker.flight.milestones import Course, path_states
from tracker.flight.model import NAMES, SIZE
from tracker.records import Air, Ball, Flight, Floats
from tracker.simulation import truth
from tracker.simulation.rigs import pair
from tracker.simulation.world import Forces, Ground, Throw

RIG = pair("end_on")


def as_flight(ball: Flown, cov: Floats | None = None, release_s: float | None = 0.0, end_s: float = 0.0) -> Flight:
    """A flight record of a ball as if fitted: parameters, covariance; release at 0 unless unseen."""
    n = np.zeros((SIZE, SIZE))
    return Flight(
        names=NAMES,
        params=ball.params,
        cov=n if cov is None else cov,
        rig_cov=n,
        start_s=0.0,
        bounce_s=ball.bounce_s,
        end_s=end_s,
        release_s=np.nan if release_s is None else release_s,
        release_s_sd=0.0,
        release_seen=release_s is not None,
        kept=np.ones(0, bool),
        residual_px=np.zeros((0, 2)),
        chi2=0.0,
        dof=0,
        model=dict(zip(physics.MODEL_NAMES, ball.model.tolist(), strict=True)) | {"after_sightings": 20.0},
    )


def dense(ball: Flown) -> tuple[Floats, Floats]:
    """The path before and after the bounce in steps of 0.1 ms, from release to past the stumps."""
    time_s = np.arange(0.0, ball.stumps_s + 0.02, 1e-4)
    states = ball.states(time_s)
    return states[time_s < ball.bounce_s], states[time_s > ball.bounce_s]


def at_y(states: Floats, y_m: float) -> Floats:
    """The state (6,) where y = y_m."""
    return np.array([np.interp(-y_m, -states[:, 1], states[:, k]) for k in range(6)])


def test_every_quantity_is_what_the_contract_says() -> None:
    for seed in range(5):
        ball = bowl(np.random.default_rng(seed))
        before, after = dense(ball)
        release, stumps, gate = before[0], at_y(after, 0.0), at_y(before, gate_y_m(PITCH_LENGTH_M))
        down, up = before[-1], after[0]  # within 0.1 ms, 4 mm, of contact
        line = release[0] + release[3] / release[4] * (down[1] - release[1])
        on = down[0] - down[1] * down[3] / down[4]
        speeds = [np.linalg.norm(s[3:]) for s in (release, gate, down, up)]
        azimuth = [np.degrees(np.arctan2(s[3], -s[4])) for s in (release, down, up)]
        wanted = {
            "release_speed_mps": speeds[0],
            "release_x_m": release[0],
            "release_y_m": release[1],
            "release_z_m": release[2],
            "release_azimuth_deg": azimuth[0],
            "release_elevation_deg": np.degrees(np.arcsin(release[5] / speeds[0])),
            "gate_x_m": gate[0],
            "gate_z_m": gate[2],
            "gate_speed_mps": speeds[1],
            "bounce_x_m": down[0],
            "bounce_y_m": down[1],
            "speed_at_bounce_mps": speeds[2],
            "speed_off_bounce_mps": speeds[3],
            "swing_m": down[0] - line,
            "deviation_deg": azimuth[2] - azimuth[1],
            "deviation_m": stumps[0] - on,
            "stumps_x_m": stumps[0],
            "stumps_z_m": stumps[2],
        }
        assert set(wanted) == set(MEASURES)
        found = measure(as_flight(ball), RIG)
        loose = {"bounce_y_m": 0.005, "speed_at_bounce_mps": 0.005}
        for name, value in wanted.items():
            assert found[name].value == pytest.approx(value, abs=loose.get(name, 1e-3)), name


def test_agrees_with_the_simulators_own_truth() -> None:
    """Forces that both know (steady drag and side force, no spin): the simulator's integrator and definitions, ours."""
    throw = Throw(0.0, np.array([0.5, 18.5, 2.1]), np.array([-1.0, -33.0, -3.0]))
    forces = Forces(drag=0.42, drag_fast=0.42, side=0.12, lift=0.0)
    flown = truth.deliver(throw, forces, Ground(kick_rad=0.02), Ball(), Air())
    theta = np.zeros(SIZE)
    theta[:3], theta[3:6] = throw.release_m, throw.velocity_mps
    theta[physics.DRAG], theta[physics.SIDE] = 0.42, 0.12
    bounce = flown.path.first("bounce")
    assert bounce is not None
    theta[physics.AFTER : physics.AFTER + 3] = bounce.after[3:]
    k = physics.drag_factor_per_m(Ball(), physics.air_density_kg_m3(Air()))
    model = np.array([9.80665, k, 33.0, 0.0, 0.4, 0.036, 0.0, 1.0])
    found = measure(as_flight(Flown(theta, model, flown.bounce_s, np.nan)), RIG)
    for name, value in flown.truth.items():
        assert found[name].value == pytest.approx(value, abs=3e-4 if name.endswith("_m") else 3e-3), name


def test_swing_is_from_the_tangent_not_the_chord() -> None:
    """Cs 0.2 over 14 m: 0.3010 m from the tangent at release; the bow from the chord is a quarter, 0.0753 m."""
    q = np.zeros(SIZE)
    q[:6], q[physics.SIDE] = [0.0, 14.0, 5.0, 0.0, -36.0, 0.0], 0.2
    course = Course(q, np.array([0.0, 0.0153586, 36.0, 0.0, 1.0, 0.036, 0.0, 0.0]))
    end, middle = course.crossing(0.0, False), course.crossing(7.0, False)
    assert end is not None and middle is not None
    assert float(aside_m(q[:6], end.state)) == pytest.approx(0.3010, rel=0.01)
    assert end.state[0] / 2 - middle.state[0] == pytest.approx(0.0753, rel=0.02)


def test_signs_follow_the_lane_frame() -> None:
    """+x is a right-hander's off side: azimuth, turn and movement toward it are positive."""
    straight, toward = np.array([0, 5.0, 0, 0, -30.0, 0]), np.array([0, 5.0, 0, 1.0, -30.0, 0])
    assert float(turn_deg(straight, toward)) == pytest.approx(np.degrees(np.arctan(1 / 30)))
    # D tan(alpha): 1 degree over 5 m is 0.0873 m (geometry)
    turned = np.array([5 * np.tan(np.radians(1.0)), 0, 0, 0, -30.0, 0])
    assert float(aside_m(straight, turned)) == pytest.approx(0.0873, abs=1e-4)


def test_sds_are_those_of_sampled_flights() -> None:
    """First-order sds against 400 draws of the parameters from their covariance."""
    rng = np.random.default_rng(8)
    ball = bowl(rng)
    scale = np.full(SIZE, 1e-3)
    scale[3:6], scale[15:18], scale[6:15] = 0.05, 0.05, 0.01
    root = rng.normal(size=(SIZE, SIZE)) * scale[:, None] / np.sqrt(SIZE)
    flight = as_flight(ball, root @ root.T)
    stated = measure(flight, RIG)
    draws: dict[str, list[float]] = {name: [] for name in MEASURES}
    for _ in range(400):
        for name, m in measure(replace(flight, params=ball.params + root @ rng.normal(size=SIZE)), RIG).items():
            draws[name].append(m.value)
    for name, values in draws.items():
        assert np.std(values) == pytest.approx(stated[name].sd, rel=5 / np.sqrt(2 * 400)), name


def test_an_unseen_release_is_taken_at_its_usual_plane_with_its_doubt() -> None:
    ball = bowl(np.random.default_rng(9))
    found = measure(as_flight(ball, release_s=None), RIG)
    assert found["release_y_m"].value == pytest.approx(release_plane_y_m(PITCH_LENGTH_M))
    assert found["release_y_m"].sd == pytest.approx(0.4)
    # 0.4 m along the path: speed lost to drag there, height fallen, are the doubts of speed and height
    course = Course(ball.params, ball.model)
    near, far = (course.crossing(release_plane_y_m(PITCH_LENGTH_M) + dy, False) for dy in (-0.4, 0.4))
    assert near is not None and far is not None
    lost = (np.linalg.norm(far.state[3:]) - np.linalg.norm(near.state[3:])) / 2
    assert found["release_speed_mps"].sd == pytest.approx(abs(lost), rel=0.02)
    assert found["release_z_m"].sd == pytest.approx(abs(far.state[2] - near.state[2]) / 2, rel=0.05)
    assert found["gate_x_m"].sd == pytest.approx(0.0, abs=1e-12)


def test_the_instant_of_release_carries_its_doubt() -> None:
    ball = bowl(np.random.default_rng(10))
    flight = replace(as_flight(ball), release_s_sd=0.002)
    found = measure(flight, RIG)
    assert found["release_y_m"].sd == pytest.approx(0.002 * abs(ball.params[4]), rel=1e-6)


def test_a_full_toss_has_no_bounce_and_swing_at_the_stumps() -> None:
    ball = bowl(np.random.default_rng(11))
    model = ball.model.copy()
    model[physics.BOUNCES] = 0.0
    flight = as_flight(replace(ball, model=model))
    found = assess(flight, RIG)
    assert found.kind == "full_toss"
    assert set(found.missing) == {
        "bounce_x_m",
        "bounce_y_m",
        "speed_at_bounce_mps",
        "speed_off_bounce_mps",
        "deviation_deg",
        "deviation_m",
    }
    end = Course(ball.params, model).crossing(0.0, False)
    assert end is not None
    assert found.measures["swing_m"].value == pytest.approx(float(aside_m(ball.params[:6], end.state)))


def test_a_ball_that_pitches_behind_the_stumps_is_a_full_toss() -> None:
    """It reaches y = 0 without bouncing, wherever it comes down later."""
    ball = bowl(np.random.default_rng(12))
    params = ball.params.copy()
    params[physics.PATH_NAMES.index("vz_mps")] += 3.5
    assert assess(as_flight(replace(ball, params=params)), RIG).kind == "full_toss"


def test_stumps_are_projected_unless_seen_there() -> None:
    ball = bowl(np.random.default_rng(13))
    assert assess(as_flight(ball, end_s=ball.stumps_s - 0.01), RIG).stumps_projected
    assert not assess(as_flight(ball, end_s=ball.stumps_s + 0.001), RIG).stumps_projected


def test_what_is_too_doubtful_is_missing_with_its_reason() -> None:
    """A turn known to 0.7 degrees is of no use: left out, saying so; a turn known to 0.3 is given."""
    ball = bowl(np.random.default_rng(14))
    for sd_deg, given in ((0.7, False), (0.3, True)):
        cov = np.zeros((SIZE, SIZE))
        cov[physics.AFTER, physics.AFTER] = (np.radians(sd_deg) * abs(ball.params[physics.AFTER + 1])) ** 2
        found = assess(as_flight(ball, cov), RIG)
        assert ("deviation_deg" in found.measures) == given
        if not given:
            assert "too large to be of use" in found.missing["deviation_deg"]


def test_a_shorter_pitch_moves_gate_and_release_plane() -> None:
    ball = bowl(np.random.default_rng(15))
    short = Rig(RIG.left, RIG.right, pitch_length_m=17.3736)
    found = measure(as_flight(ball, release_s=None), short)
    assert found["release_y_m"].value == pytest.approx(17.3736 - 1.6)


def test_path_states_pass_through_the_milestones() -> None:
    ball = bowl(np.random.default_rng(16))
    flight = as_flight(ball)
    states = path_states(flight, np.array([ball.stumps_s, 0.0, ball.bounce_s]))  # any order
    assert states[0, 1] == pytest.approx(0.0, abs=1e-5)
    np.testing.assert_allclose(states[1], ball.params[:6])
    assert states[2, 2] == pytest.approx(Ball().radius_m + ball.params[physics.FLOOR], abs=1e-4)


@pytest.mark.parametrize("name", MEASURES)
def test_a_measure_is_a_pure_function_of_many_flights_at_once(name: str) -> None:
    """One flight, or a row of them: the same numbers (the sds rely on it)."""
    rng = np.random.default_rng(17)
    many = {place: rng.normal([0, 5, 1, 0, -30, 1], 0.3, (4, 6)).T for place in ("release", "gate", "before")}
    many |= {place: rng.normal([0, 1, 1, 0, -25, 1], 0.3, (4, 6)).T for place in ("after", "stumps", "landing")}
    together = MEASURES[name].of(At(**many))
    single = [float(MEASURES[name].of(At(**{k: v[:, i] for k, v in many.items()}))) for i in range(4)]
    np.testing.assert_allclose(together, single)

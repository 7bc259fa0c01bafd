"""The simulator's physics, camera and truth against closed forms, reference flights and OpenCV."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tracker.records import Air, Ball
from tracker.simulation import optics
from tracker.simulation.bowling import ARM_M, BOWLERS, draw, with_arm
from tracker.simulation.rigs import PLACINGS, STRONG_LENS, pair
from tracker.simulation.truth import deliver
from tracker.simulation.world import Forces, Ground, Hit, Throw, air_density_kgpm3, bounce, fly

REFERENCE = Path(__file__).parent / "reference"
BALL = Ball(0.03605, 0.1595)  # the men's mid ball of the reference flights
DRY = Air(20.0, 1.2 * 287.055 * 293.15, 0.0)  # density 1.2 kg/m3
VACUUM = Forces(drag=0.0, drag_fast=0.0)
NO_LOSS = Ground(restitution=0.6, restitution_slope=0.0, friction=0.0)

EIGHT = (-0.2, 0.1, 1e-3, -1e-3, 0.01, 0.1, -0.02, 0.003)
LENSES = [(0.0,) * 4, (-0.12, 0.05, 5e-4, -3e-4, 0.0), STRONG_LENS, EIGHT, (*EIGHT, 1e-3, -1e-3, 2e-3, 1e-4)]


def rows(name):
    text = [line for line in (REFERENCE / name).read_text().splitlines() if not line.startswith("#")]
    return list(csv.DictReader(text))


def steady(drag, side=0.0, **more):
    return Forces(drag=drag, drag_fast=drag, side=side, **more)


def level_throw(speed, azimuth_deg=0.0, elevation_deg=-6.0, at=(0.4, 18.2, 2.2), **more):
    a, e = math.radians(azimuth_deg), math.radians(elevation_deg)
    v = speed * np.array([math.cos(e) * math.sin(a), -math.cos(e) * math.cos(a), math.sin(e)])
    return Throw(0.0, np.array(at), v, **more)


@pytest.mark.parametrize("case", [r["case"] for r in rows("flight_reference.csv")])
def test_flights_agree_with_the_reference_integrator(case):
    """tests/reference/flight_reference.csv: an 8th-order integrator at rtol 1e-12."""
    r = {k: v if k in ("case", "note") else float(v) for k, v in next(
        r for r in rows("flight_reference.csv") if r["case"] == case
    ).items()}  # fmt: skip
    throw = Throw(
        0.0,
        np.array([r["x0"], r["y0"], r["z0"]]),
        np.array([r["vx0"], r["vy0"], r["vz0"]]),
        np.array([r["wx"], r["wy"], r["wz"]]),
    )
    floor = Ground() if "z=radius" in r["note"] else None
    path = fly(throw, steady(r["Cd"], -r["Cs"]), floor, BALL, DRY, lasting_s=1.0)
    if floor is not None:
        assert path.contacts[0].time_s == pytest.approx(r["t_end"], abs=1e-6)
        found = path.contacts[0].before
    else:
        found = path.state(np.array([r["t_end"]]))[0]
    # the table gives t to 1e-7 s: at 36 m/s that is 4e-6 m
    np.testing.assert_allclose(found, [r[k] for k in ("x", "y", "z", "vx", "vy", "vz")], atol=1e-5)


@pytest.mark.parametrize(("drag", "loss"), [(0.30, 0.07823), (0.40, 0.10293), (0.50, 0.12696)])
def test_speed_falls_exponentially_with_distance(drag, loss):
    """v = v0 exp(-k x) without gravity (Taylor 2005, sec. 2.4, from memory); so fast a ball hardly drops."""
    for speed in (400.0, 600.0):
        path = fly(Throw(0.0, np.array([0, 17.68, 2.0]), np.array([0, -speed, 0.0])), steady(drag), None, BALL, DRY)
        t = np.linspace(0, 0.1, 20001)
        s = path.state(t)
        at = np.interp(0.0, -s[:, 1], np.linalg.norm(s[:, 3:], axis=1))
        assert 1 - at / speed == pytest.approx(loss, abs=1e-4)


def test_swing_of_a_constant_side_force_hardly_depends_on_speed():
    """Cs 0.20 over 18.2 m: 0.50874 m closed form, 0.51099 m by the full equations (tests/reference, case H40S20)."""
    moved = []
    for speed in (36.0, 72.0):  # slower balls fall faster, which adds to the v^2 of the force
        throw = Throw(0.0, np.array([0, 18.2, 20.0]), np.array([0, -speed, 0.0]))
        path = fly(throw, steady(0.4, 0.2), None, BALL, DRY)
        s = path.state(np.linspace(0, 0.7, 12001))
        moved.append(np.interp(0.0, -s[:, 1], s[:, 0]))
    assert moved == pytest.approx([0.51099, 0.50874], rel=0.003)


def test_drag_has_a_mild_crisis():
    """Faster balls than the crisis feel the lower coefficient: speed lost over the same distance is a smaller share."""

    def share(speed):
        f = Forces(drag=0.45, drag_fast=0.30, crisis_mps=30.0, crisis_width_mps=2.0)
        path = fly(Throw(0.0, np.array([0, 0, 50.0]), np.array([0, -speed, 0.0])), f, None, BALL, DRY)
        v = np.linalg.norm(path.state(np.array([0.0, 1e-3]))[:, 3:], axis=1)
        return (v[0] - v[1]) / (speed**2 * 1e-3)  # K Cd

    k = 0.5 * 1.2 * math.pi * BALL.radius_m**2 / BALL.mass_kg
    assert share(15.0) / k == pytest.approx(0.45, rel=0.01)
    assert share(45.0) / k == pytest.approx(0.30, rel=0.01)


def test_a_late_side_force_waits():
    early = fly(level_throw(30.0), steady(0.4, 0.2), None, BALL, DRY)
    late = fly(level_throw(30.0), steady(0.4, 0.2, side_late_m=8.0, side_late_width_m=0.5), None, BALL, DRY)
    none = fly(level_throw(30.0), steady(0.4), None, BALL, DRY)
    t = np.array([0.15, 0.45])
    x = [p.position_m(t)[:, 0] for p in (early, late, none)]
    assert abs(x[1][0] - x[2][0]) < 1e-3 < x[0][0] - x[2][0]
    assert 0.02 < x[1][1] - x[2][1] < 0.5 * (x[0][1] - x[2][1])


def test_bounce_of_a_sliding_sphere():
    """vx' = vx - mu (1 + e) vz, vz' = e vz: 32 m/s at 14 degrees, e 0.5, mu 0.3 (Daish 1972, from memory; computed)."""
    a = math.radians(14.0)
    before = np.array([0, 5, 0.036, 0, -32 * math.cos(a), -32 * math.sin(a)])
    after, spin = bounce(before, np.zeros(3), Ground(0.5, 0.0, 0.3), BALL.radius_m, first=True)
    assert -after[4] == pytest.approx(27.566, abs=1e-3)
    assert after[5] == pytest.approx(3.871, abs=1e-3)
    assert np.linalg.norm(after[3:]) / 32 == pytest.approx(0.8699, abs=1e-4)
    assert math.degrees(math.atan2(after[5], -after[4])) == pytest.approx(7.993, abs=1e-3)
    assert spin[0] / (2 * math.pi) == pytest.approx(38.4, abs=0.1)  # topspin


def test_a_ball_that_grips_rolls_at_five_sevenths():
    before = np.array([0, 5, 0.036, 0, -10.0, -8.0])
    after, spin = bounce(before, np.zeros(3), Ground(0.5, 0.0, 5.0), BALL.radius_m, first=True)
    assert -after[4] == pytest.approx(10 * 5 / 7, rel=1e-9)
    assert spin[0] * BALL.radius_m == pytest.approx(-after[4], rel=1e-9)


def test_moist_air_is_within_a_tenth_of_a_percent_of_cipm_2007():
    """tests/reference/air_density_reference.csv: Picard et al. 2008, Metrologia 45, 149."""
    for r in rows("air_density_reference.csv"):
        if r["model"] == "CIPM-2007":
            air = Air(float(r["t_C"]), float(r["p_Pa"]), float(r["rel_humidity"]))
            assert air_density_kgpm3(air) == pytest.approx(float(r["rho_kg_m3"]), rel=1e-3)


def test_truth_of_a_ball_in_vacuum():
    """Reference case R1 has closed forms; its plan view is straight, so it neither swings nor deviates."""
    f = deliver(level_throw(36.1953, -1.259, -5.968), VACUUM, NO_LOSS, BALL, DRY)
    t = f.truth
    assert f.kind == "bounce"
    assert t["swing_m"] == pytest.approx(0.0, abs=1e-9)
    assert t["deviation_deg"] == pytest.approx(0.0, abs=1e-9)
    assert t["deviation_m"] == pytest.approx(0.0, abs=1e-9)
    assert t["release_azimuth_deg"] == pytest.approx(-1.259)
    assert t["release_elevation_deg"] == pytest.approx(-5.968)
    gate_s = (18.2 - (20.1168 - 2.5)) / -f.throw.velocity_mps[1]
    assert t["gate_z_m"] == pytest.approx(2.2 + f.throw.velocity_mps[2] * gate_s - 0.5 * 9.80665 * gate_s**2, abs=1e-9)
    v = f.throw.velocity_mps
    fall = (-v[2] - math.sqrt(v[2] ** 2 + 2 * 9.80665 * (2.2 - 0.03605))) / -9.80665
    assert t["bounce_y_m"] == pytest.approx(18.2 + v[1] * fall, abs=1e-8)
    after = (t["bounce_y_m"]) / -v[1]
    up = 0.6 * math.sqrt(v[2] ** 2 + 2 * 9.80665 * (2.2 - 0.03605))
    assert t["stumps_z_m"] == pytest.approx(0.03605 + up * after - 0.5 * 9.80665 * after**2, abs=1e-7)


def test_a_seam_kick_is_the_deviation_and_carries_to_the_stumps():
    ground = Ground(0.6, 0.0, 0.0, kick_rad=math.radians(1.5))
    t = deliver(level_throw(36.0), VACUUM, ground, BALL, DRY).truth
    assert t["deviation_deg"] == pytest.approx(1.5, abs=1e-9)
    assert t["deviation_m"] == pytest.approx(t["bounce_y_m"] * math.tan(math.radians(1.5)), rel=1e-9)


def test_swing_is_measured_from_the_tangent_at_release():
    """Reference case R3: its end point against the straight plan view from its release; about K Cs x^2 / 2."""
    r = next({k: float(v) for k, v in r.items() if k not in ("case", "note")}
             for r in rows("flight_reference.csv") if r["case"] == "R3")  # fmt: skip
    throw = Throw(0.0, np.array([r["x0"], r["y0"], r["z0"]]), np.array([r["vx0"], r["vy0"], r["vz0"]]))
    t = deliver(throw, steady(0.4, -0.2), NO_LOSS, BALL, DRY).truth
    straight = r["x0"] + (r["y"] - r["y0"]) * r["vx0"] / r["vy0"]
    assert t["swing_m"] == pytest.approx(r["x"] - straight, abs=2e-5)
    assert t["swing_m"] == pytest.approx(-0.5 * 0.0153587 * 0.2 * (r["y0"] - r["y"]) ** 2, rel=0.03)


def test_the_mirrored_ball_mirrors():
    spin = np.array([-80.0, 40.0, 30.0])
    ground = Ground(0.6, 0.004, 0.3, 0.01)
    a = deliver(level_throw(33.0, -2.0, spin_radps=spin), steady(0.42, 0.1), ground, BALL, DRY).truth
    throw = level_throw(33.0, 2.0, at=(-0.4, 18.2, 2.2), spin_radps=spin * [1, -1, -1])
    b = deliver(throw, steady(0.42, -0.1), Ground(0.6, 0.004, 0.3, -0.01), BALL, DRY).truth
    odd = {"release_x_m", "release_azimuth_deg", "gate_x_m", "bounce_x_m", "swing_m", "deviation_deg", "deviation_m"}
    for name, value in a.items():
        sign = -1 if name in odd | {"stumps_x_m"} else 1
        assert b[name] == pytest.approx(sign * value, rel=1e-7, abs=1e-8), name


def test_a_full_toss_has_swing_at_the_stumps_and_no_bounce():
    f = deliver(level_throw(36.0, elevation_deg=1.0), steady(0.4, 0.1), NO_LOSS, BALL, DRY)
    assert f.kind == "full_toss"
    assert math.isnan(f.bounce_s)
    assert math.isnan(f.truth["bounce_y_m"]) and math.isnan(f.truth["deviation_m"])
    assert f.truth["swing_m"] == pytest.approx(0.5 * 0.0153587 * 0.1 * 18.2**2, rel=0.02)
    assert f.truth["stumps_z_m"] > 0.036


def test_the_bat_changes_what_happened_but_not_the_truth_at_the_stumps():
    plain = deliver(level_throw(34.0), steady(0.4), Ground(), BALL, DRY)
    hit = deliver(
        level_throw(34.0), steady(0.4), Ground(), BALL, DRY, hit=Hit(np.array([5, 20, 5.0]), after_bounce_m=0.5)
    )
    assert hit.truth == pytest.approx(plain.truth, nan_ok=True)
    bat = hit.path.first("bat")
    assert bat is not None
    assert bat.before[1] == pytest.approx(plain.truth["bounce_y_m"] - 0.5, abs=1e-9)
    assert hit.end_s == bat.time_s < plain.end_s
    volley = deliver(level_throw(34.0), steady(0.4), Ground(), BALL, DRY, hit=Hit(np.array([5, 20, 5.0]), y_m=8.0))
    assert volley.kind == "full_toss"


def test_a_ball_that_hits_the_stumps_is_carried_on_in_the_truth():
    low = level_throw(36.0, -1.259, -5.0)
    ground = Ground(0.35, 0.0, 0.0)
    hit = deliver(low, VACUUM, ground, BALL, DRY)
    at = hit.path.first("stumps")
    assert at is not None and at.before[1] == pytest.approx(0.055, abs=1e-9)
    assert abs(at.before[0]) < 0.1143 + 0.036 and at.before[2] < 0.7112 + 0.036
    assert hit.end_s == at.time_s
    assert hit.truth["stumps_x_m"] == pytest.approx(at.before[0] + 0.055 * at.before[3] / -at.before[4], abs=1e-6)
    wide = deliver(level_throw(36.0, 1.0, -5.0), VACUUM, ground, BALL, DRY)
    assert wide.path.first("stumps") is None and wide.end_s > at.time_s


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from(sorted(BOWLERS)))
def test_drawn_deliveries_pitch_where_they_are_aimed(seed, name):
    b = draw(BOWLERS[name], np.random.default_rng(seed), length_m=5.0)
    t = deliver(b.throw, b.forces, b.ground).truth
    assert t["bounce_y_m"] == pytest.approx(5.0, abs=0.01)
    assert np.linalg.norm(b.throw.velocity_mps) == pytest.approx(t["release_speed_mps"])
    assert (
        0.6 < t["speed_off_bounce_mps"] / t["speed_at_bounce_mps"] < 0.98
    )  # turf keeps 0.85 to 0.93 (second-hand), mats less


def test_the_arm_hands_the_ball_over_smoothly():
    b = draw(BOWLERS["pace"], np.random.default_rng(2), release_s=1.0)
    path = with_arm(deliver(b.throw, b.forces, b.ground).path, b.throw, 5.5)
    before, after = path.state(np.array([1.0 - 1e-9, 1.0 + 1e-9]))
    np.testing.assert_allclose(before, after, atol=1e-6)
    held = path.position_m(np.array([0.75, 0.9, 1.0]))
    moving = held - np.array([0, -5.5, 0]) * np.array([[-0.25], [-0.1], [0.0]])
    middle = moving[2] - ARM_M * (moving[2] - _shoulder(path, b)) / ARM_M
    np.testing.assert_allclose(np.linalg.norm(moving - middle, axis=1), ARM_M, atol=1e-9)


def _shoulder(path, b):
    from tracker.simulation.bowling import arm_circle

    return arm_circle(b.throw, 5.5, 0.15)[0]


@pytest.mark.parametrize("name", PLACINGS)
@pytest.mark.parametrize("lens", LENSES)
def test_the_simulators_camera_agrees_with_the_products(name, lens):
    """Written apart from calibration.camera, whose projection is OpenCV's."""
    rng = np.random.default_rng(1)
    points = rng.uniform([-1.5, 0, 0], [1.5, 19, 2.5], (300, 3))
    for camera in pair(name, distortion=lens).cameras:
        own, theirs = optics.project(camera, points), camera.project(points)
        both = np.isfinite(own).all(axis=1) & np.isfinite(theirs).all(axis=1)
        assert both.sum() > 200
        np.testing.assert_allclose(own[both], theirs[both], atol=1e-6)
        inside = both & camera.sees(points)
        ray = optics.rays(camera, own[inside])
        straight = points[inside] - camera.centre_m
        np.testing.assert_allclose(ray, straight / np.linalg.norm(straight, axis=1, keepdims=True), atol=1e-9)


def test_projection_reference():
    """tests/reference/projection_reference.csv, to 1e-4 px."""
    from calibration.camera import Camera, Lens

    table = rows("projection_reference.csv")
    k = np.array([[1500.0, 0, 960], [0, 1500, 540], [0, 0, 1]])
    lens = Lens((1920, 1080), k, np.array([-0.12, 0.05, 0.0005, -0.0003, 0]))
    for name, centre in (("A", (-3.2, 23.5, 3.1)), ("B", (3.4, -4.2, 2.9))):
        camera = Camera(lens, *optics.looking(np.array(centre), np.array([0, 9, 0.6])))
        mine = [r for r in table if r["camera"] == name]
        px = optics.project(camera, np.array([[float(r[c]) for c in ("x_m", "y_m", "z_m")] for r in mine]))
        np.testing.assert_allclose(px, [[float(r["u_dist_px"]), float(r["v_dist_px"])] for r in mine], atol=1e-4)


@given(st.tuples(*[st.floats(-1, 1)] * 3), st.floats(0, 3.14))
def test_rotation_vectors_come_back(axis, angle):
    axis = np.array(axis)
    if np.linalg.norm(axis) > 1e-3:
        r = optics.rotation(axis / np.linalg.norm(axis) * angle)
        np.testing.assert_allclose(optics.rotation(optics.rotation_vector(r)), r, atol=1e-9)


@pytest.mark.parametrize("name", PLACINGS)
def test_ready_rigs_see_the_whole_flight(name):
    flight = np.array([[0.5, 18.5, 2.2], [0.1, 5.0, 0.036], [0.0, 0.0, 0.7], [0.0, 0.0, 0.05]])
    for camera in pair(name).cameras:
        assert camera.sees(flight).all()

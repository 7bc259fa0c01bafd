"""Planning a rig: its figures against sampling, OpenCV and published optics; halls; the command."""

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from calibration.camera import Floats
from calibration.errors import InputError, LanepairError
from tracker.cli import main
from tracker.flight.fit import fit_flight
from tracker.flight.measures import measure
from tracker.records import Air, Ball, Flight, Track
from tracker.settings import FlightSettings
from tracker.trust import surveyed
from tracker.trust.hall import Hall, fit_into, ranked
from tracker.trust.knock import turned
from tracker.trust.plan import (
    GOOD,
    QUANTITIES,
    Flown,
    flown,
    knock_cost,
    light_lux,
    plan,
    sightings,
    sights,
    size_px,
)
from tracker.trust.proposal import READY, Proposal, read_proposal, ready_path
from tracker.trust.surveyed import as_calibrated, usual_marks

SETTINGS = FlightSettings(
    view_bias_px=0.0, view_drift_px=0.0, shade_sd_m=0.0, marking_side_sd=0.0, marking_band_sd=0.0
)  # such errors do not average away, nor are they drawn here


@pytest.fixture(scope="module")
def end_on() -> Proposal:
    return read_proposal(Path("end_on"))


def proposal_with(tmp_path: Path, old: str, new: str) -> Path:
    text = ready_path("end_on").read_text(encoding="utf-8")
    assert old in text
    file = tmp_path / "own.toml"
    file.write_text(text.replace(old, new), encoding="utf-8")
    return file


def fitted(proposal: Proposal, ball: Flown, shift_px: Floats) -> Flight:
    """The flight fitted to a ball's sightings, moved by (n, 2) pixels."""
    rows = sightings(proposal, proposal.rig, ball, ball.stumps_s)
    n = len(rows)
    cov = np.linalg.inv(np.einsum("nji,njk->nik", rows.whiten, rows.whiten))
    states = ball.states(rows.time_s)
    track = Track(
        rows.view, np.arange(n), rows.time_s, rows.px + shift_px, cov, np.full(n, 10.0), np.zeros((n, 2)),
        rows.lean_px, rows.trail_px, rows.aside,
        states, np.tile(np.eye(6) * 1e-4, (n, 1, 1)), ball.bounce_s, "left view", np.zeros((0, 3), np.int64),
    )  # fmt: skip
    flight = fit_flight(track, proposal.rig, Ball(), Air(), SETTINGS, np.inf)
    return replace(flight, release_s=ball.release_s, release_s_sd=0.0, release_seen=True)


@pytest.mark.parametrize("name", [pytest.param("end_on", marks=pytest.mark.slow), "side"])
def test_the_doubt_foretold_is_the_scatter_of_real_fits(name: str, rng: np.random.Generator) -> None:
    proposal = read_proposal(Path(name))
    ball = flown(GOOD, proposal.rig, SETTINGS)
    rows = sightings(proposal, proposal.rig, ball, ball.stumps_s)
    draws = 60
    noise = [np.linalg.solve(rows.whiten, rng.normal(0, 1, (len(rows), 2, 1)))[:, :, 0] for _ in range(draws)]
    found = [measure(fitted(proposal, ball, shift), proposal.rig) for shift in noise]
    foretold = plan(proposal, SETTINGS).costs.alone
    for quantity in ("release_speed_mps", "bounce_y_m", "bounce_x_m", "stumps_z_m"):
        scatter = np.std([one[quantity].value for one in found], ddof=1)
        # the release lies anywhere between two frames in the plan, here it is known: at most 1 % of the speed's doubt
        assert scatter / foretold[quantity] == pytest.approx(1, abs=4.5 / np.sqrt(2 * (draws - 1))), quantity


def test_a_knock_costs_what_a_fit_makes_of_it(end_on: Proposal) -> None:
    ball = flown(GOOD, end_on.rig, SETTINGS)
    rows = sightings(end_on, end_on.rig, ball, ball.stumps_s)
    place = ball.states(rows.time_s)[:, :3]
    truth = measure(fitted(end_on, ball, np.zeros((len(rows), 2))), end_on.rig)["bounce_y_m"].value
    knock_deg = 0.01  # small enough for the fit to keep every sighting
    worst = 0.0
    for view, camera in enumerate(end_on.rig.cameras):
        for axis in np.eye(3):
            moved = turned(camera, np.radians(axis * knock_deg)).project(place) - camera.project(place)
            shift = np.where((rows.view == view)[:, None], moved, 0.0)
            worst = max(worst, abs(measure(fitted(end_on, ball, shift), end_on.rig)["bounce_y_m"].value - truth))
    assert knock_cost(end_on, ball, SETTINGS, knock_deg)["bounce_y_m"] == pytest.approx(worst, rel=0.1)


def test_twice_the_rate_is_worth_the_root_of_two(end_on: Proposal) -> None:
    """Independent sightings: the sd falls with the root of their number (textbook); priors and frame timing blur it.

    What a view is off by in all its sightings alike does not average away, so that is left out here.
    """
    slow, settings = replace(end_on, frames_per_second=120.0), SETTINGS
    fast, slower = plan(end_on, settings).costs.alone, plan(slow, settings).costs.alone
    for quantity in ("bounce_x_m", "bounce_y_m", "stumps_z_m"):
        assert 0.62 < fast[quantity] / slower[quantity] < 0.8, quantity


def test_the_marks_covariance_is_the_scatter_of_opencvs_poses(
    end_on: Proposal, rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Lens and marks taken as exact: the sd of a camera's place against solvePnP on noisy clicks."""
    point, sd = usual_marks(end_on.rig.pitch_length_m)
    monkeypatch.setattr(surveyed, "FOCAL_SD", 1e-9)
    monkeypatch.setattr(surveyed, "CENTRE_SD_PX", 1e-7)
    monkeypatch.setattr(surveyed, "_PRIOR_SD", np.array([np.inf] * 6 + [1e-9, 1e-9, 1e-7, 1e-7]))
    monkeypatch.setattr(surveyed, "usual_marks", lambda length, taped=True: (point, sd * 1e-6))
    rig = as_calibrated(end_on.rig)
    assert rig is not None
    camera = rig.left
    clear = point[np.asarray(camera.sees(point))]
    px = camera.project(clear)
    draws, found = 300, []
    for _ in range(draws):
        noisy = px + rng.normal(0, surveyed.CLICK_SD_PX, px.shape)
        turn, move = np.array(camera.rotation_vector)[:, None], np.array(camera.translation_m)[:, None]
        _, turn, move = cv2.solvePnP(
            clear, noisy, camera.lens.matrix, camera.lens.distortion, turn.copy(), move.copy(), True,
            cv2.SOLVEPNP_ITERATIVE,
        )  # fmt: skip
        found.append(np.concatenate([turn.ravel(), move.ravel()]))
    stated = np.sqrt(rig.cov.diagonal()[:6])
    ratio = np.std(found, axis=0, ddof=1) / stated
    assert np.all(np.abs(ratio - 1) < 5 / np.sqrt(2 * (draws - 1)))


def test_tape_marks_along_the_lane_pay(end_on: Proposal) -> None:
    costs = plan(end_on).costs
    assert costs.with_rig["release_speed_mps"] < costs.creases["release_speed_mps"] / 3
    for quantity in QUANTITIES:
        assert costs.alone[quantity] <= costs.with_rig[quantity] <= costs.creases[quantity]


@pytest.mark.parametrize(
    ("f_number", "exposure_s", "iso", "lux"), [(2.8, 0.001, 800.0, 2450.0), (1.4, 0.0005, 1600.0, 612.5)]
)
def test_light_needed(f_number: float, exposure_s: float, iso: float, lux: float) -> None:
    """ISO 2720, incident-light constant 250 (from memory): E = 250 N^2 / (t S)."""
    made = SimpleNamespace(f_number=f_number, exposure_s=exposure_s, iso=iso)
    assert light_lux(made) == pytest.approx(lux)


def test_optics_of_a_known_lens(tmp_path: Path) -> None:
    """Pinhole: 8 mm on 3.45 um pixels is 2318.84 px, and shows a 72.1 mm ball 33.44 px wide at 5 m, 8.36 at 20 m."""
    text = "focal_length_mm = 8.0\nsensor_width_mm = 6.624"  # 1920 pixels of 3.45 um
    camera = read_proposal(proposal_with(tmp_path, "field_deg = 50.0", text)).rig.left
    assert camera.lens.matrix[0, 0] == pytest.approx(2318.84, abs=0.01)
    ahead = np.array([camera.centre_m + depth * camera.R[2] for depth in (5.0, 12.0, 20.0)])
    np.testing.assert_allclose(size_px(camera, ahead) * 72.1 / 72.0, [33.44, 13.93, 8.36], atol=0.01)


def test_blur_is_speed_times_shutter_seen_square_on(end_on: Proposal) -> None:
    """36 mm at 36 m/s and 1/1000 s (kinematics); here the ball's own speed at the bounce, past a camera at the side."""
    side = read_proposal(Path("side"))
    ball = flown(GOOD, side.rig, SETTINGS)
    seen = next(s for s in sights(side.rig, ball) if s.place == "bounce" and s.view == 0)
    state = ball.states(np.array([ball.bounce_s - 1e-4]))[0]
    flat_px = np.hypot(*state[4:6]) * side.rig.left.exposure_s / 0.072 * seen.size_px
    assert seen.blur_px == pytest.approx(flat_px, rel=0.03)  # the ball passes within 15 degrees of square


def test_disk_an_hour(end_on: Proposal) -> None:
    assert plan(replace(end_on, megabits_per_second=60.0)).gb_per_hour == pytest.approx(2 * 60 * 3600 / 8 / 1000)


def test_tied_clocks_need_no_estimate_and_half_a_frame_costs(end_on: Proposal) -> None:
    tied = plan(replace(end_on, synchronised=True))
    assert tied.clock_sd_s == 0 and 1e-5 < plan(end_on).clock_sd_s < 1e-3
    side = plan(read_proposal(Path("side")))
    assert side.costs.half_frame["release_speed_mps"] > 10 * side.costs.alone["release_speed_mps"]


@pytest.mark.parametrize("name", READY)
def test_ready_proposals_can_measure_and_say_so_in_order(name: str) -> None:
    planned = plan(read_proposal(Path(name)))
    assert planned.rig_known and set(planned.costs.with_rig) == set(QUANTITIES)
    assert planned.seen[2] > 0.6 and planned.proposal.note


def test_a_rig_that_sees_nothing_says_so(end_on: Proposal, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    blind = proposal_with(tmp_path, "looks_at_m = [0.0, 8.0, 0.9]", "looks_at_m = [0.0, 40.0, 0.9]")
    assert main(["plan", str(blind)]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "do not see enough of it to make a flight" in said


def test_halls_bring_cameras_inside_and_rank(end_on: Proposal) -> None:
    hall = Hall(30.0, 10.0, 4.0)
    low, high = hall.bounds()
    found = ranked([read_proposal(Path(n)) for n in READY], hall)
    assert [f.score for f in found] == sorted(f.score for f in found)
    for one in found:
        for camera in one.plan.proposal.rig.cameras:
            assert np.all(camera.centre_m >= low - 1e-9) and np.all(camera.centre_m <= high + 1e-9)
    side = next(f for f in found if f.plan.proposal.name == "side pair")
    assert min(side.moved_m) > 5 and max(side.fields_deg) > 88
    assert next(f for f in found if f.plan.proposal.name == "end-on pair").moved_m == (0.0, 0.0)
    low_hall = fit_into(end_on, Hall(30.0, 10.0, 2.5)).plan.proposal.rig
    assert low_hall.left.centre_m[2] == pytest.approx(2.2)


def test_halls_that_hold_no_lane_are_refused(end_on: Proposal) -> None:
    with pytest.raises(LanepairError, match=r"20\.1168|20\.11"):
        fit_into(end_on, Hall(20.0, 10.0, 4.0))
    with pytest.raises(LanepairError, match="holds no lane"):
        Hall(30.0, 1.0, 4.0)
    with pytest.raises(LanepairError, match="above 0"):
        Hall(30.0, float("nan"), 4.0)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("f_number = 1.8", "f_numbr = 1.8", 'did you mean "f_number"'),
        ("field_deg = 50.0", "", "has no field_deg"),
        ("field_deg = 50.0", "field_deg = 500.0", "1 to 150"),
        ("frames_per_second = 240.0", "", "frames_per_second is missing"),
        ("frames_per_second = 240.0", "frames_per_second = -1.0", "10 to 2000"),
        ("exposure_s = 0.0005", "exposure_s = 0.01", "as long as a frame"),
        ("synchronised = false", 'synchronised = "no"', "true or false"),
        ("position_m = [1.2, 22.5, 2.6]", "position_m = [1.2, 22.5]", "3 numbers"),
        ("[left]", "[lefty]", 'did you mean "left"'),
        ("looks_at_m = [0.0, 8.0, 0.9]", "looks_at_m = [1.2, 22.5, 0.0]", "straight down"),
        ("image_size_px = [1920, 1080]", "image_size_px = [0, 1080]", "whole pixels"),
    ],
)
def test_wrong_proposals_are_refused_with_a_remedy(tmp_path: Path, old: str, new: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        read_proposal(proposal_with(tmp_path, old, new))


def test_the_command_writes_drawing_and_figures(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    drawing, figures = tmp_path / "rig.png", tmp_path / "rig.json"
    asked = ["plan", "crossing", "--hall", "30", "10", "4", "--drawing", str(drawing), "--json", str(figures)]
    assert main(asked) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert drawing.read_bytes()[:4] == b"\x89PNG"
    told = json.loads(figures.read_text(encoding="utf-8"))
    assert set(told["one_sigma"]["with_rig"]) == set(QUANTITIES)
    least = told["smallest_hand_difference_mps"]
    assert 0.9 < least["48"] < least["24"] < 1.7
    for word in ("qualified fixers", "local codes", "mesh", "Cables", "flicker", "current local guidance"):
        assert word in said
    assert f"{least['48']:.2f} m/s" in said and "lx at f/1.8" in said and "GB an hour" in said


def test_the_command_copies_ranks_and_refuses(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = tmp_path / "own.toml"
    assert main(["plan", "side", "--copy", str(own)]) == 0
    assert read_proposal(own).name == "side pair"
    assert main(["plan", "side", "--copy", str(own)]) == 2
    assert main(["plan"]) == 2
    assert main(["plan", str(tmp_path / "none.toml")]) == 2
    assert main(["plan", "side", "--drawing", str(tmp_path / "x.pdf")]) == 2
    errors = capsys.readouterr().err.splitlines()
    assert len(errors) == 4 and "--hall" in errors[1]
    assert main(["plan", "--hall", "30", "10", "4"]) == 0
    ranked_names = [line for line in capsys.readouterr().out.splitlines() if "pair" in line or "one end-on" in line]
    assert len(ranked_names) >= 4


def test_a_calibrated_rig_is_planned_with_its_own_doubt(
    end_on: Proposal, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from calibration.rig import write_rig

    rig = as_calibrated(end_on.rig)
    assert rig is not None
    write_rig(tmp_path / "rig.toml", rig)
    assert main(["plan", str(tmp_path / "rig.toml")]) == 2
    assert "--fps" in capsys.readouterr().err
    assert main(["plan", str(tmp_path / "rig.toml"), "--fps", "240", "--noise-px", "0.2"]) == 0
    assert "covariance of its own calibration" in " ".join(capsys.readouterr().out.split())
    own = plan(read_proposal(tmp_path / "rig.toml", {"frames_per_second": 240.0}))
    tied = plan(replace(end_on, synchronised=True))
    for quantity in QUANTITIES:
        assert own.costs.with_rig[quantity] == pytest.approx(tied.costs.with_rig[quantity], rel=1e-3)


def test_the_documents_proposal_is_read_and_measures(tmp_path: Path) -> None:
    text = (Path(__file__).parents[1] / "docs" / "plan.md").read_text(encoding="utf-8")
    file = tmp_path / "doc.toml"
    file.write_text(text.split("```toml\n", 1)[1].split("```", 1)[0], encoding="utf-8")
    shown, ready = read_proposal(file), read_proposal(Path("end_on"))
    assert plan(shown).costs.alone == pytest.approx(plan(ready).costs.alone)

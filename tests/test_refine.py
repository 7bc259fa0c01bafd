"""The balls refine a doubtful rig within its covariance, jointly; never silently, never beyond it."""

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi2

from calibration.rig import Rig
from calibration.triangulate import triangulate_many
from tests.conftest import lay_session
from tests.sessions import bowled, filmed, measured, plain
from tests.trust_study import balls_given
from tracker import pipeline
from tracker.clip import Views, asked
from tracker.clocks import joined, offset_at
from tracker.commands.track import track_into
from tracker.flight.model import predict
from tracker.joint import COMMON, OTHERS, common_sd, gather, slopes
from tracker.records import ClipRun, Clock
from tracker.session.folder import read_session
from tracker.settings import Settings
from tracker.simulation.rigdoubt import Survey, doubted
from tracker.simulation.rigs import pair
from tracker.simulation.rigs import turned as knocked
from tracker.trust.balls import session_arcs
from tracker.trust.knock import LANE_POINTS_M, turned
from tracker.trust.pattern import faults
from tracker.trust.refine import Refined, facts, refine, refine_session, told, wanted

POOR = Survey(click_sd_px=1.0, mark_sd_m=0.010)  # marks clicked and measured carelessly
PLACES_M = np.array([(0.3, 18.5, 2.1), (0.2, 14.0, 1.8), (0.1, 10.0, 1.2), (0.0, 6.0, 0.036), (0.0, 0.0, 0.5)])


@cache
def doubtful(name: str, seed: int, balls: int = 8):
    """A true rig, the rig a careless survey left of it, and the session's balls under that."""
    true = pair(name, rows=720)
    rng = np.random.default_rng(1000 + seed)
    seen, films = filmed(true, bowled(balls, seed), rng)
    rig = doubted(true, rng, POOR)
    return true, rig, measured(rig, seen, films)


def place_errors(rig: Rig, true: Rig) -> np.ndarray:
    """How far off the rig puts places of the lane that the true cameras see perfectly (n, 3)."""
    found, _ = triangulate_many(*rig.cameras, *(camera.project(PLACES_M) for camera in true.cameras))
    return found - PLACES_M


def numbers(rig: Rig, names) -> np.ndarray:
    """The named numbers of a rig."""
    out = []
    for name in names:
        view, own = name.split(".")
        c = getattr(rig, view)
        lens = {f"{view}.{k}": v for k, v in zip(("k1", "k2", "p1", "p2", "k3"), c.lens.distortion, strict=False)}
        lens |= {f"{view}.f{a}": c.lens.matrix[i, i] for i, a in enumerate("xy")}
        lens |= {f"{view}.c{a}": c.lens.matrix[i, 2] for i, a in enumerate("xy")}
        lens |= {f"{view}.r{a}": c.rotation_vector[i] for i, a in enumerate("xyz")}
        lens |= {f"{view}.t{a}": c.translation_m[i] for i, a in enumerate("xyz")}
        out.append(lens[f"{view}.{own}"])
    return np.array(out)


@pytest.mark.parametrize("other", OTHERS)
def test_slopes_by_the_rigs_other_numbers_are_those_of_the_prediction(other):
    """Central differences of the prediction with the camera so changed."""
    rig, evidence = plain("crossing", balls=1)
    (arc,), _ = session_arcs(evidence.clips)
    for view in ("left", "right"):
        camera = getattr(rig, view)
        step = 1e-6 if other in ("growth", "row_time_s", "time_offset_s") or "turn" in other else 1e-3
        seen = []
        for sign in (1, -1):
            h = sign * step
            matrix, rows, now = camera.lens.matrix.copy(), arc.rows, camera
            if other.startswith("turn"):
                vector = np.zeros(3)
                vector[("turn_right", "turn_down", "turn_ahead").index(other)] = h
                now = turned(camera, vector)
            elif other == "growth":
                matrix[[0, 1], [0, 1]] *= 1 + h
                now = replace(camera, lens=replace(camera.lens, matrix=matrix))
            else:
                late = h * (arc.rows.px[:, 1] if other == "row_time_s" else 1.0) * (arc.rows.view == (view == "right"))
                rows = replace(arc.rows, time_s=arc.rows.time_s + late)
            changed = replace(rig, **{view: now})
            seen.append(-predict(arc.theta, arc.model, rows, changed.cameras, 0.004).residual)
        here = predict(arc.theta, arc.model, arc.rows, rig.cameras, 0.004)
        analytic = slopes([f"{view}.{other}"], here, arc, rig)[:, :, 0]
        numeric = (seen[0] - seen[1]) / (2 * step)
        np.testing.assert_allclose(analytic, numeric, rtol=2e-3, atol=2e-4 * np.abs(numeric).max())


def test_slopes_by_the_rig_files_numbers():
    rig, evidence = plain("end_on", balls=1)
    (arc,), _ = session_arcs(evidence.clips)
    here = predict(arc.theta, arc.model, arc.rows, rig.cameras, 0.004)
    for name in ("left.fx", "left.cy", "right.k1", "right.ry", "left.tz"):
        step = np.array([1e-3 if name[-2] in "fc" else 1e-6])
        up, down = (
            predict(arc.theta, arc.model, arc.rows, rig.shifted((name,), s).cameras, 0.004) for s in (step, -step)
        )
        numeric = (down.residual - up.residual) / (2 * step)
        analytic = slopes([name], here, arc, rig)[:, :, 0]
        np.testing.assert_allclose(analytic, numeric, rtol=1e-4, atol=1e-5 * np.abs(numeric).max())


def test_elimination_is_that_of_the_whole_system():
    """Schur's complement against the full normal equations of two flights, solved at once."""
    rig, evidence = plain("end_on", balls=2)
    arcs, sds = session_arcs(evidence.clips)
    names = ("left.rx", "left.ry", "right.tz")
    shared, pieces = gather(arcs, rig, names, np.zeros(len(COMMON)), 0.016)
    q, p = len(names) + len(COMMON), len(arcs[0].theta)
    whole, pull = np.zeros((2 * p + q, 2 * p + q)), np.zeros(2 * p + q)
    for i, (arc, piece) in enumerate(zip(arcs, pieces, strict=True)):
        own = slice(i * p, (i + 1) * p)
        whole[own, own] = np.linalg.inv(piece.A_inverse)
        whole[own, 2 * p :], whole[2 * p :, own] = piece.B, piece.B.T
        pull[own] = piece.own
        prediction = predict(arc.theta, arc.model, arc.rows, rig.cameras, 0.016)
        K = slopes(names, prediction, arc, rig).reshape(-1, len(names))
        r = prediction.residual.ravel()
        weight = arc.prior.weight[list(COMMON)]
        off = (arc.theta - arc.prior.mean[:p])[list(COMMON)]
        whole[2 * p :, 2 * p :] += np.block(
            [[K.T @ K / arc.scale, np.zeros((3, len(COMMON)))], [np.zeros((len(COMMON), 3)), np.diag(weight)]]
        )
        pull[2 * p :] += np.r_[K.T @ r / arc.scale, weight * off]
    prior = np.diag(np.r_[np.full(3, 1e6), 1 / np.maximum(sds, 1e-9) ** 2])
    whole[2 * p :, 2 * p :] += prior
    at_once = np.linalg.solve(whole, pull)[2 * p :]
    eliminated = np.linalg.solve(shared.normal + prior, shared.pull)
    np.testing.assert_allclose(eliminated[:3], at_once[:3], rtol=1e-4, atol=1e-9)


def test_balls_make_a_doubtful_rig_better_and_its_covariance_stays_true():
    """Places on the lane, four careless surveys. Where the lane lies balls cannot tell; whether space bends they can.

    chi-squared band of the errors over the stated covariance: 99.8 %.
    """
    before, after, scores = [], [], []
    for seed in range(4):
        true, rig, evidence = doubtful("side", seed)
        found = refine_session(evidence.clips)
        assert isinstance(found, Refined) and found.misfit < found.limit
        assert found.cost[1] < found.cost[0] and found.balls == 8
        before.append(place_errors(rig, true))
        after.append(place_errors(found.rig, true))
        names = found.rig.names
        error = numbers(found.rig, names) - numbers(true, names)
        np.testing.assert_allclose(numbers(found.rig, names) - numbers(rig, names), found.moved, rtol=1e-6, atol=1e-12)
        sd = np.sqrt(found.rig.cov.diagonal())
        scores.append(error / sd @ np.linalg.solve(found.rig.cov / np.outer(sd, sd), error / sd))
        assert np.all(found.rig.cov.diagonal() <= rig.cov.diagonal() * (1 + 1e-9))
    rms = [np.sqrt(np.mean(np.square(errors))) for errors in (before, after)]
    bent = [np.sqrt(np.mean(np.diff(errors, 2, axis=1) ** 2)) for errors in (before, after)]
    assert rms[1] < rms[0] and bent[1] < 0.5 * bent[0]
    low, high = chi2.ppf([0.001, 0.999], 4 * len(names))
    assert low < sum(scores) < high


def test_the_change_is_never_beyond_what_the_covariance_allows():
    _, rig, evidence = doubtful("side", 1)
    found = refine_session(evidence.clips)
    sd = np.sqrt(rig.cov.diagonal())
    far = found.moved / sd @ np.linalg.lstsq(rig.cov / np.outer(sd, sd), found.moved / sd, rcond=1e-12)[0]
    assert far < chi2.ppf(0.999, len(rig.names))
    assert np.all(np.abs(found.moved) < 4 * sd)


@pytest.mark.slow
def test_a_knocked_camera_is_not_refined_away():
    """A turn of one degree: refused, and the rig stays as it was. After so poor a survey half of it is on the limit."""
    true, rig, _ = doubtful("side", 2)
    seen, films = filmed(true, bowled(8, 2), np.random.default_rng(1))
    off = replace(rig, right=knocked(rig.right, np.array([0.6, 0.0, 0.8])))
    evidence = measured(off, seen, films)
    said = refine_session(evidence.clips)
    assert isinstance(said, str)
    assert said.startswith("the balls want the rig moved ") and "times farther than its covariance allows" in said
    assert said.endswith("Look for a knocked camera with `lanepair check`, or calibrate again")


def test_a_rig_taken_as_exact_and_too_few_balls_are_refused_in_words():
    _, evidence = plain("end_on")
    assert refine_session(evidence.clips) == (
        "the rig has no covariance, so the balls may not move it: calibrate it, or leave --refine-rig out"
    )
    _, _, session = doubtful("side", 1)
    few = [replace(session.clips[0], found=session.clips[0].found[:3])]
    assert refine_session(few) == "3 balls were measured, too few to refine the rig by; 4 are needed"


def test_clocks_stay_as_they_were():
    _, rig, evidence = doubtful("side", 1)
    names, n = (*rig.names, "right.time_offset_s"), len(rig.names)
    cov = np.zeros((n + 1, n + 1))
    cov[:n, :n], cov[n, n] = rig.cov, (1e-4) ** 2
    arcs, _ = session_arcs(evidence.clips)
    settings = Settings().flight
    found = refine(arcs, replace(rig, names=names, cov=cov), common_sd(settings, 1e-4), settings.step_s)
    assert found.moved[n] == 0.0 and found.rig.right.time_offset_s == rig.right.time_offset_s
    np.testing.assert_allclose(found.rig.cov[n, n], 1e-8, rtol=1e-6)


def test_what_balls_have_in_common_is_not_taken_for_the_rigs():
    """All balls with the same strong backspin: with their common lift free the rig is moved no farther than without."""
    _, rig, evidence = doubtful("side", 1)
    arcs, sds = session_arcs(evidence.clips)
    free = refine(arcs, rig, sds, 0.016)
    bound = refine(arcs, rig, 1e-6 * sds, 0.016)
    wider = free.rig.cov.diagonal() / bound.rig.cov.diagonal()
    assert wider.min() > 1 - 1e-3  # each is linearised at its own rig
    assert wider.mean() > 1.005
    assert wanted(arcs, rig, sds, 0.016)[0] <= wanted(arcs, rig, 1e-6 * sds, 0.016)[0] + 0.2


def test_a_refined_rig_has_no_fault_left():
    _, _, evidence = doubtful("side", 1)
    found = refine_session(evidence.clips)
    arcs, sds = session_arcs(evidence.clips)
    ranked = faults(arcs, found.rig, sds, 0.016)
    assert ranked[0].worth < 10


def test_the_run_tells_before_and_after(tmp_path, monkeypatch, capsys):
    """`lanepair track --refine-rig`, films left out: measured with the posterior rig, which tracks.h5 keeps."""
    _, rig, evidence = doubtful("side", 1)
    folder = lay_session(tmp_path / "session", rig)
    toml = (folder / "session.toml").read_text()
    (folder / "session.toml").write_text(toml[: toml.rindex("[[clips]]")].replace('log = "log.csv"\n', ""))
    session = read_session(folder)
    balls = replace(evidence.clips[0], job=replace(evidence.clips[0].job, session=session))
    left, right = evidence.sightings[0]
    films = balls.job.films

    def as_seen(session, clip, number, *_):
        run = ClipRun(1, left, right, films, balls.clock, (), {})
        return run, balls, Views(left, right, balls.clock)

    monkeypatch.setattr(pipeline, "open_all", lambda session: None)
    monkeypatch.setattr(pipeline, "measure_clip", as_seen)
    plain_run, _ = track_into(session, tmp_path / "plain", Settings(), pipeline.Options(), quiet=True)
    run, _ = track_into(session, tmp_path / "refined", Settings(), pipeline.Options(refine_rig=True), quiet=True)
    assert plain_run.rig is None and run.rig is not None
    described = json.loads((tmp_path / "refined" / "run.json").read_text())
    refined = described["refined_rig"]
    assert refined["balls"] == 8 and {row["name"] for row in refined["numbers"]} == set(rig.names)
    assert all(row["sd_after"] <= row["sd_before"] * (1 + 1e-9) for row in refined["numbers"])
    assert [place["place"] for place in refined["places"]] == list(LANE_POINTS_M)
    note = next(words for words in described["warnings"] if "refined" in words)
    assert note.startswith("the rig was refined by 8 balls within its covariance: left camera 0.")
    assert "doubt of the rig along the lane at the bounce" in note and "->" in note
    assert "refined_rig" not in json.loads((tmp_path / "plain" / "run.json").read_text())
    assert (folder / "rig.toml").read_text() == (tmp_path / "session" / "rig.toml").read_text()
    sds = [
        np.median([d.measures["gate_speed_mps"].sd for d in one.deliveries if "gate_speed_mps" in d.measures])
        for one in (plain_run, run)
    ]
    assert sds[1] < sds[0]


def test_facts_and_words_agree():
    _, _, evidence = doubtful("side", 1)
    found = refine_session(evidence.clips)
    described = facts(found)
    words = told(found)
    before, after = (1e3 * described["places"][1][key]["along_sd_m"] for key in ("before", "after"))
    assert f"{before:.1f} -> {after:.1f} mm" in words
    moved = np.array([row["moved"] for row in described["numbers"]])
    np.testing.assert_allclose(moved, found.moved)
    assert Path("run.json").name in words


@pytest.mark.slow
def test_clocks_are_told_by_all_balls_within_the_rigs_doubt():
    """A rig's error pushes every ball's clock alike: the mean of 12 balls hides it, the joint adjustment does not."""
    true, squared = pair("crossing", rows=720), []
    for seed in range(1, 4):
        rng = np.random.default_rng(seed)
        late_s = rng.uniform(-2e-3, 2e-3)
        seen, films = filmed(true, bowled(12, seed), rng, right={"start_s": late_s})
        clock = balls_given(doubted(true, rng), seen, films, seed)
        off_s = offset_at(clock, clock.told_s) - late_s
        squared.append((off_s / clock.sd_s) ** 2)
        assert abs(off_s) < 0.25e-3 and clock.sd_s < 0.1e-3
    low, high = chi2.ppf([0.001, 0.999], 3)
    assert low < sum(squared) < high


def test_the_mean_of_the_balls_clocks_states_what_the_rig_adds():
    _, _, evidence = doubtful("side", 3)
    (balls,) = evidence.clips
    flights = asked(balls.job, balls.found)
    i = flights[0].names.index("clock_s")
    own = 1 / np.sqrt(sum(1 / flight.cov[i, i] for flight in flights))
    rig = np.sqrt(np.median([flight.rig_cov[i, i] for flight in flights]))
    assert joined(flights, Clock(0.0, 0.0)).sd_s >= np.hypot(own, rig) * (1 - 1e-9)

"""Sightings without pictures: times, noise, faults; and the rig whose doubt is stated."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi2

from calibration.rig import read_rig, write_rig
from tracker.simulation import optics
from tracker.simulation.bowling import BOWLERS, draw
from tracker.simulation.rigdoubt import Survey, doubted, survey_covariance
from tracker.simulation.rigs import pair
from tracker.simulation.scenes import SCENES
from tracker.simulation.sightings import Seeing, film_clock, show, sight
from tracker.simulation.truth import deliver
from tracker.simulation.world import Path as BallPath


@pytest.fixture(scope="module")
def flown():
    b = draw(BOWLERS["pace"], np.random.default_rng(4), release_s=0.5)
    return deliver(b.throw, b.forces, b.ground)


def steady_path(start_m, velocity):
    def arc(t):
        return np.hstack([start_m + t[:, None] * velocity, np.tile(velocity, (len(t), 1))])

    return BallPath(0.0, (10.0,), (arc,))


@pytest.mark.parametrize("readout_s", [0.0, 0.010])
def test_a_sighting_belongs_to_mid_exposure_of_its_row(readout_s, flown):
    """docs/files.md: t = tau + clip offset + time_offset_s + v row_time_s + exposure_s / 2."""
    rig = pair("crossing", exposure_s=0.002, readout_s=(readout_s, readout_s))
    rng = np.random.default_rng(0)
    for view, camera in enumerate(rig.cameras):
        clock = film_clock(240, 1.4, rng)
        seen = sight([flown.path], camera, view, clock, rng, Seeing(sd_px=1e-9, along_share=0.0))
        px = optics.project(camera, flown.path.position_m(seen.sightings.time_s))
        far = np.abs(seen.sightings.time_s - flown.bounce_s) > 0.002  # the average over the bounce is not its middle
        # curvature of the path over the exposure: a t^2 / 24 < 0.02 px
        np.testing.assert_allclose(seen.sightings.centre_px[far], px[far], atol=0.02)
        np.testing.assert_allclose(seen.true_s, seen.sightings.time_s, atol=1e-6)


def test_noise_has_the_stated_covariance(flown):
    rig, rng, parts = pair("end_on"), np.random.default_rng(1), []
    for _ in range(12):
        seen = sight([flown.path], rig.left, 0, film_clock(240, 1.4, rng), rng, Seeing(sd_px=0.3, along_share=0.1))
        miss = seen.sightings.centre_px - seen.true_px
        parts.append(np.einsum("ni,nij,nj->n", miss, np.linalg.inv(seen.sightings.cov_px2), miss))
    total = np.concatenate(parts)
    low, high = chi2.ppf([0.001, 0.999], 2 * len(total))
    assert low < total.sum() < high


def test_faults_are_what_they_are_called(flown):
    rig, rng = pair("end_on"), np.random.default_rng(2)
    seeing = Seeing(
        miss=0.2, outlier=0.1, outlier_px=20.0, hidden_s=((0.7, 0.8),), clutter_per_s=3.0, lone_per_frame=0.1
    )
    clock = film_clock(1000, 1.4, rng)
    seen = sight([flown.path], rig.left, 0, clock, rng, seeing)
    everywhere = len(show(flown.path, rig.left, clock, 0.036).frame)
    mine = seen.path == 0
    assert not ((seen.true_s[mine] > 0.7) & (seen.true_s[mine] < 0.8)).any()
    assert mine.sum() == pytest.approx(0.8 * (everywhere - 100), abs=4 * np.sqrt(everywhere * 0.16))
    assert seen.outlier.sum() == pytest.approx(0.1 * mine.sum(), abs=4 * np.sqrt(everywhere * 0.09))
    assert (seen.path == -1).any() and np.isnan(seen.true_px[seen.path == -1]).all()
    assert (np.diff(seen.sightings.frame) >= 0).all()
    assert not set(seen.sightings.chain[mine]) & set(seen.sightings.chain[~mine])


def test_clocks_drift_jitter_and_drop():
    rng = np.random.default_rng(3)
    fast = film_clock(100, 100.0, rng, start_s=2.0, drift_ppm=200.0)
    assert fast.stated_s[0] == 0.0 and fast.true_s[0] == 2.0
    assert (fast.stated_s[-1] - (fast.true_s[-1] - 2.0)) / fast.stated_s[-1] == pytest.approx(200e-6, rel=1e-3)
    jitter = film_clock(100, 50.0, rng, jitter_s=0.001)
    assert np.std(np.diff(jitter.stated_s)) == pytest.approx(np.sqrt(2) * 0.001, rel=0.1)
    np.testing.assert_allclose(np.diff(jitter.true_s), 0.01)
    drops = film_clock(100, 100.0, rng, drop=0.02)
    assert 1 - len(drops.true_s) / 10000 == pytest.approx(0.02, abs=0.006)
    np.testing.assert_allclose(drops.stated_s, drops.true_s, atol=1e-4)
    blind = film_clock(100, 100.0, rng, drop=0.02, stamped=False)
    np.testing.assert_allclose(np.diff(blind.stated_s), 0.01, atol=1e-6)
    assert blind.true_s[-1] - blind.stated_s[-1] > 1.0


def test_the_same_seed_sees_the_same(flown):
    def once(seed):
        rng = np.random.default_rng(seed)
        return sight([flown.path], pair("side").left, 0, film_clock(120, 1.4, rng), rng, Seeing(clutter_per_s=2.0))

    a, b, c = once(5), once(5), once(6)
    np.testing.assert_array_equal(a.sightings.centre_px, b.sightings.centre_px)
    assert (
        a.sightings.centre_px.shape != c.sightings.centre_px.shape
        or (a.sightings.centre_px != c.sightings.centre_px).any()
    )


def test_streak_and_size():
    """Apparent diameter f d / z and smear f v t / z of a ball that crosses at 10 m (pinhole)."""
    rig = pair("side", distortion=(0.0,) * 5, exposure_s=0.001)
    camera = rig.left
    ahead = optics.rotation(camera.rotation_vector)[2]
    right = optics.rotation(camera.rotation_vector)[0]
    path = steady_path(camera.centre_m + 10 * ahead, 30.0 * right)
    shown = show(path, camera, film_clock(1000, 0.002, np.random.default_rng(0)), 0.036)
    f = camera.lens.matrix[0, 0]
    assert shown.size_px[0] == pytest.approx(f * 0.072 / 10, rel=1e-4)
    np.testing.assert_allclose(shown.streak_px[0], [f * 0.03 / 10, 0], atol=1e-4)


def test_a_doubted_rig_states_its_error_truly(tmp_path):
    """Errors of projected lane points, over their stated covariance, are chi-squared (first order)."""
    rig = pair("end_on")
    points = np.array([[0.5, 18.5, 2.2], [0.1, 5.0, 0.036], [0.0, 0.0, 0.7]])
    names, cov = survey_covariance(rig, Survey())
    step = 1e-3 * np.sqrt(cov.diagonal())
    slopes = []
    for j, h in enumerate(step):
        up, down = (_pixels(rig.shifted(names, s * h * np.eye(len(step))[j]), points) for s in (1, -1))
        slopes.append((up - down) / (2 * h))
    spread = np.array(slopes).T @ cov @ np.array(slopes)
    scores = []
    for seed in range(25):
        other = doubted(rig, np.random.default_rng(seed))
        miss = _pixels(other, points) - _pixels(rig, points)
        scores.append(miss @ np.linalg.solve(spread, miss))
    low, high = chi2.ppf([0.001, 0.999], 25 * len(spread))
    assert low < sum(scores) < high
    assert 0.05 < np.sqrt(spread.diagonal()).max() < 5  # px
    write_rig(tmp_path / "rig.toml", other)
    back = read_rig(tmp_path / "rig.toml")
    assert back.names == names
    np.testing.assert_allclose(back.cov, cov, rtol=1e-9)


def _pixels(rig, points):
    return np.concatenate([optics.project(c, points).ravel() for c in rig.cameras])


def test_a_shorter_pitch_moves_the_bowlers_end():
    long, short = pair("end_on"), pair("end_on", pitch_length_m=17.3736)
    moved = long.left.centre_m[1] - short.left.centre_m[1]
    assert moved == pytest.approx((20.1168 - 17.3736) * 22.5 / 20.1168)
    assert replace(short, pitch_length_m=1.0).left is short.left


def test_the_documents_example_runs(capsys):
    page = (Path(__file__).parents[1] / "docs" / "simulate.md").read_text(encoding="utf-8")
    exec(page.split("```python\n")[1].split("```")[0], {})
    speed, count = capsys.readouterr().out.split()
    assert 25 < float(speed) < 40 and int(count) > 200


def test_the_document_names_every_scene():
    page = (Path(__file__).parents[1] / "docs" / "simulate.md").read_text(encoding="utf-8")
    told = set(re.findall(r"`([a-z_0-9]+)`", page.split("## Scenes")[1].split("## How true")[0]))
    assert told >= set(SCENES) - {"plain", "empty", "plain_wall", "dark_sheet", "terracotta", "quick"}

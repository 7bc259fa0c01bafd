"""The sample session in sample_frames/: complete, small, as its README says."""

import csv
from pathlib import Path

import av
import numpy as np
import pytest

from tracker.session.folder import read_session
from tracker.simulation import optics

SAMPLE = Path(__file__).parents[1] / "sample_frames"


def truth(name):
    with (SAMPLE / "truth" / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_the_sample_is_small_and_invented():
    size = sum(f.stat().st_size for f in SAMPLE.rglob("*") if f.is_file())
    assert size < 25e6
    session = read_session(SAMPLE)
    assert "invented" in session.name and set(session.log["note"]) == {"invented"}
    assert "invented" in (SAMPLE / "README.md").read_text(encoding="utf-8")


def test_two_bowlers_bowl_to_both_hands_with_a_calibrated_rig():
    session = read_session(SAMPLE)
    pairs = set(zip(session.log["bowler"], session.log["batter_hand"], strict=True))
    assert len({b for b, _ in pairs}) == 2 and len(pairs) == 4
    assert not session.rig.exact and session.rig.left.time_offset_s == 0.0
    assert len(truth("deliveries.csv")) == len(session.log)


@pytest.mark.parametrize("view", ["left", "right"])
def test_the_films_fit_the_rig_and_the_truth_fits_the_films(view):
    """The middle of what changes where the truth says a ball is lies within two pixels of it (compressed film)."""
    session = read_session(SAMPLE)
    start_s = float(truth("deliveries.csv")[0]["start_s"])
    rows = {int(r["frame"]): r for r in truth(f"{view}.csv") if r["delivery"] == "1"}
    flying = [k for k, r in rows.items() if 0.10 < float(r["time_s"]) - start_s < 0.16]
    with av.open(str(getattr(session.clips[0], view))) as film:
        frames = {}
        for k, frame in enumerate(film.decode(video=0)):
            if k > max(flying):
                break
            if k >= min(flying) - 12:
                frames[k] = frame.to_ndarray(format="rgb24").astype(float)
    assert frames[max(flying)].shape[1::-1] == getattr(session.rig, view).lens.image_size_px
    for k in flying:
        u, v, reach = float(rows[k]["u_px"]), float(rows[k]["v_px"]), 12
        part = np.s_[round(v) - reach : round(v) + reach + 1, round(u) - reach : round(u) + reach + 1]
        redder = _red(frames[k][part]) - _red(frames[k - 12][part])
        weight = np.where(redder > 25, redder, 0.0)
        r, c = np.indices(weight.shape)
        found = np.array([(c * weight).sum(), (r * weight).sum()]) / weight.sum() + [round(u) - reach, round(v) - reach]
        assert np.hypot(*(found - [u, v])) < 2.0


def _red(part):
    return part[..., 0] - part[..., 1:].mean(axis=2)


def test_the_stated_rig_is_near_the_one_that_filmed():
    from calibration.rig import read_rig

    stated, true = read_rig(SAMPLE / "rig.toml"), read_rig(SAMPLE / "truth" / "rig.toml")
    points = np.array([[0.4, 17.0, 2.0], [0.1, 5.0, 0.04], [0.0, 0.0, 0.7]])
    for mine, other in zip(stated.cameras, true.cameras, strict=True):
        apart = np.linalg.norm(optics.project(mine, points) - optics.project(other, points), axis=1)
        assert (apart > 1e-3).all() and (apart < 5.0).all()

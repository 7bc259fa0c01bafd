"""The lane's own paint as a measuring tape: wrong scales are named, and nothing else is taken for one (PITFALLS 10)."""

from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.refine import Scene
from calibration.rig import Rig
from tests import drawn
from tests.drawn import paint
from tests.trust_creases import foreign_lines, hall_pictures, inward, lane_painted, shorter
from tracker.simulation.rigdoubt import doubted
from tracker.simulation.rigs import pair, turned
from tracker.trust.check import CHECKS, Evidence, creases_part, make_lookouts
from tracker.trust.creases import CREASES_DOUBTFUL, creases_check, creases_scale
from tracker.trust.lines import Shown, measured, pieces, wickets
from tracker.trust.lookout import Lookout

PAINTED = {"lawful": paint, "inward": inward, "shorter": shorter, "nothing": lambda x, y: np.zeros(x.shape, bool)}


@cache
def true_rig(name: str) -> Rig:
    return pair(name, rows=720)


@cache
def stated(name: str, seed: int = 5) -> Rig:
    """As a survey would leave it."""
    return doubted(true_rig(name), np.random.default_rng(seed))


@cache
def lane_pictures(name: str, painted: str = "lawful", stumps: bool = True) -> tuple[np.ndarray, ...]:
    rng = np.random.default_rng(11)
    return tuple(lane_painted(camera, rng, PAINTED[painted], stumps) for camera in true_rig(name).cameras)


def enlarged(rig: Rig, by: float) -> Rig:
    left, right = (replace(c, translation_m=by * c.translation_m) for c in rig.cameras)
    return replace(rig, left=left, right=right)


def told(rig: Rig, pictures, kept: bool = True):
    (check,) = creases_check(rig, pictures, kept)
    return check


@pytest.mark.parametrize("name", ["end_on", "side"])
@pytest.mark.parametrize("by", [1.04, 0.96])
def test_a_rig_of_a_wrong_scale_is_named(name, by):
    check = told(enlarged(stated(name), by), lane_pictures(name))
    assert check.verdict == "fail" and check.value == pytest.approx(100 * (by - 1), abs=0.8)
    assert f"come out {abs(check.value):.1f} % (one sd " in check.advice
    assert f") too {'large' if by > 1 else 'small'} (across " in check.advice
    assert "(a wrong scale: board square or marks measured wrongly). Measure" in check.advice


@pytest.mark.parametrize("name", ["end_on", "side"])
def test_a_right_rig_passes_and_its_figure_is_told(name):
    check = told(stated(name), lane_pictures(name))
    assert check.verdict == "pass" and check.advice == "" and abs(check.value) < 0.8
    assert 100 * CREASES_DOUBTFUL <= check.limit < 3


@pytest.mark.slow
def test_the_simulators_hall_is_read_too():
    """Worn paint, a net before the lane, other lanes beside it."""
    pictures = hall_pictures(true_rig("crossing"), seed=3)
    assert told(stated("crossing"), pictures).verdict == "pass"
    assert told(enlarged(stated("crossing"), 1.04), pictures).value == pytest.approx(4.0, abs=0.8)


def test_rigs_without_doubt_or_with_a_singular_one_are_checked_too():
    exact, pictures = true_rig("side"), lane_pictures("side")
    assert told(exact, pictures).verdict == "pass"
    rig = stated("side")
    names, n = (*rig.names, "right.time_offset_s"), len(rig.names)
    cov = np.zeros((n + 1, n + 1))
    cov[:n, :n] = rig.cov
    assert told(replace(rig, names=names, cov=cov), pictures).value == pytest.approx(
        told(rig, pictures).value, abs=0.01
    )


def test_one_camera_is_enough_and_none_tells_nothing():
    left, _ = lane_pictures("side")
    assert told(enlarged(stated("side"), 1.04), (left, None)).value == pytest.approx(4.0, abs=0.8)
    assert creases_check(stated("side"), (None, None), kept=True) == []


@pytest.mark.parametrize("name", ["end_on", "side"])
def test_a_lane_without_paint_accuses_nobody(name):
    check = told(stated(name), lane_pictures(name, "nothing"))
    assert check.verdict == "pass" and np.isnan(check.value)
    assert check.advice.startswith("cannot tell the scale: ")


def test_the_narrow_lane_is_told_by_its_directions():
    """Return creases painted 50 mm inward are 3.8 % too narrow: one direction alone is no scale."""
    check = told(stated("end_on"), lane_pictures("end_on", "inward"))
    assert np.isnan(check.value) and check.advice.startswith(
        "cannot tell the scale: by the creases the lane comes out too large by across -3."
    )
    assert check.advice.endswith("%, and no two directions agree; are they painted as in the Laws?")


def test_without_wickets_a_pair_behind_the_bowler_cannot_tell():
    """It sees one end from afar: its width, and hardly its length."""
    pictures = lane_pictures("end_on", "inward", stumps=False)
    assert told(stated("end_on"), pictures).verdict == "pass"
    pictures = lane_pictures("end_on", "lawful", stumps=False)
    check = told(enlarged(stated("end_on"), 1.04), pictures)
    assert check.verdict == "pass" and "no two directions agree" in check.advice


def test_a_lane_of_another_length_is_no_scale():
    assert told(stated("side"), lane_pictures("side", "shorter")).verdict == "pass"


@pytest.mark.parametrize("seed", range(2))
def test_lines_of_other_games_accuse_nobody(seed):
    rng = np.random.default_rng(seed)
    painted = foreign_lines(rng)
    pictures = [lane_painted(camera, rng, painted) for camera in true_rig("end_on").cameras]
    assert told(stated("end_on"), pictures).verdict == "pass"


@pytest.mark.parametrize("name", ["end_on", "side"])
def test_a_turned_camera_is_no_scale_and_hides_none(name, rng):
    for _ in range(3):
        hand = rng.normal(size=3)
        knocked = replace(stated(name), left=turned(stated(name).left, 0.15 * hand / np.linalg.norm(hand)))
        assert abs(told(knocked, lane_pictures(name)).value) < 0.8
        assert told(enlarged(knocked, 1.04), lane_pictures(name)).value == pytest.approx(4.0, abs=0.9)


def test_people_in_the_way_accuse_nobody_and_hide_little(rng):
    pictures = []
    for picture in lane_pictures("side"):
        busy = picture.copy()
        for at in (100, 180, 640, 1150):
            cv2.line(busy, (at, 330), (at + int(rng.normal(0, 15)), 470), int(rng.choice([25, 220])), 24)
        pictures.append(busy)
    assert told(stated("side"), pictures).verdict == "pass"
    assert told(enlarged(stated("side"), 1.04), pictures).value == pytest.approx(4.0, abs=0.8)


def test_the_whole_lane_covered_says_so():
    grey = np.full((720, 1280), 110, np.uint8)
    check = told(stated("end_on"), (grey, grey))
    assert (check.verdict, check.advice) == (
        "pass",
        "cannot tell the scale: no creases of the Laws are found in the picture",
    )


def test_errors_are_within_what_is_stated():
    scores = []
    for seed in range(12):
        for name in ("end_on", "side"):
            found = creases_scale(stated(name, seed), lane_pictures(name))
            scores.append(found.off / found.sd)
    assert np.sqrt(np.mean(np.square(scores))) < 1.5


def test_pieces_lie_on_the_paint():
    """Against the other drawing of the Laws' lines (tests/drawn.py)."""
    what = pieces(20.1168)
    assert paint(what.point_m[..., 0], what.point_m[..., 1]).all()
    beside = what.point_m + 0.06 * what.wide[:, None]
    assert not paint(beside[..., 0], beside[..., 1]).any()
    assert len(set(what.line)) == 8


def test_junior_wickets_are_looked_for_where_they_end(monkeypatch):
    """Law 8, junior clause of the 2000 code: 27 inches, drawn so; a full wicket's top is 25 mm higher."""
    monkeypatch.setattr(drawn, "STUMP_HEIGHT_M", 27 * 0.0254)
    rig = true_rig("side")
    for view, camera in enumerate(rig.cameras):
        picture = lane_painted(camera, np.random.default_rng(3), paint)
        found = wickets(Shown(view, camera, picture), Scene(junior_stumps=True), 1.0)
        assert len(found.off_px) and np.abs(found.off_px).max() < 5 * found.sd_px.max()


def test_shifts_are_measured_to_a_fraction_of_a_pixel():
    """A camera shifted by 15 mm: each piece's shift against the projection's, on a picture with noise."""
    true = true_rig("side").left
    moved = replace(true, translation_m=true.translation_m + true.R @ np.array([0.015, 0.0, 0.0]))
    what = pieces(20.1168)
    rows = measured(Shown(0, moved, lane_pictures("side")[0]), what, 1.0, np.zeros(len(what.line)), 6.0)
    should = ((true.project(rows.point_m) - moved.project(rows.point_m)) * rows.normal).sum(axis=1)
    found = np.isfinite(rows.sd_px)
    assert found.mean() > 0.8
    miss = rows.off_px[found] - should[found]
    assert np.median(np.abs(miss)) < 0.2 and np.mean(np.abs(miss) < 3 * rows.sd_px[found]) > 0.9


def test_the_session_check_takes_the_kept_pictures_or_the_first_of_the_films(tmp_path):
    rig = replace(enlarged(stated("side"), 1.04), notes={"lane_pictures": {"left": "l.png", "right": "r.png"}})
    for picture, name in zip(lane_pictures("side"), ("l.png", "r.png"), strict=True):
        cv2.imwrite(str(tmp_path / name), picture)
    kept = make_lookouts(rig, tmp_path / "rig.toml")
    evidence = Evidence((), (), rig, tmp_path / "rig.toml", (), kept)
    (check,) = CHECKS["creases"](evidence)
    assert check.verdict == "fail" and "zoom" not in check.advice
    first = [Lookout(c, p, "none is kept") for c, p in zip(rig.cameras, lane_pictures("side"), strict=True)]
    (check,) = creases_part(replace(evidence, lookouts=(first[0], first[1])))
    assert check.verdict == "fail" and "marks measured wrongly, or the zoom was changed)" in check.advice
    assert creases_part(replace(evidence, lookouts=None, rig_path=Path("nowhere"))) == []

"""The verdict: doubt carried to the lane, cross-validation, half-sets, what to film next."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy import stats

from calibration.adjust import Observed
from calibration.advice import _mark_offers, advise
from calibration.doubt import doubt_at, miss_of_right_sd_px, miss_sd_px
from calibration.rehearse import Plan
from calibration.rig import VIEWS, Rig
from calibration.solve import Solution, again, solve
from calibration.suspect import leave_one_out
from calibration.triangulate import triangulate
from calibration.verdict import Coverage, jackknife, judge, lane_places
from tests.rehearsed import BOARD, LANE_M, NAMES, RIGS, found_at, job_for
from tracker.simulation.rigs import pair

END_ON = RIGS["end on"]
PLACES = lane_places(END_ON.pitch_length_m)


@pytest.fixture(scope="module")
def solution() -> Solution:
    rng = np.random.default_rng(21)
    return solve(job_for(END_ON, rng, Plan(pairs=12, singles=6)), rng)


def sampled(rig: Rig, place: np.ndarray, rng: np.random.Generator, n: int = 2000) -> np.ndarray:
    """Where perfect sightings of the rig as it stands are put by rigs drawn from its covariance."""
    px = np.vstack([c.project(place[None]) for c in rig.cameras])
    steps = rng.multivariate_normal(np.zeros(len(rig.names)), rig.cov, n, method="eigh")
    shifted = (rig.shifted(rig.names, step) for step in steps)
    return np.array([triangulate(r.cameras, px, np.tile(np.eye(2), (2, 1, 1)), 4)[0] for r in shifted])


def test_doubt_on_the_lane_is_that_of_sampled_rigs(solution: Solution) -> None:
    n = 1000
    found = sampled(solution.rig, LANE_M[1], np.random.default_rng(1), n)
    ratio = found.var(axis=0, ddof=1) / doubt_at(solution.rig, LANE_M[1][None]).diagonal()
    assert np.all(np.abs(ratio - 1) < 5 * np.sqrt(2 / (n - 1)))  # sd of a variance ratio


def test_how_far_views_miss_each_other_is_that_of_sampled_rigs(solution: Solution) -> None:
    """Pixels of one rig, seen by rigs drawn from its covariance: their distance from the best place's, rms."""
    place, n = LANE_M[1], 1000
    px = np.vstack([c.project(place[None]) for c in solution.rig.cameras])
    rng = np.random.default_rng(2)
    steps = rng.multivariate_normal(np.zeros(len(solution.rig.names)), solution.rig.cov, n, method="eigh")
    off2 = []
    for rig in (solution.rig.shifted(solution.rig.names, step) for step in steps):
        found = triangulate(rig.cameras, px, np.tile(np.eye(2), (2, 1, 1)), 4)[0]
        off2.append(sum(np.sum((c.project(found[None]) - seen) ** 2) for c, seen in zip(rig.cameras, px, strict=True)))
    ratio = np.mean(off2) / miss_sd_px(solution.rig, place[None])[0] ** 2
    assert abs(ratio - 1) < 5 * np.sqrt(2 / n)


@pytest.mark.parametrize("placing", ["end_on", "side", "crossing", "end_and_side"])
def test_how_far_the_right_view_is_off_the_epipolar_line_is_that_of_sampled_rigs(placing: str) -> None:
    """Lines by OpenCV, of the rig as stated; pictures by rigs that are wrong as it says."""
    names = tuple(f"{view}.{n}" for view in VIEWS for n in ("rx", "ry", "rz", "tx", "ty", "tz"))
    sd, n, rng = np.tile([5e-4] * 3 + [0.008] * 3, 2), 500, np.random.default_rng(3)
    rig = replace(pair(placing), names=names, cov=np.diag(sd**2))
    y = np.array([18.0, 12.0, 6.0, 1.0])
    places = np.column_stack([0.03 * y - 0.1, y, 0.4 + 0.09 * y])
    essential = _crossed(rig.right.R @ (rig.left.centre_m - rig.right.centre_m)) @ rig.right.R @ rig.left.R.T
    matrices = [camera.lens.matrix for camera in rig.cameras]
    fundamental = np.linalg.inv(matrices[1]).T @ essential @ np.linalg.inv(matrices[0])
    off = []
    for wrong in (rig.shifted(names, rng.normal(0, sd)) for _ in range(n)):
        left, right = (
            camera.lens.undistort(camera.project(places)) @ matrix[:2, :2].T + matrix[:2, 2]
            for camera, matrix in zip(wrong.cameras, matrices, strict=True)
        )
        line = cv2.computeCorrespondEpilines(left[:, None], 1, fundamental)[:, 0]  # of unit normals
        off.append(np.einsum("ni,ni->n", line[:, :2], right) + line[:, 2])
    assert miss_of_right_sd_px(rig, places) == pytest.approx(np.std(off, axis=0), rel=0.05 + 4 / np.sqrt(2 * n))


def _crossed(v: np.ndarray) -> np.ndarray:
    return np.cross(np.eye(3), v)


def test_a_place_out_of_view_has_no_doubt_to_tell(solution: Solution) -> None:
    cov = doubt_at(solution.rig, np.array([LANE_M[0], [0.0, 30.0, 1.0]]))
    assert np.isfinite(cov[:3, :3]).all()
    assert np.isnan(cov[3:, 3:]).all()
    assert np.isfinite(miss_sd_px(solution.rig, np.array([LANE_M[0], [0.0, 30.0, 1.0]]))).tolist() == [True, False]


def test_cross_validation_agrees_with_the_stated_doubt_where_nothing_is_wrong() -> None:
    # ten groups: the jackknife's variance has about 9 degrees of freedom; averaged over 3 axes of 8 marks-only rigs
    ratio = []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        job = job_for(END_ON, rng, Plan(pairs=0, singles=0))
        done = solve(replace(job, lenses=(END_ON.left.lens, END_ON.right.lens)), rng)
        place = PLACES["bounce"][None]
        ratio.append(jackknife(done, place, rng)[0] / np.sqrt(doubt_at(done.rig, place).diagonal()))
    assert np.sqrt(np.mean(np.square(ratio))) == pytest.approx(1.0, abs=0.35)


def test_a_board_that_is_bent_shows_in_cross_validation_or_noise() -> None:
    rng = np.random.default_rng(3)
    job = job_for(END_ON, rng, Plan(pairs=8, singles=4))
    straight = solve(job, np.random.default_rng(1))
    middle = BOARD.corners_m.mean(axis=0)
    bent = []
    for v in job.views:  # 1 mm of bow over the board: what is seen is the bent one, what is believed the flat one
        camera = END_ON.cameras[v.view]
        rise = 0.001 * (1 - ((v.points_m[:, 0] - middle[0]) / middle[0]) ** 2)
        i = straight.adjusted.observed.views.index(
            next(w for w in straight.adjusted.observed.views if w.name == v.name)
        )
        b = straight.adjusted.observed.views[i].board
        turn, shift = straight.adjusted.state.turn[b], straight.adjusted.state.shift_m[b]
        flat, bow = (v.points_m + np.outer(h, [0, 0, 1]) for h in (0 * rise, rise))
        moved = camera.project(bow @ turn.T + shift) - camera.project(flat @ turn.T + shift)
        bent.append(replace(v, px=v.px + moved))
    spoilt = solve(replace(job, views=tuple(bent)), np.random.default_rng(1))
    plain, worse = (max(s.adjusted.observed.corner_sd_px) for s in (straight, spoilt))
    assert worse > 1.5 * plain or judge(spoilt, (), rng).worst != "pass"


@pytest.mark.slow
def test_two_half_sets_differ_as_the_verdict_says() -> None:
    # halves of boards and marks are independent: their difference has the sum of their covariances
    squared = []
    for seed in range(20):
        rng = np.random.default_rng(500 + seed)
        whole = solve(job_for(END_ON, rng, Plan(pairs=20, singles=12)), rng)
        done, observed = whole.adjusted, whole.adjusted.observed
        two = []
        for half in (0, 1):
            views = tuple(v for v in observed.views if v.board % 2 == half)
            marks = observed.marks.take(observed.marks.mark % 2 == half)
            part = again(done, replace(observed, views=views, marks=marks), whole.terms)
            at = [part.state.camera_names().index(n) for n in whole.rig.names]
            left, right = part.state.cameras
            two.append(replace(whole.rig, left=left, right=right, cov=part.cov[np.ix_(at, at)]))
        place = PLACES["bounce"]
        gap = found_at(two[0], END_ON, place) - found_at(two[1], END_ON, place)
        cov = sum(doubt_at(rig, place[None]) for rig in two)
        squared.append(gap @ np.linalg.solve(cov, gap))
    low, high = stats.chi2.ppf([0.005, 0.995], 3 * 20) / 20
    assert low < np.mean(squared) < high


def test_the_verdict_is_given_at_release_bounce_and_stumps(solution: Solution) -> None:
    verdict = judge(solution, (), np.random.default_rng(2))
    assert [p.name for p in verdict.places] == ["release", "bounce", "stumps"]
    cov = doubt_at(solution.rig, np.array(list(PLACES.values())))
    assert np.concatenate([p.sd_m for p in verdict.places]) == pytest.approx(np.sqrt(cov.diagonal()))
    assert all(np.isfinite(p.validated_m).all() for p in verdict.places)
    assert verdict.worst in ("pass", "doubtful")
    # 33 m/s over the distance from release to bounce: the pace's doubt is that of the distance
    rng = np.random.default_rng(4)
    px = [[c.project(PLACES[n][None])[0] for c in END_ON.cameras] for n in ("release", "bounce")]
    steps = rng.multivariate_normal(np.zeros(len(solution.rig.names)), solution.rig.cov, 400, method="eigh")
    length = []
    for step in steps:
        cameras = solution.rig.shifted(solution.rig.names, step).cameras
        a, b = (triangulate(cameras, np.array(p), np.tile(np.eye(2), (2, 1, 1)), 4)[0] for p in px)
        length.append(np.linalg.norm(a - b))
    assert verdict.pace_sd_mps == pytest.approx(33 * np.std(length) / np.mean(length), rel=0.2)


def test_too_few_marks_to_leave_any_out_are_told(rng: np.random.Generator) -> None:
    job = job_for(END_ON, rng, Plan(pairs=0, singles=0), names=NAMES[:4], floor=())
    done = solve(replace(job, lenses=(END_ON.left.lens, END_ON.right.lens)), rng)
    checks = {c.name: c for c in judge(done, (), rng).checks}
    assert checks["cross-validation"].verdict == "doubtful"
    assert "mark more points" in checks["cross-validation"].advice
    assert checks["marks in each picture"].verdict == "doubtful"
    assert checks["marks off the ground"].verdict == "doubtful"
    assert "without a covariance" in checks["left lens"].advice


def test_one_distance_and_one_tilt_are_told(rng: np.random.Generator) -> None:
    job = job_for(END_ON, rng, Plan(pairs=8, singles=6, near_m=3.0, far_m=3.6))
    checks = {c.name: c for c in judge(solve(job, rng), (), rng).checks}
    told = checks["left board: distances"]
    assert told.verdict == "doubtful"
    assert "nearer and further" in told.advice


def test_bare_parts_of_a_picture_have_names() -> None:
    counts = np.ones((6, 8))
    counts[:2, 6:] = 0
    counts[4:, 2:6] = 0
    assert Coverage(0, 10, counts, (1.0, 4.0), 40.0).bare == ["top-right", "bottom"]
    assert Coverage(0, 10, np.ones((6, 8)), (1.0, 4.0), 40.0).bare == []


def test_a_bare_part_of_a_picture_is_told_with_what_to_film(solution: Solution) -> None:
    """PITFALLS 17: the lens is guessed at where no board was."""
    views = [v for v in solution.adjusted.observed.views if v.view == 1]
    width, height = solution.job.sizes_px[1]
    outside = lambda v: ((v.px[:, 0] > 0.75 * width) & (v.px[:, 1] < height / 3)).any()  # noqa: E731
    left = tuple(v for v in solution.adjusted.observed.views if v.view == 0)
    kept = (*left, *(v for v in views if not outside(v)))
    bare = replace(
        solution, adjusted=replace(solution.adjusted, observed=replace(solution.adjusted.observed, views=kept))
    )
    told = {c.name: c for c in judge(bare, (), np.random.default_rng(1)).checks}["right board: bare parts"]
    assert told.verdict == "doubtful" and told.value >= 1
    assert "top-right" in told.advice and told.advice.endswith("of the right picture: film 5 more there")


def test_a_mark_left_out_is_where_a_solution_without_it_puts_it(solution: Solution) -> None:
    # the quick way against the long way: solving again without one mark's survey
    done, observed = solution.adjusted, solution.adjusted.observed
    name = "S_stump_mid_top"
    quick = next(t for t in leave_one_out(done) if t.mark == name and t.camera == "both")
    m = observed.marks.names.index(name)
    sd = observed.marks.sd_m.copy()
    sd[m] = 50.0
    marks = replace(observed.marks, sd_m=sd)
    freed = again(done, Observed(observed.views, marks, observed.corner_sd_px), solution.terms)
    long = freed.state.mark_m[m] - observed.marks.point_m[m]
    assert np.abs(quick.error_m - long).max() < 0.05 * quick.sd_m.max()


@pytest.mark.slow
def test_advice_comes_true() -> None:
    # the best board offer for a camera with few views: filming more does lower the doubt about as foretold
    rng = np.random.default_rng(8)
    few = solve(job_for(END_ON, rng, Plan(pairs=3, singles=3)), rng)
    advice = advise(few, np.array(list(PLACES.values())), most=3)
    assert advice
    assert all(a.after_mm < a.before_mm for a in advice)
    assert [a.after_mm for a in advice] == sorted(a.after_mm for a in advice)
    more = solve(job_for(END_ON, np.random.default_rng(8), Plan(pairs=12, singles=8)), rng)
    worst = [np.sqrt(doubt_at(s.rig, np.array(list(PLACES.values()))).diagonal().max()) * 1e3 for s in (few, more)]
    assert advice[0].before_mm == pytest.approx(worst[0])
    assert worst[1] < worst[0]


def test_advice_to_mark_a_stumps_top_means_the_wicket_that_stands_there(solution: Solution) -> None:
    """Law 8: 28 inches high; 27 by the junior clause of the 2000 code."""
    used = solution.adjusted.observed
    unused = replace(used, marks=replace(used.marks, names=tuple(f"my {name}" for name in used.marks.names)))
    bare, tops = replace(solution, adjusted=replace(solution.adjusted, observed=unused)), []
    for junior in (False, True):
        offers = {what: observed.marks.point_m for what, _, observed in _mark_offers(bare, junior)}
        tops += [point[0, 2] for what, point in offers.items() if what.endswith("mid_top too")]
    assert tops == pytest.approx([28 * 0.0254] * (len(tops) // 2) + [27 * 0.0254] * (len(tops) // 2))
    assert tops

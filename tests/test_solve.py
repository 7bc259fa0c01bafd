"""The joint adjustment: exact slopes, recovery of a known truth, honest doubt, blunders named."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy import stats

from calibration.adjust import BoardView, Observed, State, adjust, blocks, normal
from calibration.camera import Lens
from calibration.doubt import doubt_at
from calibration.errors import LanepairError
from calibration.lenses import choose_lens
from calibration.marks import named_mark
from calibration.place import Job
from calibration.rehearse import Plan, rehearse_boards
from calibration.rig import Rig, parameter_names
from calibration.solve import Solution, solve
from tests.rehearsed import BOARD, LANE_M, MILD, NAMES, RIGS, camera, found_at, job_for

END_ON = RIGS["end on"]


def known(rng: np.random.Generator, truth: Rig = END_ON, **more) -> Job:
    """Known lenses, marks only."""
    job = job_for(truth, rng, Plan(pairs=0, singles=0), **more)
    return replace(job, lenses=(truth.left.lens, truth.right.lens))


@pytest.fixture(scope="module")
def whole() -> Solution:
    """Boards in both cameras and marks, strong lenses."""
    rng = np.random.default_rng(5)
    return solve(job_for(END_ON, rng), rng)


def test_every_slope_is_that_of_finite_differences(whole: Solution) -> None:
    # of all residuals by all unknowns: lenses, poses, scale, boards, marks
    state, observed = whole.adjusted.state, whole.adjusted.observed
    few = replace(observed, views=(observed.views[0], observed.views[1], observed.views[-1]))
    exact = list(blocks(state, few))
    step = np.zeros(state.starts[-1])
    columns = sorted({int(c) for b in exact[:6] for c in b.column})
    for column in columns:
        h = 1e-6 if column < state.starts[2] and column % 18 > 5 else 1e-7
        step[column] = h
        ahead, back = list(blocks(state.moved(step), few)), list(blocks(state.moved(-step), few))
        step[column] = 0.0
        for b, up, down in zip(exact, ahead, back, strict=True):
            found = (up.residual - down.residual) / (2 * h)
            wanted = b.slope[:, b.column == column].sum(axis=1)
            assert found == pytest.approx(wanted, rel=2e-4, abs=2e-4 * max(1.0, np.abs(wanted).max()))


def test_boards_and_marks_give_the_rig_back(whole: Solution) -> None:
    rig = whole.rig
    assert whole.terms == (5, 5)
    assert whole.left_out == {}
    assert whole.suspects == ()
    for place in LANE_M:
        error, cov = found_at(rig, END_ON, place) - place, doubt_at(rig, place[None])
        assert error @ np.linalg.solve(cov, error) < stats.chi2.ppf(0.9999, 3)
        assert np.linalg.norm(error) < 0.05
    assert whole.adjusted.observed.corner_sd_px == pytest.approx((0.1, 0.1), rel=0.06)  # 4 sd
    assert whole.scale[0] == pytest.approx(1.0, abs=5 * whole.scale[1])


def test_the_covariance_names_all_that_was_adjusted_and_nothing_else(whole: Solution) -> None:
    every = [*parameter_names("left", whole.rig.left), *parameter_names("right", whole.rig.right)]
    assert list(whole.rig.names) == [n for n in every if "time_offset" not in n]
    assert np.linalg.eigvalsh(whole.rig.cov / np.outer(*[np.sqrt(whole.rig.cov.diagonal())] * 2))[0] > -1e-9


def test_a_lens_of_four_terms_keeps_k3_at_zero_and_does_not_list_it() -> None:
    rng = np.random.default_rng(2)
    truth = Rig(*(camera(c.centre_m, (0, 8, 0.5), 1500, MILD) for c in END_ON.cameras))
    rig = solve(job_for(truth, rng), rng).rig
    assert len(rig.left.lens.distortion) == 5
    assert rig.left.lens.distortion[4] == 0.0
    assert "left.k2" in rig.names
    assert "left.k3" not in rig.names


def test_known_lenses_and_marks_alone_are_enough(rng: np.random.Generator) -> None:
    rig = solve(known(rng), rng).rig
    assert rig.left.lens.matrix == pytest.approx(END_ON.left.lens.matrix)
    assert all(name.split(".")[1][0] in "rt" for name in rig.names)
    for place in LANE_M:
        error, cov = found_at(rig, END_ON, place) - place, doubt_at(rig, place[None])
        assert error @ np.linalg.solve(cov, error) < stats.chi2.ppf(0.9999, 3)


def test_a_kept_lens_brings_its_own_doubt(rng: np.random.Generator) -> None:
    job = known(rng)
    names = ("left.fx", "left.fy", "right.fx", "right.fy")
    root = np.array([[2.0, 0, 0, 0], [1.9, 0.5, 0, 0], [0, 0, 2.0, 0], [0, 0, 1.9, 0.5]])
    exact = solve(job, np.random.default_rng(1)).rig
    doubted = solve(replace(job, lens_names=names, lens_cov=root @ root.T), np.random.default_rng(1)).rig
    assert doubted.left.lens.matrix == pytest.approx(exact.left.lens.matrix)
    assert set(doubted.names) - set(exact.names) == set(names)
    at = [doubted.names.index(n) for n in names]
    assert doubted.cov[np.ix_(at, at)] == pytest.approx(root @ root.T)
    assert np.all(doubt_at(doubted, LANE_M).diagonal() >= doubt_at(exact, LANE_M).diagonal())
    # the poses answer to the lens: solving anew with a changed focal length moves them as the covariance says
    wrong = job.lenses[0].matrix + np.diag([2.0, 1.9, 0])
    moved = solve(
        replace(job, lenses=(replace(job.lenses[0], matrix=wrong), job.lenses[1])), np.random.default_rng(1)
    ).rig
    ty = doubted.names.index("left.ty")
    told = doubted.cov[ty, at[0]] / 2.0  # covariance with the first root's column: response to that change
    assert moved.left.translation_m[1] - exact.left.translation_m[1] == pytest.approx(told, rel=0.1)


def test_lenses_from_boards_of_each_camera_and_marks(rng: np.random.Generator) -> None:
    rig = solve(job_for(END_ON, rng, Plan(pairs=0, singles=12)), rng).rig
    for place in LANE_M:
        error, cov = found_at(rig, END_ON, place) - place, doubt_at(rig, place[None])
        assert error @ np.linalg.solve(cov, error) < stats.chi2.ppf(0.9999, 3)


def test_one_camera_may_have_no_marks_if_boards_tie_it_to_the_other(rng: np.random.Generator) -> None:
    job = job_for(END_ON, rng, Plan(pairs=10, singles=2))
    left = job.marks.view == 0
    rig = solve(replace(job, marks=job.marks.take(left), stated=job.stated[left]), rng).rig
    for place in LANE_M:
        error, cov = found_at(rig, END_ON, place) - place, doubt_at(rig, place[None])
        assert error @ np.linalg.solve(cov, error) < stats.chi2.ppf(0.9999, 3)


def test_a_chessboard_numbered_from_its_other_end_is_turned_back(rng: np.random.Generator) -> None:
    job = job_for(END_ON, rng, Plan(pairs=8, singles=4))
    turned = tuple(
        replace(v, px=v.px[::-1].copy()) if v.view == 1 and len(v.px) == 54 and v.board % 2 else v for v in job.views
    )
    whole = [v for v in turned if len(v.px) == 54]
    solution = solve(replace(job, views=tuple(whole)), rng)
    assert solution.left_out == {}
    assert np.linalg.norm(found_at(solution.rig, END_ON, LANE_M[2]) - LANE_M[2]) < 0.05


# --- honest doubt -------------------------------------------------------------------------------------------------


def nees(truth: Rig, rig: Rig) -> float:
    """Mean, over the places of the lane that both cameras see, of the squared error in sds; 3 is expected."""
    seen = [p for p in LANE_M if all(c.sees(p[None])[0] for c in (*truth.cameras, *rig.cameras))]
    assert len(seen) >= 3
    errors = [found_at(rig, truth, place) - place for place in seen]
    covs = [doubt_at(rig, place[None]) for place in seen]
    return float(np.mean([e @ np.linalg.solve(cov, e) for e, cov in zip(errors, covs, strict=True)]))


def test_stated_errors_are_honest_with_marks_alone() -> None:
    # seeds are independent, places of one rig are not: the band is that of one place over the seeds
    seeds = 20
    found = []
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        found.append(nees(END_ON, solve(known(rng), rng).rig))
    low, high = stats.chi2.ppf([0.001, 0.999], 3 * seeds) / seeds
    assert low < np.mean(found) < high


@pytest.mark.slow
@pytest.mark.parametrize("name", RIGS)
def test_stated_errors_are_honest_with_boards_and_marks(name: str) -> None:
    # Bar-Shalom et al. 2001, sec. 5.4: the mean normalised error squared lies within its chi-squared band
    seeds, truth, found = 20, RIGS[name], []
    for seed in range(seeds):
        rng = np.random.default_rng(100 + seed)
        found.append(nees(truth, solve(job_for(truth, rng, Plan(pairs=20, singles=15)), rng).rig))
    low, high = stats.chi2.ppf([0.025, 0.975], 3 * seeds) / seeds
    assert low < np.mean(found) < high
    # the covariance is the inverse of the information: the Cramer-Rao limit of these observations
    assert np.sqrt(np.mean(found) / 3) < 1.25


def test_clicks_that_do_not_state_their_sd_are_believed_as_they_scatter() -> None:
    # 1.5 px of noise behind a guess of 0.5: the factor is 3, to within its own scatter (about 44 degrees of freedom)
    factors = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        job = known(rng, sd_m=1e-4)
        loud = replace(job.marks, px=job.marks.px + rng.normal(0, 1.5, job.marks.px.shape))
        wide = replace(loud, cov_px2=np.tile(np.eye(2) * 0.25, (len(loud), 1, 1)))
        factors.append(solve(replace(job, marks=wide, stated=np.zeros(len(wide), bool)), rng).click_factor)
    assert np.mean(factors) == pytest.approx(np.hypot(1.5, 0.4) / 0.5, rel=0.15)


# --- blunders -----------------------------------------------------------------------------------------------------


def moved_mark(job: Job, name: str, shift_m: tuple[float, float, float], rig: Rig = END_ON) -> Job:
    """The job with one mark clicked off its place in every picture."""
    m = job.marks.names.index(name)
    px = job.marks.px.copy()
    for row in np.flatnonzero(job.marks.mark == m):
        own = rig.cameras[job.marks.view[row]]
        two = own.project(job.marks.point_m[m] + np.array([(0, 0, 0), shift_m]))
        px[row] += two[1] - two[0]
    return replace(job, marks=replace(job.marks, px=px))


def test_a_mark_clicked_on_the_front_edge_is_named_with_its_error(rng: np.random.Generator) -> None:
    truth = RIGS["side"]  # from behind the bowler 50 mm at the far crease are less than half a pixel
    job = moved_mark(known(rng, truth), "S_pop_x_return_off", (0.0, 0.05, 0.0), truth)
    solution = solve(job, rng)
    (suspect,) = solution.suspects
    assert suspect.mark == "S_pop_x_return_off"
    assert suspect.error_m[1] == pytest.approx(0.05, abs=4 * suspect.sd_m[1])
    assert "the paint was probably clicked on its front edge: 50 mm" in suspect.sentence()
    assert nees(truth, solution.rig) < 16.3


def test_a_click_wrong_in_one_picture_is_named_with_that_picture(rng: np.random.Generator) -> None:
    job = known(rng)
    row = int(np.flatnonzero((job.marks.view == 1) & (job.marks.mark == NAMES.index("S_stump_leg_top")))[0])
    px = job.marks.px.copy()
    px[row] += [9.0, 0.0]
    solution = solve(replace(job, marks=replace(job.marks, px=px)), rng)
    (suspect,) = solution.suspects
    assert (suspect.mark, suspect.camera) == ("S_stump_leg_top", "right")
    assert len(solution.adjusted.observed.marks) == len(job.marks) - 1


@pytest.mark.slow
def test_good_marks_are_hardly_ever_named() -> None:
    named = [len(solve(known(np.random.default_rng(s)), np.random.default_rng(s)).suspects) for s in range(20)]
    assert sum(named) <= 1  # a chance of 1e-4 for each of some 40 tests in each of 20 rigs


def test_wrong_squares_are_found_and_do_no_harm(rng: np.random.Generator) -> None:
    # 28 mm printed for 25 mm: 12 %
    job = job_for(END_ON, rng)
    views = tuple(replace(v, points_m=v.points_m * 0.88) for v in job.views)
    solution = solve(replace(job, views=views), rng)
    assert solution.scale[0] == pytest.approx(1 / 0.88, rel=0.01)
    assert nees(END_ON, solution.rig) < 16.3


def test_a_pair_that_is_not_of_one_instant_is_named(rng: np.random.Generator) -> None:
    job = job_for(END_ON, rng)
    both = sorted({v.board for v in job.views if v.view == 0} & {v.board for v in job.views if v.view == 1})
    a, b = (next(v for v in job.views if v.board == n and v.view == 1) for n in both[:2])
    swapped = {id(a): replace(a, points_m=b.points_m, px=b.px), id(b): replace(b, points_m=a.points_m, px=a.px)}
    solution = solve(replace(job, views=tuple(swapped.get(id(v), v) for v in job.views)), rng)
    assert set(solution.left_out) == {f"pair {a.name}", f"pair {b.name}"}
    assert nees(END_ON, solution.rig) < 16.3


def test_a_spoilt_view_is_named(rng: np.random.Generator) -> None:
    views = [v for v in rehearse_boards(END_ON, BOARD.corners_m, Plan(pairs=0, singles=15), rng) if v.view == 0]
    views[4] = replace(views[4], px=views[4].px + rng.normal(0, 1.5, views[4].px.shape))
    choice = choose_lens(views, (1920, 1080), "left")
    assert list(choice.left_out) == [views[4].name]
    assert choice.fit.terms == 5


def test_exchanged_board_folders_are_named(rng: np.random.Generator) -> None:
    job = job_for(END_ON, rng)
    views = tuple(replace(v, view=1 - v.view) for v in job.views)
    with pytest.raises(LanepairError, match=r"with left and right exchanged: .* probably swapped"):
        solve(replace(job, views=views), rng)


def test_exchanged_cameras_in_the_marks_are_named(rng: np.random.Generator) -> None:
    truth = RIGS["end and side"]  # lenses that differ
    job = known(rng, truth)
    with pytest.raises(LanepairError, match=r"px as given, to [\d.]+ px with left and right exchanged"):
        solve(replace(job, marks=replace(job.marks, view=1 - job.marks.view)), rng)


def test_off_and_leg_exchanged_is_named(rng: np.random.Generator) -> None:
    job = known(rng)
    with pytest.raises(LanepairError, match=r"with (off and leg exchanged|the picture mirrored)"):
        solve(replace(job, marks=replace(job.marks, point_m=job.marks.point_m * [-1, 1, 1])), rng)


def test_a_mirrored_picture_is_named(rng: np.random.Generator) -> None:
    job = known(rng)
    right = job.marks.view == 1
    px = np.where(right[:, None], job.marks.px * [-1, 1] + [1919, 0], job.marks.px)
    with pytest.raises(LanepairError, match=r"right camera's marks .* with the picture mirrored"):
        solve(replace(job, marks=replace(job.marks, px=px)), rng)


def test_a_mirrored_chessboard_is_named(rng: np.random.Generator) -> None:
    # PITFALLS 7: it looks like a chessboard still, and the finder numbers it from its other side
    job = job_for(END_ON, rng, Plan(pairs=8, singles=4))
    width = END_ON.right.lens.image_size_px[0]

    def in_mirror(view: BoardView) -> BoardView:
        grid = view.points_m * [-1, 1, 1] + [BOARD.corners_m[:, 0].max(), 0, 0]
        return replace(view, px=view.px * [-1, 1] + [width - 1, 0], points_m=grid)

    views = tuple(in_mirror(v) if v.view == 1 else v for v in job.views)
    with pytest.raises(LanepairError, match="agree only with the right camera's board pictures mirrored: switch"):
        solve(replace(job, views=views), rng)


def test_exchanged_ends_are_named(rng: np.random.Generator) -> None:
    # four pairs of crosses on the floor, measured from the striker's stumps, contradict the names
    job = known(rng)
    other = {"S_": "B_", "B_": "S_"}
    names = [other[n[:2]] + n[2:] if n[:2] in other else n for n in job.marks.names]
    point = np.array([named_mark(n)[0] if n[:2] in other else p for n, p in zip(names, job.marks.point_m, strict=True)])
    with pytest.raises(LanepairError, match="with the striker's and the bowler's ends exchanged: mend the marks"):
        solve(replace(job, marks=replace(job.marks, names=tuple(names), point_m=point)), rng)


def test_a_pitch_of_another_length_is_told_with_its_yards(rng: np.random.Generator) -> None:
    truth = RIGS["side"]
    job = known(rng, truth, floor=())
    bowlers = np.array([name.startswith("B_") for name in job.marks.names], float)
    stated = job.marks.point_m + np.outer(bowlers, [0, -2 * 0.9144, 0])  # believed 20 yards, truly 22
    told = replace(job, marks=replace(job.marks, point_m=stated), pitch_length_m=20 * 0.9144)
    with pytest.raises(LanepairError, match=r"with a pitch of 22 yards \(--pitch-length 20.1168\)"):
        solve(told, rng)


def test_too_few_marks_say_how_many_there_are(rng: np.random.Generator) -> None:
    job = known(rng, names=NAMES[:3], floor=())
    with pytest.raises(LanepairError, match=r"3 marks in the left picture and 3 in the right.*at least 4"):
        solve(job, rng)


def test_too_few_views_say_how_many_there_are(rng: np.random.Generator) -> None:
    job = job_for(END_ON, rng, Plan(pairs=2, singles=0))
    with pytest.raises(LanepairError, match="found in 2 pictures; a lens needs 3"):
        solve(job, rng)


def test_stump_tops_fix_focal_length_and_height(rng: np.random.Generator) -> None:
    # a planar set leaves them weakly fixed: the condition number of one camera's numbers falls when tops are added
    job, conditions = known(rng), []
    flat = job.marks.point_m[job.marks.mark, 2] == 0
    for rows in (flat, np.ones(len(flat), bool)):
        marks = replace(job.marks.take(rows & (job.marks.view == 0)), sd_m=np.full((len(job.marks.names), 3), 1e-4))
        state = State((END_ON.left,), np.zeros((0, 3, 3)), np.zeros((0, 3)), 1.0, job.marks.point_m)
        matrix = normal(state, Observed((), marks))[0]
        at = [*range(6), 6, 7, *range(state.starts[3], state.starts[4])]
        own, rest = matrix[np.ix_(at, at)], slice(8, None)
        kept = own[:8, :8] - own[:8, rest] @ np.linalg.solve(own[rest, rest], own[rest, :8])
        scale = 1 / np.sqrt(kept.diagonal())
        conditions.append(np.linalg.cond(kept * np.outer(scale, scale)))
    assert conditions[1] < 0.5 * conditions[0]


def test_extra_residuals_are_heard() -> None:
    # somebody else knows the left camera's focal length to 0.01 px
    rng = np.random.default_rng(5)
    job, f = job_for(END_ON, rng), END_ON.left.lens.matrix[0, 0]

    def extra(cameras):
        columns = sum(10 + len(c.lens.distortion) for c in cameras)
        slope = np.zeros((1, columns))
        slope[0, 6] = 1 / 0.01
        return np.array([(cameras[0].lens.matrix[0, 0] - f) / 0.01]), slope

    rig = solve(replace(job, extra=extra), rng).rig
    at = rig.names.index("left.fx")
    assert rig.left.lens.matrix[0, 0] == pytest.approx(f, abs=0.05)
    assert np.sqrt(rig.cov[at, at]) == pytest.approx(0.01, rel=0.01)


def test_what_the_observations_do_not_fix_is_refused() -> None:
    lens = Lens((100, 100), np.array([[100.0, 0, 50], [0, 100, 50], [0, 0, 1]]), np.zeros(5))
    own = camera((0, -5, 1), (0, 0, 1), 100)
    state = State((replace(own, lens=lens),), np.zeros((0, 3, 3)), np.zeros((0, 3)))
    free = np.zeros(state.starts[-1], bool)
    free[:6] = True
    with pytest.raises(LanepairError, match="do not fix the cameras"):
        adjust(state, Observed(), free)


def test_opencvs_own_calibration_fits_no_better(rng: np.random.Generator) -> None:
    views = [v for v in rehearse_boards(END_ON, BOARD.corners_m, Plan(pairs=0, singles=12), rng) if v.view == 0]
    fit = choose_lens(views, (1920, 1080), "left").fit
    theirs = cv2.calibrateCamera(
        [v.points_m.astype(np.float32) for v in views],
        [v.px.astype(np.float32) for v in views],
        (1920, 1080),
        fit.lens.matrix.copy(),
        fit.lens.distortion.copy(),
        flags=cv2.CALIB_USE_INTRINSIC_GUESS,
    )
    assert fit.lens.matrix[0, 0] == pytest.approx(theirs[1][0, 0], abs=0.3 * np.sqrt(fit.adjusted.cov[6, 6]))

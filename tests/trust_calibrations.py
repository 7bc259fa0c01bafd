"""Rehearsed calibrations of three rigs for `python -m tests.trust_study`: honest, near their limit, halves that agree.

The limit is Cramer and Rao's: the information of all corners and clicks at the truth, with their true sds.
"""

import argparse
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from scipy import stats

from calibration.adjust import BoardView, MarkSightings
from calibration.camera import Floats
from calibration.doubt import doubt_at
from calibration.place import Job
from calibration.rehearse import Plan
from calibration.rig import Rig
from calibration.solve import SCALE_SD, Solution, again, solve
from calibration.verdict import judge, lane_places
from tests.rehearsed import RIGS, found_at, job_for

FIRST_SEED = 7001
FILMED = Plan(pairs=12, singles=8, corner_sd_px=0.1, mark_sd_px=0.4)  # twenty views in each camera, as the guide asks
Rows = Iterator[tuple[str, ...]]


def band(runs: int, numbers: int) -> str:
    """The 95 % band of a mean normalised error squared (Bar-Shalom, Li & Kirubarajan 2001, sec. 5.4)."""
    low, high = stats.chi2.ppf([0.025, 0.975], numbers * runs) / runs
    return f"{low:.2f} to {high:.2f}"


def calibration_rows(args: argparse.Namespace) -> Rows:
    """Honesty, efficiency and halves of rehearsed calibrations, three rigs."""
    for name, truth in RIGS.items():
        place = {at: p for at, p in lane_places(truth.pitch_length_m).items() if _seen(truth, p)}
        squared, over, halves = [], [], []
        for seed in range(FIRST_SEED, FIRST_SEED + args.calibrations):
            rng = np.random.default_rng(seed)
            solution = solve(job_for(truth, rng, FILMED), rng)
            clean = job_for(truth, np.random.default_rng(seed), replace(FILMED, corner_sd_px=0.0, mark_sd_px=0.0))
            least = limit_rig(solution, clean)
            error = np.array([found_at(solution.rig, truth, p) - p for p in place.values()])
            squared.append(
                [_squared(e, doubt_at(solution.rig, p[None])) for e, p in zip(error, place.values(), strict=True)]
            )
            over.append([_squared(e, doubt_at(least, p[None])) for e, p in zip(error, place.values(), strict=True)])
            halves.append(half_sets(solution, truth, place["bounce"]))
        n = args.calibrations
        honest = ", ".join(f"{at} {m:.2f}" for at, m in zip(place, np.mean(squared, axis=0), strict=True))
        efficient = ", ".join(f"{at} {m:.2f}" for at, m in zip(place, np.sqrt(np.mean(over, axis=0) / 3), strict=True))
        yield name, str(n), honest, band(n, 3), efficient, f"{np.mean(halves):.2f}", band(n, 3)


def _seen(rig: Rig, point_m: Floats) -> bool:
    return all(bool(camera.sees(point_m[None])[0]) for camera in rig.cameras)


def _squared(error: Floats, cov: Floats) -> float:
    return float(error @ np.linalg.solve(cov, error))


def limit_rig(solution: Solution, clean: Job) -> Rig:
    """A rig with the Cramer-Rao limit for its covariance: information at the truth, of all that was seen, true sds."""
    observed, px = solution.adjusted.observed, {(v.view, v.name): v.px for v in clean.views}
    views = tuple(replace(v, px=_alike(px[v.view, v.name], v)) for v in observed.views)
    known = np.tile(np.eye(2) * FILMED.mark_sd_px**2, (len(clean.marks), 1, 1))
    sds = (FILMED.corner_sd_px, FILMED.corner_sd_px)
    exact = replace(observed, views=views, marks=replace(clean.marks, cov_px2=known), corner_sd_px=sds)
    done = again(solution.adjusted, replace(exact, scale_sd=SCALE_SD), (5, 5))  # five terms are the true lenses' own
    names = tuple(name for name, free in zip(done.state.camera_names(), done.free, strict=False) if free)
    at = [done.state.camera_names().index(name) for name in names]
    left, right = done.state.cameras
    return replace(solution.rig, left=left, right=right, names=names, cov=done.cov[np.ix_(at, at)])


def _alike(px: Floats, view: BoardView) -> Floats:
    """Clean corners in the order in which a view's were numbered."""
    return min((px, px[::-1]), key=lambda own: float(np.abs(own - view.px).max()))


def half_sets(solution: Solution, truth: Rig, point_m: Floats) -> float:
    """How far two halves of boards and marks put a place apart, squared, over the doubts that both state."""
    done, two = solution.adjusted, []
    for half in (0, 1):
        views = tuple(v for v in done.observed.views if v.board % 2 == half)
        marks: MarkSightings = done.observed.marks.take(done.observed.marks.mark % 2 == half)
        part = again(done, replace(done.observed, views=views, marks=marks), solution.terms)
        at = [part.state.camera_names().index(name) for name in solution.rig.names]
        left, right = part.state.cameras
        two.append(replace(solution.rig, left=left, right=right, cov=part.cov[np.ix_(at, at)]))
    gap = found_at(two[0], truth, point_m) - found_at(two[1], truth, point_m)
    return _squared(gap, sum(doubt_at(rig, point_m[None]) for rig in two))


def square_rows(args: argparse.Namespace) -> Rows:
    """Squares printed 4 % too large: what the verdict says."""
    for name, truth in RIGS.items():
        told, off = 0, []
        for seed in range(FIRST_SEED, FIRST_SEED + args.squares):
            rng = np.random.default_rng(seed)
            job = job_for(truth, rng, Plan(pairs=8, singles=4))
            stated = tuple(replace(v, points_m=v.points_m / 1.04) for v in job.views)
            checks = {c.name: c for c in judge(solve(replace(job, views=stated), rng), (), rng).checks}
            told += checks["square size"].verdict == "fail"
            off.append(checks["square size"].value)
        yield name, f"{told} of {args.squares}", f"{np.mean(off):+.2f} ± {np.std(off):.2f}"

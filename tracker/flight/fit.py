"""A track to a flight: the most likely two arcs, tied at the bounce, in raw pixels.

The fit grows from a start (tracker/flight/grow.py); then all that belongs is fitted together, gross errors are
refused, and the covariance is that of the kept sightings, scaled by their own chi-squared. Where chi-squared stays
high, other starts are tried. Whether the ball bounced follows from the path itself: it bounces where it comes down to
the floor, unless it is seen, or must be taken, to have been met before.

Parameters: tracker/flight/model.py. Equations: docs/method.md.
"""

from dataclasses import dataclass, replace

import numpy as np

from calibration.errors import LanepairError
from calibration.rig import Rig
from tracker.flight import physics
from tracker.flight.grow import Fit, Job, fit_rows, grow
from tracker.flight.met import past_wicket, readings
from tracker.flight.milestones import Course
from tracker.flight.model import NAMES, SIZE, Rows, flight_terms, make_prior, make_rows, predict
from tracker.flight.rigterms import moved_rig
from tracker.flight.runs import variance_factors
from tracker.flight.solve import CAP, chi2_rows, information, inverse
from tracker.flight.stamps import loosened, stamp_sds_s
from tracker.flight.start import Seed, make_rays, seeds
from tracker.records import Air, Ball, Bools, Flight, Floats, Ints, Track
from tracker.settings import FlightSettings

PRIOR_DOF = 20.0  # how many degrees of freedom the stated covariances are worth against the residuals' own scale
LEAST_SCALE = 0.5  # the residuals may not shrink the stated variances below this share
FINE = 1e-3  # a step that promises to lower chi-squared by less is not worth making
LATE_SHARES = (0.0, 1 / 16, 1 / 4, 1.0)  # how much of the widest change of side force is thought possible,
LATE_ODDS = (3.0, 1.0, 1.0, 1.0)  # and how likely beforehand: every other ball flies under a steady force
SPAN_SHARE = 0.5  # a start whose flight spans fewer of the sightings is not the last that is tried
KEPT_SHARE = 0.7  # nor one that explains fewer of those it spans
VAGUE, VAGUE_PX = 0.5, 3.0  # of the diameter, and px: a sighting with an sd beyond both says nothing
STAMP_TURNS = 4  # how often unsteady stamps are looked for anew, at most
BLIND = 3  # frames of a view before the floor that should show a ball and do not: it was met; near a bat some fail


class NoFlightError(LanepairError):
    """The sightings make no flight."""


def fit_flight(
    track: Track,
    rig: Rig,
    ball: Ball,
    air: Air,
    settings: FlightSettings,
    offset_sd_s: float = 0.0,
    released_s: float = -np.inf,
) -> Flight:
    """The most likely flight behind a track.

    Parameters
    ----------
    track : sightings of both views with smoothed states; states may be poor or NaN
    offset_sd_s : prior sd of the right-minus-left clock offset beyond the rig's; inf: unknown; 0: taken as exact
    released_s : where known, the instant of release: earlier sightings are of a ball in the hand

    Returns
    -------
    Flight; its release is not found yet (release_s NaN): `tracker.flight.release.find_release`.

    Raises
    ------
    NoFlightError
        If too few sightings agree on a first arc.
    """
    order = np.argsort(track.time_s, kind="stable")
    rows = make_rows(
        track.view[order],
        track.time_s[order],
        track.centre_px[order],
        track.cov_px2[order],
        track.lean_px[order],
        track.trail_px[order],
        track.aside[order],
    )
    job = Job(
        rows,
        make_rays(rows, rig.cameras),
        rig.cameras,
        flight_terms(rig, offset_sd_s > 0, rows, settings),
        ball,
        air,
        settings,
        offset_sd_s,
        released_s,
        _vague(track)[order],
    )
    best, best_cost = None, np.inf
    for seed in seeds(rows, job.rays, track.state[order], track.bounce_s):
        found = _from(job, seed)
        if found is None:
            continue
        chi2, use = chi2_rows(found.fit.prediction), found.fit.use
        cost = float(np.where(use, np.minimum(chi2, CAP), CAP).mean())
        if cost < best_cost:
            best, best_cost = found, cost
        used = np.flatnonzero(use)
        span = used[-1] + 1 - used[0]
        explains = span > SPAN_SHARE * len(rows) and len(used) > KEPT_SHARE * span
        if explains and chi2[use].mean() / 2 < settings.restart_chi2:
            break
    if best is None:
        raise NoFlightError(
            f"{len(track)} sightings do not make a flight: at least {settings.min_sightings} of one arc are needed"
        )
    return _finish(best, order, rig)


@dataclass(frozen=True, eq=False)
class _Found:
    """A fit with the job it answers, whose rows may have been loosened for stamps of sds `stamps_s` (2,)."""

    job: Job
    fit: Fit
    stamps_s: Floats


def _from(job: Job, seed: Seed) -> _Found | None:
    """The settled fit from a start; where it shows unsteady stamps, that of sightings loosened for them."""
    grown = grow(job, seed)
    if grown is None:
        return None
    job = replace(job, terms=job.terms.within(job.rows.time_s[grown.use]))
    found = _Found(job, _settle(job, grown), np.zeros(2))
    for _ in range(STAMP_TURNS):
        fit, used = found.fit, np.flatnonzero(found.fit.use)
        within = np.zeros(len(job.rows), bool)
        within[used[0] : used[-1] + 1] = True
        prediction = predict(fit.theta, fit.model, job.rows, job.cameras, job.settings.step_s, job.terms)
        sds = stamp_sds_s(job.rows, prediction, within)
        if np.allclose(sds, found.stamps_s, rtol=0.05):
            break
        loose = replace(job, rows=loosened(job.rows, prediction, sds))
        again = grow(loose, Seed(float(fit.model[physics.START]), fit.theta[:6], within))
        if again is None:
            break
        found = _Found(loose, _settle(loose, again), sds)
    return _runs_doubted(found)


def _runs_doubted(found: _Found) -> _Found:
    """The same with runs of sightings that are worse than they say believed less."""
    job, fit = found.job, found.fit
    prediction = predict(fit.theta, fit.model, job.rows, job.cameras, job.settings.step_s, job.terms)
    factors = variance_factors(job.rows.view, prediction.residual, fit.use)
    if factors.max() == 1:
        return found
    job = replace(job, rows=replace(job.rows, whiten=job.rows.whiten / np.sqrt(factors)[:, None, None]))
    fit = fit_rows(job, fit.model, fit.prior, fit.theta, fit.use, np.inf, FINE)
    return replace(found, job=job, fit=replace(_settle(job, fit), hit=found.fit.hit))


def _vague(track: Track) -> Bools:
    """Which sightings (n,) are so unsure that they may as well lie beside the ball; where its size is known."""
    worst_px = np.sqrt(np.linalg.eigvalsh(track.cov_px2)[:, -1])
    return np.asarray(worst_px > np.maximum(VAGUE * track.size_px, VAGUE_PX))


def _settle(job: Job, fit: Fit) -> Fit:
    """Refuse gross errors and fit what is kept by plain least squares."""
    settings = job.settings
    used = np.flatnonzero(fit.use)
    within = np.zeros(len(job.rows), bool)
    within[used[0] : used[-1] + 1] = True
    within &= (job.rows.time_s >= job.released_s) & ~job.vague
    for turn in range(5):
        keep = within & (chi2_rows(fit.prediction) < settings.reject**2 * fit.noise)
        keep &= ~past_wicket(fit, job.rows.time_s)
        if np.count_nonzero(keep) < settings.min_sightings or (turn and np.array_equal(keep, fit.use)):
            break
        fit = replace(fit_rows(job, fit.model, fit.prior, fit.theta, keep, np.inf, FINE), hit=fit.hit)
    return fit


@dataclass(frozen=True, eq=False)
class _Answer:
    """Parameters (p,) and their covariance, the average of the single answers' own, and the degrees of freedom.

    changes  how likely the side force is to change along the flight
    """

    theta: Floats
    cov: Floats
    within: Floats
    dof: int
    changes: float


def _average(job: Job, fit: Fit) -> _Answer:
    """The answers of every reading of the last sightings (F27), each over the forces that are possible (F15, F16).

    What cannot be told from the sightings so enters the doubt.
    """
    free, prediction = fit.prior.free, fit.prediction
    data, pull = information(prediction.slope, prediction.residual, fit.use.astype(float))
    chi2 = float(chi2_rows(prediction)[fit.use].sum())
    dof = 2 * np.count_nonzero(fit.use) - float((inverse(fit.normal, free) * data).sum())
    scale = max((PRIOR_DOF + chi2) / (PRIOR_DOF + max(dof, 0.0)), LEAST_SCALE)
    prior = fit.prior
    gradient = pull / scale - prior.weight * (fit.theta - prior.mean)
    shares, answers, changes = [], [], []
    for reading in readings(job, fit, data / scale + np.diag(prior.weight), gradient, scale):
        some = information(prediction.slope, prediction.residual, reading.use.astype(float))
        shares.append(reading.share)
        odds, each = _over_forces(job, fit, some[0] / scale, some[1] / scale)
        answers.append(_mixed(odds, each))
        changes.append(1 - odds[0])
    return _Answer(*_mixed(np.array(shares), answers), round(dof), float(np.dot(shares, changes)))


def _over_forces(job: Job, fit: Fit, data: Floats, pull: Floats) -> tuple[Floats, list[tuple[Floats, Floats, Floats]]]:
    """How likely a steady and ever more changing side forces are, (4,), and the answers under them (F15, F16).

    `data` (p, p) and `pull` (p,) are of the rows; the answers are as `_mixed` takes them.
    """
    settings, free = job.settings, fit.prior.free
    after, side = fit.prior.mean[physics.AFTER : physics.AFTER + 3], float(fit.theta[physics.SIDE])
    answers, costs = [], []
    for share in LATE_SHARES:
        prior = make_prior(settings, after, job.offset_sd_s, share * settings.late_sd, side, job.terms.count)
        off = fit.theta - prior.mean
        cov = inverse(data + np.diag(prior.weight), free)
        gradient = pull - prior.weight * off
        answers.append((fit.theta + cov @ gradient, cov, cov))
        # twice the negative log of the likelihood with the parameters integrated out, but for what all share
        log_det = -np.linalg.slogdet(cov[np.ix_(free, free)])[1] - np.log(prior.weight[prior.weight > 0]).sum()
        costs.append(float((prior.weight * off**2).sum() - gradient @ cov @ gradient + log_det))
    weight = np.array(LATE_ODDS) * np.exp(-0.5 * (np.array(costs) - min(costs)))
    return weight / weight.sum(), answers


def _mixed(share: Floats, answers: list[tuple[Floats, Floats, Floats]]) -> tuple[Floats, Floats, Floats]:
    """The average of answers with their shares: parameters, covariance with how they differ, and without."""
    thetas, covs, within = (np.array(part) for part in zip(*answers, strict=True))
    theta = share @ thetas
    apart = thetas - theta
    return theta, np.tensordot(share, covs, 1) + (apart.T * share) @ apart, np.tensordot(share, within, 1)


def _finish(found: _Found, order: Ints, rig: Rig) -> Flight:
    """The record, with covariances of the kept rows."""
    job, fit = found.job, found.fit
    rows, keep, answer = job.rows, fit.use, _average(job, fit)
    prediction = predict(answer.theta, fit.model, rows, rig.cameras, job.settings.step_s, job.terms)
    fit = replace(fit, theta=answer.theta, prediction=prediction)
    kept, residual_px = np.zeros(len(rows), bool), np.empty((len(rows), 2))
    kept[order], residual_px[order] = keep, np.linalg.solve(rows.whiten, prediction.residual[:, :, None])[:, :, 0]
    seen_after = int(np.count_nonzero(rows.time_s[keep] > fit.bounce_s))
    bounce_s = fit.bounce_s if seen_after else _unseen_bounce(job, fit, rig)
    start_s = float(rows.time_s[keep][0])
    params, carry = _at_start(fit, start_s)
    by_rig = answer.within[
        :SIZE, SIZE : SIZE + job.terms.own
    ]  # standard normal terms: what the prior leaves of them moves the flight so
    rig_cov = by_rig @ by_rig.T
    model = fit.model.copy()
    model[physics.BOUNCES], model[physics.START] = float(np.isfinite(bounce_s)), start_s
    numbers = dict(zip(physics.MODEL_NAMES, (float(x) for x in model), strict=True))
    return Flight(
        names=NAMES,
        params=params,
        cov=carry @ (answer.cov[:SIZE, :SIZE] - rig_cov) @ carry.T,
        rig_cov=carry @ rig_cov @ carry.T,
        start_s=start_s,
        bounce_s=bounce_s,
        end_s=float(rows.time_s[keep][-1]),
        release_s=np.nan,
        release_s_sd=np.nan,
        release_seen=False,
        kept=kept,
        residual_px=residual_px,
        chi2=float(chi2_rows(prediction)[keep].sum()),
        dof=answer.dof,
        model=numbers
        | {
            "after_sightings": float(seen_after),
            "side_changes": answer.changes,
            "left_stamp_sd_s": found.stamps_s[0],
            "right_stamp_sd_s": found.stamps_s[1],
        }
        | moved_rig(job.terms, answer.theta[SIZE:]),
    )


def _unseen_bounce(job: Job, fit: Fit, rig: Rig) -> float:
    """When a ball that was last seen above the floor bounced; NaN if a bat or body met it first, or it never did.

    Beyond the batter's reach nothing but the floor can meet it. Within it the ball was met if it was seen to go where
    no floor sends it; where it would pitch near enough, also if frames that should show it before the floor do not.
    A sighting off its path is no such sign by itself: near the floor and the batter what is seen is seldom the ball.
    """
    course = Course(fit.theta, fit.model)
    if course.before is None:
        return np.nan
    rows = job.rows.take(fit.use)
    last_s, bounce_s = float(rows.time_s[-1]), course.before.time_s
    if course.at(last_s).state[1] > job.settings.reach_m:
        return bounce_s
    missed = max(_missed(course, rows, view, rig, bounce_s) for view in (0, 1))
    near = course.before.state[1] < job.settings.full_reach_m
    return np.nan if (missed and fit.hit) or (near and missed >= BLIND) else bounce_s


def _missed(course: Course, rows: Rows, view: int, rig: Rig, until_s: float) -> int:
    """Frames of a view before an instant that should show the ball and do not; 0 of one that had lost it before."""
    own = rows.time_s[rows.view == view]
    if len(own) < 2:
        return 0
    step_s = float(np.median(np.diff(own)))
    if rows.time_s[-1] - own[-1] > BLIND * step_s:
        return 0
    times_s = np.arange(own[-1] + step_s, until_s, step_s)
    return sum(bool(rig.cameras[view].sees(course.at(float(t)).state[None, :3])[0]) for t in times_s)


def _at_start(fit: Fit, start_s: float) -> tuple[Floats, Floats]:
    """Parameters whose state is that of the first kept sighting's time, and their derivatives by the fit's own."""
    params, carry = fit.theta[:SIZE].copy(), np.eye(SIZE)
    x, s = physics.launch(params[: physics.COUNT])
    physics.fly(x, s, float(fit.model[physics.START]), start_s, params[: physics.COUNT], fit.model, False, 0.004)
    params[:6], carry[:6, : physics.COUNT] = x, s
    return params, carry


def row_codes(flight: Flight, track: Track) -> Ints:
    """Why each of the track's sightings was kept or refused: (n,) codes of records.REFUSALS."""
    early, late = track.time_s < flight.start_s, track.time_s > flight.end_s
    return np.where(flight.kept, 0, np.where(early, 4, np.where(late, 5, 3))).astype(np.int64)

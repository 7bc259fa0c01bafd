"""A track to a flight: the most likely two arcs, tied at the bounce, in raw pixels.

From a start (the track's states, or rays alone) the fit grows outward over the first arc, then over the second,
taking a sighting only while what is already trusted predicts it: a ball still in the hand, off the bat or bounced
twice never gets in. Then all that belongs is fitted together, gross errors are refused, and the covariance is that
of the kept ones, scaled by their own chi-squared. Where chi-squared stays high, other starts are tried.

Parameters: tracker/flight/model.py. Equations: docs/method.md.
"""

from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import Camera
from calibration.errors import LanepairError
from calibration.rig import Rig
from tracker.flight import physics
from tracker.flight.model import (
    NAMES,
    SIZE,
    Prediction,
    Prior,
    Rows,
    make_model,
    make_prior,
    make_rows,
    predict,
    usual_rebound,
)
from tracker.flight.rigdoubt import rig_covariance
from tracker.flight.solve import CAP, GATE, Solution, belonging, chi2_rows, innovations, inverse, least_squares
from tracker.flight.start import Rays, Seed, make_rays, seeds, state_from_rays
from tracker.records import Air, Ball, Bools, Flight, Floats, Ints, Track
from tracker.settings import FlightSettings

PRIOR_DOF = 20.0  # how many sightings' coordinates the stated covariances are worth against the residuals' own scale
LEAST_SCALE = 0.5  # the residuals may not shrink the stated variances below this share


class NoFlightError(LanepairError):
    """The sightings make no flight."""


@dataclass(frozen=True, eq=False)
class _Job:
    """What stays the same throughout; sightings before `released_s` are not of the flight."""

    rows: Rows
    rays: Rays
    cameras: tuple[Camera, Camera]
    ball: Ball
    air: Air
    settings: FlightSettings
    offset_sd_s: float
    released_s: float


@dataclass(frozen=True, eq=False)
class _Fit:
    """A fit in progress: the model, the prior, least squares' answer, the rows that belong."""

    model: Floats
    prior: Prior
    solution: Solution
    use: Bools
    second: bool  # whether rows of the second arc are in
    hit: bool  # whether the ball is seen to leave the path before the floor

    @property
    def bounce_s(self) -> float:
        """Predicted first contact."""
        return self.solution.prediction.bounce_s


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
    rows = make_rows(track.view[order], track.time_s[order], track.centre_px[order], track.cov_px2[order])
    sorted_track = replace(track, time_s=track.time_s[order], state=track.state[order])
    job = _Job(rows, make_rays(rows, rig.cameras), rig.cameras, ball, air, settings, offset_sd_s, released_s)
    best, best_score = None, np.inf
    for seed in seeds(rows, job.rays, sorted_track):
        fit = _grow(job, seed)
        if fit is None:
            continue
        score = _score(fit)
        if score < best_score:
            best, best_score = fit, score
        if _good(fit, settings):
            break
    if best is None:
        raise NoFlightError(
            f"{len(track)} sightings do not make a flight: at least {settings.min_sightings} of one arc are needed"
        )
    return _finish(job, best, order, rig)


def _score(fit: _Fit) -> float:
    """Mean cost of all rows, those that do not belong at the cap."""
    return float(np.where(fit.use, np.minimum(chi2_rows(fit.solution.prediction), CAP), CAP).mean())


def _good(fit: _Fit, settings: FlightSettings) -> bool:
    chi2 = chi2_rows(fit.solution.prediction)[fit.use].sum()
    dof = 2 * np.count_nonzero(fit.use) - 14
    return bool(dof > 0 and chi2 / dof < settings.restart_chi2 and fit.use.mean() > 0.7)


@dataclass(frozen=True, eq=False)
class _Looker:
    job: _Job
    model: Floats

    def __call__(self, theta: Floats) -> Prediction:
        return predict(theta, self.model, self.job.rows, self.job.cameras, self.job.settings.step_s)


def _grow(job: _Job, seed: Seed) -> _Fit | None:
    """Grow a fit from a seed over both arcs; None where it leads nowhere."""
    fit = _first_arc(job, seed)
    if fit is None:
        return None
    if np.isfinite(fit.bounce_s) and not fit.hit:
        fit = _second_arc(job, fit)
    return _settle(job, fit)


def _first_arc(job: _Job, seed: Seed) -> _Fit | None:
    settings, rows = job.settings, job.rows
    theta = np.zeros(SIZE)
    theta[:6] = seed.state
    theta[physics.DRAG], theta[physics.SLOPE] = settings.drag, settings.drag_slope
    speed = float(np.linalg.norm(seed.state[3:]))
    if not 1.0 < speed < 100.0:
        return None
    landing_s, arriving = _landing(theta, seed, job)
    after = usual_rebound(arriving, settings)
    theta[physics.AFTER : physics.AFTER + 3] = after
    model = make_model(job.ball, job.air, seed.time_s, (rows.time_s[0], landing_s), speed, True)
    prior = make_prior(settings, after, job.offset_sd_s, settings.late_sd)
    look = _Looker(job, model)
    core = seed.core & (rows.time_s >= job.released_s)
    use = core & (rows.time_s < landing_s - _margin(rows))
    if np.count_nonzero(use) < settings.min_sightings:
        use = core
    fit = _Fit(model, prior, least_squares(theta, look, prior, use, settings.huber, 8), use, False, False)
    for _ in range(3):
        chosen, hit = _outward(fit, job)
        if np.count_nonzero(chosen) < settings.min_sightings:
            return None
        same = np.array_equal(chosen, fit.use)
        solution = least_squares(fit.solution.theta, look, prior, chosen, settings.huber, 6)
        fit = replace(fit, solution=solution, use=chosen, hit=hit)
        if same:
            break
    return fit


def _margin(rows: Rows) -> float:
    """Median time between sightings of one view, seconds."""
    steps = np.concatenate([np.diff(rows.time_s[rows.view == v]) for v in (0, 1)])
    return float(np.median(steps)) if len(steps) else 0.01


def _landing(theta: Floats, seed: Seed, job: _Job) -> tuple[float, Floats]:
    """When and how fast (3,) the seed's path comes down, or the end of the rows and the speed then."""
    end_s = float(job.rows.time_s[-1]) + 0.3
    model = make_model(job.ball, job.air, seed.time_s, (seed.time_s, end_s), 30.0, True)
    ahead = np.arange(seed.time_s, end_s, 0.01)
    states, _, bounce_s, _ = physics.trace(theta[: physics.COUNT], model, ahead, 0.01)
    if not np.isfinite(bounce_s):
        return end_s, states[-1, 3:]
    return float(bounce_s), states[max(int(np.searchsorted(ahead, bounce_s)) - 1, 0), 3:]


def _noise(fit: _Fit) -> float:
    """Variance of a whitened residual as the used rows show it, at least 1."""
    r2 = np.minimum(chi2_rows(fit.solution.prediction)[fit.use], CAP)
    return float(max(1.0, r2.sum() / max(2 * len(r2) - 8, 1)))


def _outward(fit: _Fit, job: _Job) -> tuple[Bools, bool]:
    """Rows of the first arc that belong, judged outward from the used ones; whether the ball is seen to leave it."""
    rows, prediction = job.rows, fit.solution.prediction
    cov = fit.solution.covariance(fit.prior.free)
    noise = _noise(fit)
    bounce_s = fit.bounce_s if np.isfinite(fit.bounce_s) else np.inf
    in_arc = (rows.time_s < bounce_s) & (rows.time_s >= job.released_s)
    used = np.flatnonzero(fit.use & in_arc)
    if not len(used):
        return np.zeros(len(rows), bool), False
    chosen = fit.use & in_arc & (chi2_rows(prediction) < GATE * noise)
    late = np.flatnonzero(in_arc & (np.arange(len(rows)) > used[-1]))
    early = np.flatnonzero(in_arc & (np.arange(len(rows)) < used[0]))[::-1]
    hit = False
    for side in (early, late):
        chi2 = innovations(side, prediction.residual, prediction.slope, cov, noise)
        count = belonging(chi2, job.settings.break_cost)
        chosen[side[:count]] = chi2[:count] < GATE
        hit = hit or (side is late and len(side) - count >= 3)
    return chosen, hit


def _second_arc(job: _Job, fit: _Fit) -> _Fit:
    """Add the rows after the bounce that belong to the second arc."""
    settings, rows = job.settings, job.rows
    later = np.flatnonzero(rows.time_s > fit.bounce_s)
    if len(later) < 2:
        return fit
    theta = fit.solution.theta.copy()
    contact, _, _, _ = physics.trace(theta[: physics.COUNT], fit.model, np.array([fit.bounce_s]), settings.step_s)
    first = np.zeros(len(rows), bool)
    first[later[:8]] = True
    state = state_from_rays(job.rays, rows.time_s - fit.bounce_s, first, contact[0, :3])
    look = _Looker(job, fit.model)
    if state is not None and np.linalg.norm(state[3:] - fit.prior.mean[physics.AFTER : physics.AFTER + 3]) < np.sqrt(
        9 / fit.prior.weight[physics.AFTER]
    ):
        theta[physics.AFTER : physics.AFTER + 3] = state[3:]
    base = least_squares(theta, look, fit.prior, fit.use | first, settings.huber, 6)
    arc = fit.use.copy()
    for _ in range(3):
        prediction = base.prediction
        later = np.flatnonzero((rows.time_s > prediction.bounce_s) & ~(rows.time_s >= prediction.second_s))
        own = replace(fit, solution=base, use=arc)
        cov = inverse(_information(base, fit.prior, arc & (rows.time_s <= prediction.bounce_s)), fit.prior.free)
        chi2 = innovations(later, prediction.residual, prediction.slope, cov, _noise(own))
        count = belonging(chi2, settings.break_cost)
        chosen = arc & (rows.time_s <= prediction.bounce_s)
        chosen[later[:count]] = chi2[:count] < GATE
        same = np.array_equal(chosen, arc)
        arc = chosen
        base = least_squares(base.theta, look, fit.prior, arc, settings.huber, 6)
        if same:
            break
    second = bool((arc & (rows.time_s > base.prediction.bounce_s)).any())
    return replace(fit, solution=base, use=arc, second=second)


def _information(at: Solution, prior: Prior, use: Bools) -> Floats:
    """Information (SIZE, SIZE) of some rows and the priors."""
    slope = at.prediction.slope[use & (at.weight > 0)].reshape(-1, SIZE)
    return slope.T @ slope + np.diag(prior.weight)


def _settle(job: _Job, fit: _Fit) -> _Fit:
    """Refuse gross errors, choose how far the side force changes, and fit what is kept by plain least squares."""
    settings, rows = job.settings, job.rows
    used = np.flatnonzero(fit.use)
    within = np.zeros(len(rows), bool)
    within[used[0] : used[-1] + 1] = True
    look = _Looker(job, fit.model)
    chosen_late = False
    for _ in range(5):
        limit = settings.reject**2 * _noise(fit)
        keep = within & (chi2_rows(fit.solution.prediction) < limit)
        if np.count_nonzero(keep) < settings.min_sightings:
            return fit
        if chosen_late and np.array_equal(keep, fit.use):
            break
        solution = least_squares(fit.solution.theta, look, fit.prior, keep, np.inf, 6)
        fit = replace(fit, solution=solution, use=keep)
        if not chosen_late:
            prior = _choose_late(fit, job)
            solution = least_squares(solution.theta, look, prior, keep, np.inf, 6)
            fit, chosen_late = replace(fit, prior=prior, solution=solution), True
    return fit


def _choose_late(fit: _Fit, job: _Job) -> Prior:
    """The prior under which the sightings are likeliest: a steady side force, or one that changes (equation F15)."""
    settings, at = job.settings, fit.solution
    used = fit.use & (at.weight > 0)
    slope = at.prediction.slope[used].reshape(-1, SIZE) / np.sqrt(_noise(fit))
    residual = at.prediction.residual[used].ravel() / np.sqrt(_noise(fit))
    data, pull = slope.T @ slope, slope.T @ residual
    after = fit.prior.mean[physics.AFTER : physics.AFTER + 3]
    scales = [settings.steady_sd, np.sqrt(settings.steady_sd * settings.late_sd), settings.late_sd]
    priors = [make_prior(settings, after, job.offset_sd_s, scale) for scale in scales]
    return min(priors, key=lambda p: _surprise(at.theta, data, pull, p))


def _surprise(theta: Floats, data: Floats, pull: Floats, prior: Prior) -> float:
    """-2 log of the likelihood with the parameters integrated out, but for terms that all priors share."""
    free = prior.free
    pick = np.ix_(free, free)
    normal = data[pick] + np.diag(prior.weight[free])
    off = (theta - prior.mean)[free]
    gradient = pull[free] - prior.weight[free] * off
    scale = 1 / np.sqrt(normal.diagonal())
    scaled = normal * np.outer(scale, scale)
    step = scale * np.linalg.solve(scaled, scale * gradient)
    known = prior.weight[free] > 0
    log_det = np.linalg.slogdet(scaled)[1] - 2 * np.log(scale).sum() - np.log(prior.weight[free][known]).sum()
    return float((prior.weight[free] * off**2).sum() - step @ gradient + log_det)


def _finish(job: _Job, fit: _Fit, order: Ints, rig: Rig) -> Flight:
    """The record, with covariances of the kept rows."""
    rows, prediction = job.rows, fit.solution.prediction
    keep = fit.use
    slope = prediction.slope[keep].reshape(-1, SIZE)
    chi2 = float(chi2_rows(prediction)[keep].sum())
    cov = inverse(slope.T @ slope + np.diag(fit.prior.weight), fit.prior.free)
    dof = 2 * int(keep.sum()) - round(float(np.einsum("ij,jk,ik->", slope, cov, slope)))
    scale = max((PRIOR_DOF + chi2) / (PRIOR_DOF + dof), LEAST_SCALE)
    cov = inverse(slope.T @ slope / scale + np.diag(fit.prior.weight), fit.prior.free)
    px = np.linalg.solve(rows.whiten, prediction.residual[:, :, None])[:, :, 0]
    kept, residual_px = np.zeros(len(rows), bool), np.empty((len(rows), 2))
    kept[order], residual_px[order] = keep, px
    bounced = np.isfinite(prediction.bounce_s) and fit.second
    start_s = float(rows.time_s[keep][0])
    params, carry = _at_start(fit, start_s)
    rig_cov = rig_covariance(fit.solution, cov / scale, keep, rows, rig, job.offset_sd_s > 0)
    model = fit.model.copy()
    model[physics.BOUNCES], model[physics.START] = float(bounced), start_s
    return Flight(
        names=NAMES,
        params=params,
        cov=carry @ cov @ carry.T,
        rig_cov=carry @ rig_cov @ carry.T,
        start_s=start_s,
        bounce_s=float(prediction.bounce_s) if bounced else np.nan,
        end_s=float(rows.time_s[keep][-1]),
        release_s=np.nan,
        release_s_sd=np.nan,
        release_seen=False,
        kept=kept,
        residual_px=residual_px,
        chi2=chi2,
        dof=dof,
        model=dict(zip(physics.MODEL_NAMES, (float(x) for x in model), strict=True)),
    )


def _at_start(fit: _Fit, start_s: float) -> tuple[Floats, Floats]:
    """Parameters whose state is that of the first kept sighting's time, and their derivatives by the fit's own."""
    params, carry = fit.solution.theta.copy(), np.eye(SIZE)
    x, s = physics.launch(params[: physics.COUNT])
    own_s = float(fit.model[physics.START])
    physics.fly(x, s, own_s, start_s, params[: physics.COUNT], fit.model, False, 0.004)
    params[:6], carry[:6, : physics.COUNT] = x[:6], s
    return params, carry

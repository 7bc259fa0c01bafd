"""Growing a flight from a start: outward over the first arc, on over the second, taking only what belongs.

A sighting is taken while what is already trusted predicts it, so a ball still in the hand, off the bat or bounced
twice does not get in, whatever the tracker made of it.
"""

from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import Camera
from tracker.flight import physics
from tracker.flight.model import SIZE, Prediction, Prior, Rows, make_model, make_prior, predict, usual_rebound
from tracker.flight.rigterms import RigTerms
from tracker.flight.solve import CAP, GATE, belonging, chi2_rows, information, innovations, inverse, least_squares
from tracker.flight.start import Rays, Seed, state_from_rays
from tracker.records import Air, Ball, Bools, Floats
from tracker.settings import FlightSettings

SLOWEST_MPS, FASTEST_MPS = 1.0, 100.0  # beyond these a start is nonsense
LEFT_ROWS = 3  # so many off the path, and this share of the last, show that the ball has left it
LEFT_SHARE = 0.7
FIRST_ROWS = 8  # after the bounce, from which the second arc is started
SOON_FRAMES = 2.5  # after the floor, within which a ball off its second arc shows that it was hit before
ABSURD = 3.0  # sds from the usual velocity after a bounce beyond which it was no bounce
AFTER = slice(physics.AFTER, physics.AFTER + 3)
ROUGH = 0.1  # while growing, a step that promises to lower chi-squared by less is not worth making


@dataclass(frozen=True, eq=False)
class Job:
    """What stays the same throughout; sightings before `released_s` are not of the flight, `vague` ones none at all."""

    rows: Rows
    rays: Rays
    cameras: tuple[Camera, Camera]
    terms: RigTerms
    ball: Ball
    air: Air
    settings: FlightSettings
    offset_sd_s: float
    released_s: float
    vague: Bools


@dataclass(frozen=True, eq=False)
class Fit:
    """A fit in progress.

    theta, normal  parameters, information of the used rows and priors
    prediction     of all rows
    use            (n,) rows that belong
    hit            whether the ball is seen to leave the first arc before the floor
    """

    model: Floats
    prior: Prior
    theta: Floats
    normal: Floats
    prediction: Prediction
    use: Bools
    hit: bool = False

    @property
    def bounce_s(self) -> float:
        """Predicted first contact; infinite if there is none by the last row."""
        found = self.prediction.bounce_s
        return found if np.isfinite(found) else np.inf

    @property
    def noise(self) -> float:
        """Variance of a whitened residual as the used rows show it, at least 1."""
        r2 = np.minimum(chi2_rows(self.prediction)[self.use], CAP)
        return float(max(1.0, r2.sum() / max(2 * len(r2) - 8, 1)))


def fit_rows(
    job: Job, model: Floats, prior: Prior, theta: Floats, use: Bools, huber: float, enough: float = ROUGH
) -> Fit:
    """Least squares over some rows from a start."""
    rows = job.rows.take(use)

    def look(at: Floats) -> Prediction:
        return predict(at, model, rows, job.cameras, job.settings.step_s, job.terms)

    found = least_squares(theta, look, prior, huber, 10, enough)
    prediction = predict(found.theta, model, job.rows, job.cameras, job.settings.step_s, job.terms)
    return Fit(model, prior, found.theta, found.normal, prediction, use)


def grow(job: Job, seed: Seed) -> Fit | None:
    """Grow a fit from a seed over both arcs; None where it leads nowhere."""
    fit = _first_arc(job, seed)
    if fit is None or fit.hit or not np.isfinite(fit.bounce_s):
        return fit
    return _second_arc(job, fit)


def _first_arc(job: Job, seed: Seed) -> Fit | None:
    settings, rows = job.settings, job.rows
    speed = float(np.linalg.norm(seed.state[3:]))
    if not SLOWEST_MPS < speed < FASTEST_MPS:
        return None
    theta = np.zeros(SIZE + job.terms.count)
    theta[:6] = seed.state
    theta[physics.DRAG], theta[physics.SLOPE] = settings.drag, settings.drag_slope
    theta[physics.LIFT_AFTER] = settings.lift_after
    landing_s, arriving = _landing(theta, seed, job)
    after = usual_rebound(arriving, settings)
    theta[physics.AFTER : physics.AFTER + 3] = after
    model = make_model(job.ball, job.air, seed.time_s, (float(rows.time_s[0]), landing_s), speed, True)
    prior = make_prior(settings, after, job.offset_sd_s, settings.late_sd, 0.0, job.terms.count)
    core = seed.core & (rows.time_s >= job.released_s)
    use = core & (rows.time_s < landing_s - frame_s(rows))
    if np.count_nonzero(use) < settings.min_sightings:
        use = core
    fit = fit_rows(job, model, prior, theta, use, settings.huber)
    for _ in range(3):
        if np.count_nonzero(np.isfinite(chi2_rows(fit.prediction)[fit.use])) < settings.min_sightings:
            return None  # a start that puts the ball out of the cameras' sight says nothing
        chosen, hit = _outward(fit, job)
        if np.count_nonzero(chosen) < settings.min_sightings:
            return None
        if np.array_equal(chosen, fit.use):
            return replace(fit, hit=hit)
        fit = fit_rows(job, model, prior, fit.theta, chosen, settings.huber)
    return replace(fit, hit=hit)


def frame_s(rows: Rows) -> float:
    """Median time between sightings of the view that takes fewer a second."""
    steps = [np.diff(rows.time_s[rows.view == v]) for v in (0, 1)]
    return max((float(np.median(own)) for own in steps if len(own)), default=0.01)


def _landing(theta: Floats, seed: Seed, job: Job) -> tuple[float, Floats]:
    """When and how fast (3,) the seed's path comes down, or the end of the rows and the speed then."""
    end_s = float(job.rows.time_s[-1]) + 0.3
    model = make_model(job.ball, job.air, seed.time_s, (seed.time_s, end_s), 30.0, True)
    ahead = np.arange(seed.time_s, end_s, 0.01)
    states, _, bounce_s, _ = physics.trace(theta[: physics.COUNT], model, ahead, 0.01)
    if not np.isfinite(bounce_s):
        return end_s, states[-1, 3:]
    return float(bounce_s), states[max(int(np.searchsorted(ahead, bounce_s)) - 1, 0), 3:]


def _outward(fit: Fit, job: Job) -> tuple[Bools, bool]:
    """Rows of the first arc that belong, judged outward from the used ones; whether the ball is seen to leave it."""
    rows, prediction = job.rows, fit.prediction
    cov = inverse(fit.normal, fit.prior.free)
    in_arc = (rows.time_s < fit.bounce_s) & (rows.time_s >= job.released_s)
    used = np.flatnonzero(fit.use & in_arc)
    if not len(used):
        return np.zeros(len(rows), bool), False
    chosen = fit.use & in_arc & (chi2_rows(prediction) < GATE * fit.noise)
    number = np.arange(len(rows))
    early, late = np.flatnonzero(in_arc & (number < used[0]))[::-1].copy(), np.flatnonzero(in_arc & (number > used[-1]))
    for side in (early, late):
        chi2 = innovations(side, prediction.residual, prediction.slope, cov, fit.noise)
        count, _ = belonging(chi2, job.settings.break_cost)
        chosen[side[:count]] = chi2[:count] < GATE
        gone, off = side[count:], chi2[count:] > GATE
    surely_before = rows.time_s[gone] < fit.bounce_s - 4 * _bounce_sd_s(fit, cov)
    left = np.count_nonzero(off & surely_before)
    return chosen, bool(left >= max(LEFT_ROWS, LEFT_SHARE * np.count_nonzero(surely_before)))


def _bounce_sd_s(fit: Fit, cov: Floats) -> float:
    """Doubt of the predicted instant of contact."""
    if not np.isfinite(fit.bounce_s):
        return 0.0
    q = np.ascontiguousarray(fit.theta[: physics.COUNT])
    x, s = physics.launch(q)
    physics.fly(x, s, float(fit.model[physics.START]), fit.bounce_s, q, fit.model, False, 0.01)
    _, by_q = physics.land(x, s, fit.bounce_s, q, fit.model, False, 0.01)
    return float(np.sqrt(by_q @ cov[: physics.COUNT, : physics.COUNT] @ by_q))


def _second_arc(job: Job, fit: Fit) -> Fit:
    """Add the rows after the bounce that belong to the second arc."""
    settings, rows = job.settings, job.rows
    later = np.flatnonzero(rows.time_s > fit.bounce_s)
    if len(later) < 2:
        return fit
    first = np.zeros(len(rows), bool)
    first[later[:FIRST_ROWS]] = True
    theta = _off_the_floor(job, fit, first)
    before = fit.use & (rows.time_s < fit.bounce_s)
    first_arc = fit
    fit = fit_rows(job, fit.model, fit.prior, theta, before | first, settings.huber)
    for _ in range(3):
        chosen = _onward(fit, job)
        if np.array_equal(chosen, fit.use):
            break
        fit = fit_rows(job, fit.model, fit.prior, fit.theta, chosen, settings.huber)
    # unseen for long after the floor, or far out, it may have been hit from there as well as before it
    soon = bool(rows.time_s[later[0]] - first_arc.bounce_s < SOON_FRAMES * frame_s(rows))
    soon &= bool(_contact(job, first_arc)[1] < settings.full_reach_m)
    off = np.sqrt(fit.prior.weight[AFTER]) * (fit.theta[AFTER] - fit.prior.mean[AFTER])
    if np.linalg.norm(off) > ABSURD:  # the floor does not send a ball that way: it was hit just before
        return replace(fit_rows(job, fit.model, fit.prior, first_arc.theta, before, settings.huber), hit=soon)
    nothing_after = not (fit.use & (rows.time_s > fit.bounce_s)).any()
    return replace(fit, hit=soon and nothing_after and len(later) >= LEFT_ROWS)


def _contact(job: Job, fit: Fit) -> Floats:
    """Where the ball meets the floor (3,)."""
    at_s = np.array([fit.bounce_s])
    found: Floats = physics.trace(fit.theta[: physics.COUNT], fit.model, at_s, job.settings.step_s)[0][0, :3]
    return found


def _off_the_floor(job: Job, fit: Fit, first: Bools) -> Floats:
    """Parameters with the velocity after the bounce from the first rays after it, unless that is absurd."""
    theta = fit.theta.copy()
    state = state_from_rays(job.rays, job.rows.time_s - fit.bounce_s, first, _contact(job, fit))
    if state is not None:
        off = np.sqrt(fit.prior.weight[AFTER]) * (state[3:] - fit.prior.mean[AFTER])
        if np.linalg.norm(off) < ABSURD:
            theta[AFTER] = state[3:]
    return theta


def _onward(fit: Fit, job: Job) -> Bools:
    """Rows of the first arc in use, and those of the second that belong, judged onward from the bounce.

    What comes first after the bounce decides what is taken for the second arc, and may be a gross error: of the first
    rows those far from the robust fit are left out, or each in turn, and the reading kept that explains the most.
    """
    rows, prediction = job.rows, fit.prediction
    chosen = fit.use & (rows.time_s <= fit.bounce_s)
    data, _ = information(prediction.slope, prediction.residual, chosen.astype(float))
    cov = inverse(data + np.diag(fit.prior.weight), fit.prior.free)
    later = np.flatnonzero((rows.time_s > fit.bounce_s) & ~(rows.time_s >= prediction.second_s))
    far = np.flatnonzero(chi2_rows(prediction)[later[:FIRST_ROWS]] > GATE)
    best_gain, best = -1.0, later[:0]
    readings = [far[:0], far, *(np.array([i]) for i in range(min(FIRST_ROWS, len(later))))]
    for without in readings:
        some = np.delete(later, without)
        chi2 = innovations(some, prediction.residual, prediction.slope, cov, fit.noise)
        count, gain = belonging(chi2, job.settings.break_cost)
        gain -= len(without) * (CAP - job.settings.break_cost)
        if gain > best_gain:
            best_gain, best = gain, some[:count][chi2[:count] < GATE]
        if count > len(later) - FIRST_ROWS // 2:
            break
    chosen[best] = True
    return chosen

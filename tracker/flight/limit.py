"""How well a flight can be measured at all: the Cramer-Rao limit of every quantity.

The information that sightings of stated covariance hold about the flight's parameters, with the fit's own priors and
the rig's doubt, bounds every estimate from below (Rao 1945, Cramer 1946; for parameters with priors van Trees 1968,
from memory; equation F20). The fit's own sds tend to it.
"""

import numpy as np

from calibration.rig import Rig
from tracker.flight import physics
from tracker.flight.measures import evaluate
from tracker.flight.milestones import PLACES, Course, Milestones, places, with_release
from tracker.flight.model import SIZE, Rows, flight_terms, make_prior, make_rows, predict, usual_rebound
from tracker.flight.solve import inverse
from tracker.records import Floats, Ints
from tracker.settings import FlightSettings


def limit(
    params: Floats,
    model: Floats,
    view: Ints,
    time_s: Floats,
    cov_px2: Floats,
    rig: Rig,
    settings: FlightSettings,
    *,
    release_s: float | None = None,
    release_sd_s: float = 0.0,
    offset_sd_s: float = 0.0,
    late_sd: float = 0.0,
    lean_px: Floats | None = None,
    trail_px: Floats | None = None,
    aside: Floats | None = None,
) -> dict[str, float]:
    """The least sd of each quantity of MEASURES; NaN for those that the flight does not have.

    Parameters
    ----------
    params : (SIZE,) the true flight, by model.NAMES
    model : (8,) by physics.MODEL_NAMES
    view, time_s, cov_px2 : (n,), (n,), (n, 2, 2) of the sightings that see it
    rig : its covariance, where it has one, is taken in
    release_s, release_sd_s : instant of release and its doubt; None: unseen, taken at its usual plane
    offset_sd_s : what is known of the clocks' offset beforehand; inf: nothing
    late_sd : how far the side force may change along the flight, beyond its wavering
    lean_px, trail_px, aside : (n,), (n, 2), (n,) as in Sightings; None: the ball's markings, or the film, move nothing
    """
    order = np.argsort(time_s, kind="stable")
    rows = make_rows(view, time_s, np.zeros((len(order), 2)), cov_px2, lean_px, trail_px, aside).take(order)
    path = Course(params, model)
    least = information_limit(path, rows, rig, settings, offset_sd_s, late_sd)
    cov = with_release(least, None if release_s is None else release_sd_s, float(late_sd > 0))
    found = Milestones(*places(path, rig.pitch_length_m, release_s), cov)
    values, sds = evaluate(found, bool(np.isfinite(found.time_s[PLACES.index("before")])))
    return {name: sd if np.isfinite(values[name]) else float("nan") for name, sd in sds.items()}


def information_limit(
    path: Course, rows: Rows, rig: Rig, settings: FlightSettings, offset_sd_s: float, late_sd: float
) -> Floats:
    """The least covariance (SIZE, SIZE) of the parameters, from rows in time order."""
    terms = flight_terms(rig, offset_sd_s > 0, rows, settings)
    theta = np.concatenate([path.params, np.zeros(terms.count)])
    down = path.before.state[3:] if path.before is not None else path.params[3:6]
    side = float(theta[physics.SIDE])
    prior = make_prior(settings, usual_rebound(down, settings), offset_sd_s, late_sd, side, terms.count)
    slope = predict(theta, path.model, rows, rig.cameras, settings.step_s, terms).slope.reshape(-1, len(theta))
    slope = slope[np.isfinite(slope).all(axis=1)]
    return inverse(slope.T @ slope + np.diag(prior.weight), prior.free)[:SIZE, :SIZE]

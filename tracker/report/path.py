"""A fitted flight made ready for drawing: sampled finely, with its doubt, and its sightings put on its clock."""

from dataclasses import replace

import numpy as np

from tracker.flight import physics
from tracker.records import Delivery, Flight, Floats, Track
from tracker.tracking.points import Path3D

_STEP_S = 0.004


def picture_times(delivery: Delivery, step_s: float = 0.002) -> Floats:
    """Times (n,) at which to sample a delivery's flight: from release or first sight to half a second past its end."""
    flight, track = delivery.flight, delivery.track
    if flight is None or track is None:
        raise ValueError("a delivery without a flight has no path")
    kept = track.time_s[flight.kept]
    start = float(min(delivery.start_s, kept.min())) if np.isfinite(delivery.start_s) else float(kept.min())
    marks = [t for t in (delivery.start_s, flight.bounce_s, flight.end_s) if np.isfinite(t) and t >= start]
    return np.unique(np.concatenate([np.arange(start, max(marks) + 0.5, step_s), marks]))


def sampled_path(flight: Flight, time_s: Floats) -> Path3D:
    """The fitted ball at rising times (n,), with one sigma of each coordinate from fit and rig together."""
    model = np.array([flight.model[name] for name in physics.MODEL_NAMES])
    states, sens, _, _ = physics.trace(flight.params[: physics.COUNT], model, np.asarray(time_s, float), _STEP_S)
    cov = (flight.cov + flight.rig_cov)[: physics.COUNT, : physics.COUNT]
    variance = np.einsum("nij,jk,nik->ni", sens, cov, sens)
    return Path3D(np.asarray(time_s, float), states[:, :3], np.sqrt(np.maximum(variance, 0)))


def on_one_clock(track: Track, flight: Flight) -> Track:
    """The track with the right view's times moved by the clock offset that the flight found."""
    moved_s = dict(zip(flight.names, flight.params, strict=True)).get("clock_s", 0.0)
    return replace(track, time_s=track.time_s + moved_s * (track.view == 1))


def shade_m(flight: Flight) -> float:
    """How far above the ball's middle its pictures sit, as the flight found it (a ball lit from above)."""
    return float(dict(zip(flight.names, flight.params, strict=True)).get("shade_m", 0.0))

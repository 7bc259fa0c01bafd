"""Where a hand lets go: what the films show just before each flight, and each delivery with its release."""

from dataclasses import replace

import numpy as np

from calibration.camera import Camera
from tracker.clip import Found, Job, Views, fitted
from tracker.clocks import evened
from tracker.flight.milestones import path_states
from tracker.flight.release import carried_m, find_release
from tracker.records import Flight, Floats, Hands, Sightings, Track, joined
from tracker.vision.hand import Reach, bare, held
from tracker.vision.see import Seen


def expected(flight: Flight, camera: Camera, time_s: Floats, radius_m: float) -> tuple[Floats, Floats, Floats]:
    """What a camera should see of a flight: centre (n, 2), apparent diameter (n,), blur during the exposure (n, 2)."""
    state = path_states(flight, time_s)
    px, slope = camera.project_with_slope(state[:, :3])
    streak: Floats = np.einsum("nij,nj->ni", slope, state[:, 3:]) * camera.exposure_s
    # pixels a metre across the line of sight: the slope's two singular values, rms
    size: Floats = 2 * radius_m * np.sqrt((slope**2).sum(axis=(1, 2)) / 2)
    return px, size, streak


def released(job: Job, one: Found, views: Views, hands: tuple[Hands, ...]) -> Found:
    """The delivery with its release, by the views' sightings and what was seen of hands."""
    if one.flight is None:
        return one

    def refit(release_s: float) -> Flight | None:
        return fitted(job, one, views.clock, release_s).flight

    rig, settings, bare_s = job.session.rig, job.settings.flight, tuple(hand.bare_s for hand in hands)
    left, right = (joined([own, *(h.held for h in hands if h.held.view == own.view)]) for own in views.both)
    return replace(one, flight=find_release(one.flight, left, right, rig, settings, refit, bare_s))


def in_hands(job: Job, seen: tuple[Seen, Seen], views: Views, found: list[Found]) -> tuple[Hands, Hands]:
    """What both views saw just before each flight's first sighting there."""
    flights = [(one.track, one.flight) for one in found if one.flight is not None]

    def of(film: Seen, own: Sightings, even: bool) -> Hands:
        each = [_in_hand(job, film, *flown, own, even) for flown in flights]
        none = own.take(np.empty(0, np.int64))
        return Hands(joined([none, *(one.held for one in each)]), np.concatenate([[], *(one.bare_s for one in each)]))

    left, right = (of(*what) for what in zip(seen, views.both, views.evened, strict=True))
    return left, right


def _in_hand(job: Job, seen: Seen, track: Track, flight: Flight, sightings: Sightings, even: bool) -> Hands:
    """What a view saw just before the flight's first sighting there."""

    def on_grid(own: Sightings) -> Sightings:
        return (evened(own, seen.report) if even else None) or own

    view, camera = sightings.view, job.session.rig.cameras[sightings.view]
    rows = track.row[(track.view == view) & flight.kept]
    rows = rows[np.argsort(sightings.time_s[rows], kind="stable")]
    leads = seen.leads.get(int(sightings.chain[rows[0]]), ()) if len(rows) else ()
    if not leads:
        return Hands(sightings.take(np.empty(0, np.int64)), np.empty(0))
    before = on_grid(seen.sightings)
    clock_s = sightings.time_s[rows[0]] - before.time_s[rows[0]]
    stamp = np.array([lead.taken_s if even else lead.stamp_s for lead in leads]) + seen.clip_offset_s
    time_s = camera.sighting_time_s(stamp, np.full(len(leads), sightings.centre_px[rows[0], 1])) + clock_s
    state = path_states(flight, time_s)
    free, size, streak = expected(flight, camera, time_s, job.session.ball.radius_m)
    reach = Reach(free, camera.project(carried_m(state, sightings.time_s[rows[0]] - time_s)), size, streak)
    found = on_grid(held(seen, leads, reach, rows))
    return Hands(replace(found, time_s=found.time_s + clock_s), time_s[bare(seen, leads, reach, rows)])

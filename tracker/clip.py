"""From both views' sightings to deliveries with flights, whatever the clocks: known, unknown, or stated wrongly.

The clocks decide what belongs together, and what belongs together tells the clocks: so tracks, flights and offset are
found in one place. A stated offset is used where the balls do not contradict it; an unknown one is searched for, then
told by the flights jointly; stamps that are jittered or rounded are put on their even grid where the flights fit
better so.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import inf

import numpy as np

from tracker import clocks
from tracker.flight.fit import NoFlightError, fit_flight
from tracker.flight.milestones import seen_too_late
from tracker.joint import TIED_S, common_clock, common_sd, make_arc
from tracker.records import Clock, FilmReport, Flight, Sightings, Track
from tracker.session.folder import Clip, Session
from tracker.settings import Settings
from tracker.tracking.deliveries import may_be_delivery, pick_deliveries
from tracker.tracking.follow import follow
from tracker.tracking.lost import by_passages, retimed
from tracker.tracking.sync import estimate_offset

FREE_OFFSET_SD_S = 2e-3  # prior of an offset that the balls are asked for, once it is known to half a frame or so
UNTOLD_SD_S = 5e-3  # an offset surer than this was told by some ball
FOLLOWED_S = 0.3e-3  # a clock so far off puts a fast ball a few tenths of its width from its path
FREE = Clock(0.0, FREE_OFFSET_SD_S, source="flights")
DRIFTED_S = 50e-6  # by which a drift moves times from one end of a clip to the other; less leaves one offset for all
TOGETHER_BALLS = 4  # fewer do not tell the rig's errors from the clocks'
LOST_UNSEEN = (
    "a film lost frames that its stamps do not show, so every flight was timed by itself: record with a program that "
    "keeps each frame's own time"
)
TOGETHER = "the clocks were brought together by the balls: right film {offset}"
NOT_AS_STATED = "the films did not start together as stated: right film {offset} by the balls, which was used"
RUN_APART = "the films started as stated, but by the balls their clocks run apart by {ppm:+.0f} ppm: allowed for"
DRIFT_ROUNDS = 5  # of following and asking, at most, while a drift becomes better known
FEW_SIGHTINGS = 40  # in a view that saw fewer there was nothing to search the clocks by


@dataclass(frozen=True, eq=False)
class Job:
    """What a clip is measured with."""

    session: Session
    clip: Clip
    films: tuple[FilmReport, FilmReport]
    settings: Settings
    estimate_offset: bool


@dataclass(frozen=True, eq=False)
class Found:
    """A delivery of a clip: its track, the flight where one could be fitted, and why not where not."""

    track: Track
    flight: Flight | None
    reason: str


@dataclass(frozen=True, eq=False)
class Views:
    """Both views' sightings as they are used: the right's times on the left's clock.

    evened  whose stamps were put on their grid
    """

    left: Sightings
    right: Sightings
    clock: Clock
    evened: tuple[bool, bool] = (False, False)

    @property
    def both(self) -> tuple[Sightings, Sightings]:
        """Left, right."""
        return self.left, self.right


def deliveries_of(job: Job, left: Sightings, right: Sightings) -> tuple[Views, list[Found], list[str]]:
    """Deliveries with first flights under the clocks that explain them best, and what has to be said about clocks.

    In the words {offset} stands for the offset that is used in the end (`clocks.offset_words`).
    """
    views, found, words = _by_one_clock(job, left, right)
    logged = np.inf if job.session.log is None else len(job.session.log)
    if _count(found) < logged:
        by_flights = _by_flights(job, left, right)
        if by_flights is not None and _count(by_flights[1]) > _count(found):
            return *by_flights, [LOST_UNSEEN]
    return views, found, words


def _by_flights(job: Job, left: Sightings, right: Sightings) -> tuple[Views, list[Found]] | None:
    """Deliveries where frames were lost unseen, each with an offset of its own; None where no ball leaps."""
    if not min(len(left), len(right)):
        return None
    session, settings = job.session, job.settings.tracking
    frame_s = [float(np.median(np.diff(film.stamps_s))) for film in job.films]
    mended = [retimed(view, step_s) for view, step_s in zip((left, right), frame_s, strict=True)]
    if all(np.array_equal(new.time_s, old.time_s) for new, old in zip(mended, (left, right), strict=True)):
        return None
    timed = by_passages(mended[0], mended[1], session.rig, session.ball, settings)
    if timed is None:
        return None
    views = Views(mended[0], timed, Clock(0.0, FREE_OFFSET_SD_S, source="flights"))
    return views, tracked(job, views)


def _by_one_clock(job: Job, left: Sightings, right: Sightings) -> tuple[Views, list[Found], list[str]]:
    """The same with one offset, and a drift, for all of the clip."""
    known = all(camera.time_offset_s is not None for camera in job.session.rig.cameras) and not job.estimate_offset
    source = "rig" if job.clip.right_offset_s is None else "session"
    stated = Clock(0.0, clocks.rig_offset_sd_s(job.session.rig), source=source)
    given = Views(left, right, stated)
    if not known:
        views, found = _searched(job, given)
        if found and views.clock.sd_s > UNTOLD_SD_S:
            words = "the films could not be brought together by the balls: start them within 10 s of each other"
            return given, [], [f"{words}, or say right_offset_s in session.toml"]
        return views, found, [TOGETHER] if found else []
    views, found = _evened_if_better(job, given, tracked(job, given))
    flights = asked(job, found)
    told = clocks.joined(flights, stated)
    if told is None and min(len(left), len(right)) < FEW_SIGHTINGS:
        return views, found, []
    if told is not None and job.clip.right_offset_s is not None:  # two recorders; what a rig knows shares one clock
        apart = _run_apart(job, views, stated, told, flights)
        if apart is not None:
            return *apart, [RUN_APART.format(ppm=apart[0].clock.drift_ppm)]
    if told is not None and not clocks.disagrees(told, stated, flights):
        return views, found, []
    searched, found_there = _searched(job, given)
    if _count(found_there) < max(_count(found), 1):
        return views, found, []
    return searched, found_there, [NOT_AS_STATED]


def _run_apart(
    job: Job, views: Views, stated: Clock, told: Clock | None, flights: Sequence[Flight]
) -> tuple[Views, list[Found]] | None:
    """Tracks and flights under clocks that start as stated and then run apart; None where the flights do not say so.

    The better the drift is known, the more is seen of balls late in the clip, which tell it better: some rounds.
    """
    start_s, done = job.clip.right_offset_s or 0.0, None
    for _ in range(DRIFT_ROUNDS):
        if told is None:
            break
        clock = clocks.from_start(told, stated, start_s)
        if not clocks.drifts(clock) or clocks.disagrees(told, clock, flights):
            break
        before, moved = done, replace(views, right=clocks.moved(views.right, clock), clock=clock)
        done = moved, tracked(job, moved)
        if before and all(_apart_s(clock, before[0].clock, one.track) < DRIFTED_S for one in done[1]):
            break
        flights = asked(job, done[1])
        told = clocks.joined(flights, clock, -clock.drift_ppm)
    return done


def _count(found: Sequence[Found]) -> int:
    return sum(one.flight is not None for one in found)


def tracked(job: Job, views: Views) -> list[Found]:
    """Tracks that are deliveries, with their first flights."""
    session, settings, sd = job.session, job.settings.tracking, views.clock.sd_s
    likely = partial(may_be_delivery, rig=session.rig, settings=settings)
    tracks = follow(views.left, views.right, session.rig, session.ball, settings, sd, likely)
    verdicts = pick_deliveries(tracks, session.rig, settings, session.ball)
    return [fitted(job, Found(v.track, None, v.reason), views.clock) for v in verdicts if v.is_delivery]


def fitted(job: Job, one: Found, clock: Clock, released_s: float = -np.inf) -> Found:
    """The delivery with its flight fitted to sightings after `released_s`, the clock's doubt left to it.

    One that is not fit to be measured stays so.
    """
    if one.reason and one.flight is None:
        return one
    session, settings, offset_sd_s = job.session, job.settings.flight, clock.sd_at(clocks.middle_s(one.track))
    try:
        flight = fit_flight(one.track, session.rig, session.ball, session.air, settings, offset_sd_s, released_s)
    except NoFlightError as refusal:
        return Found(one.track, None, str(refusal))
    if seen_too_late(flight, session.rig.pitch_length_m):
        return Found(one.track, None, "it was not seen before it pitched")
    return Found(one.track, flight, "")


def asked(job: Job, found: Sequence[Found]) -> list[Flight]:
    """The flights with the clocks' offset left to them."""
    return [flight for _, flight in _asked(job, found)]


def _asked(job: Job, found: Sequence[Found]) -> list[tuple[Track, Flight]]:
    again = (fitted(job, one, FREE) for one in found if one.flight is not None)
    return [(one.track, one.flight) for one in again if one.flight is not None]


def _searched(job: Job, given: Views) -> tuple[Views, list[Found]]:
    """Tracks and flights with the offset searched for, then told by the flights together.

    Where they tell it so much better that a ball is elsewhere, it is followed again: under a clock that was off the
    filter lost it where it was seen well.
    """
    coarse = estimate_offset(given.left, given.right, job.session.rig, job.settings.tracking)
    ppm, ppm_sd = coarse.drift_ppm, coarse.drift_ppm_sd
    clock = Clock(coarse.right_minus_left_s, coarse.sd_s, ppm, ppm_sd, "balls", coarse.told_s)
    views = Views(given.left, clocks.moved(given.right, clock), clock)
    views, found = _evened_if_better(job, views, tracked(job, views))
    before = views.clock
    views, found = _rejoined_twice(job, views, found)
    if any(_apart_s(views.clock, before, one.track) > FOLLOWED_S for one in found):
        again = tracked(job, views)
        if _kept(again) > _kept(found):
            return _rejoined_twice(job, views, again)
    return views, found


def _rejoined_twice(job: Job, views: Views, found: list[Found]) -> tuple[Views, list[Found]]:
    return rejoined(job, *rejoined(job, views, found))


def _apart_s(one: Clock, other: Clock, track: Track) -> float:
    at_s = clocks.middle_s(track)
    return abs(clocks.offset_at(one, at_s) - clocks.offset_at(other, at_s))


def _kept(found: Sequence[Found]) -> int:
    return sum(int(one.flight.kept.sum()) for one in found if one.flight is not None)


def rejoined(job: Job, views: Views, found: list[Found]) -> tuple[Views, list[Found]]:
    """The clock moved to where the flights together put it, and the flights under it."""
    again, before = _asked(job, found), views.clock
    more = clocks.joined([flight for _, flight in again], Clock(0.0, 0.0), -before.drift_ppm)
    if more is None:
        return views, found
    more = _together(job, again, more)
    clock = replace(
        more,
        right_minus_left_s=before.right_minus_left_s + more.right_minus_left_s,
        drift_ppm=before.drift_ppm + more.drift_ppm,
    )
    views = replace(views, right=clocks.moved(views.right, more), clock=clock)
    return views, [fitted(job, replace(one, track=refreshed(one.track, views)), clock) for one in found]


def _together(job: Job, again: Sequence[tuple[Track, Flight]], mean: Clock) -> Clock:
    """The offset by one adjustment of all flights with the rig's numbers, within the rig's own doubt.

    A rig's error pushes every ball's clock the same way: averaging takes none of it off, but the balls together tell
    it. The mean stays where the rig is exact, where the balls are too few, and while a drift is being taken out.
    The offset of the middle of the balls is what is told; the drift is as the mean has it.
    """
    rig, settings = job.session.rig, job.settings.flight
    near = [(track, flight) for track, flight in again if clocks.agrees(flight, mean)]
    times_s = [clocks.middle_s(flight) for _, flight in near]
    if rig.exact or len(near) < TOGETHER_BALLS or 1e-6 * abs(mean.drift_ppm) * np.ptp(times_s) > DRIFTED_S:
        return mean
    arcs = [make_arc(track, flight, settings, TIED_S) for track, flight in near]
    offset_s, sd_s = common_clock(arcs, rig, common_sd(settings, FREE_OFFSET_SD_S), settings.step_s)
    return replace(mean, right_minus_left_s=offset_s - 1e-6 * mean.drift_ppm * mean.told_s, sd_s=sd_s)


def refreshed(track: Track, views: Views) -> Track:
    """The track with its sightings as they stand now."""
    values = {}
    for name in ("time_s", "centre_px", "cov_px2", "size_px", "streak_px", "lean_px", "trail_px", "aside"):
        values[name] = getattr(track, name).copy()
        for view, sightings in enumerate(views.both):
            mine = track.view == view
            values[name][mine] = getattr(sightings, name)[track.row[mine]]
    return replace(track, **values)


def _evened_if_better(job: Job, views: Views, found: list[Found]) -> tuple[Views, list[Found]]:
    """The same with even stamps, where the films' are jittered and the flights fit better so."""
    even = [clocks.evened(s, film) for s, film in zip(views.both, job.films, strict=True)]
    if even[0] is None and even[1] is None:
        return views, found
    evened = even[0] is not None, even[1] is not None
    clock = replace(views.clock, sd_s=float(np.hypot(views.clock.sd_s, clocks.start_sd_s(job.films))))
    other = Views(even[0] or views.left, even[1] or views.right, clock, evened)
    found_there = tracked(job, other)
    better = _count(found_there) - _count(found)
    if better > 0 or (better == 0 and _misfit(found_there) < _misfit(found)):
        return other, found_there
    return views, found


def _misfit(found: Sequence[Found]) -> float:
    """By how many pixels flights and their sightings disagree, rms, median over flights; infinite without one.

    In pixels, not in sds: a fit whose stamps are seen to be unsteady doubts its sightings the more.
    """
    flights = [one.flight for one in found if one.flight is not None]
    fits = [float(np.sqrt(np.mean(flight.residual_px[flight.kept] ** 2))) for flight in flights]
    return float(np.median(fits)) if fits else inf

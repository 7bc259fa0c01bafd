"""One session, from two films to measured deliveries: the stages in order, and the only file that knows the order.

    films -> sightings (one thread a view) -> tracks, deliveries, first flights and clocks (tracker/clip.py)
    -> sightings measured again with the flight's size and blur -> flights -> release -> measures (tracker/outcome.py)

Nothing is written here: see tracker/session/runs.py.
"""

import time
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from threading import Event

import numpy as np

from calibration.camera import Camera
from calibration.errors import InputError
from calibration.rig import VIEWS, Rig
from tracker.clip import Found, Job, Views, deliveries_of, fitted, refreshed, rejoined, tracked
from tracker.clocks import offset_words
from tracker.flight.shadow import shadow_px2
from tracker.letgo import expected, in_hands, released
from tracker.outcome import delivery, in_order
from tracker.passing import pass_over
from tracker.records import ClipRun, Clock, Delivery, FilmReport, Ints, Run, Sightings
from tracker.session.folder import Clip, Session
from tracker.settings import Settings
from tracker.trust.balls import Balls
from tracker.trust.check import Evidence, check_session, make_lookouts
from tracker.trust.lookout import Lookout
from tracker.trust.refine import Refined, facts, refine_session, told
from tracker.trust.ways import better_reading
from tracker.vision.see import Seen, check_size, remeasure, see
from tracker.vision.video import Film, Frame, open_film

Progress = Callable[[str, int, int], None]  # stage, steps done, steps in all (0: not known)
PASSED_OVER = (
    "{read:.0f} % of the films was read; in the rest nobody was near the bowling crease (--decode-all reads all)"
)
ASKS_TURN = (
    "asked to be shown turned, films are measured as stored: calibrate from pictures as stored (docs/calibrate.md)"
)
ENDS_EARLY = "the {view} film ends {less:.0f} s before the other: what was bowled after that was not measured"
ALONE_S = 5.0  # one film may go on without the other for so long before it is said: whoever stops them walks
TELL_EVERY = 25  # frames between reports of progress
FEW_MOVED = 4  # sightings of a flight that are measured where they no longer lie: fewer are not worth another turn
FAR_SHARE = 0.35  # of the diameter: farther away than this they were looked for in the wrong place


@dataclass(frozen=True)
class Options:
    """What the user may ask for beyond the settings; `decode_all`: pass nothing over."""

    estimate_offset: bool = False
    refine_rig: bool = False
    decode_all: bool = False


@dataclass(eq=False)
class Stopwatch:
    """Wall and processor seconds by stage."""

    seconds: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Add the time spent inside to a stage."""
        wall, cpu = time.perf_counter(), time.process_time()
        yield
        for kind, spent in (("wall", time.perf_counter() - wall), ("cpu", time.process_time() - cpu)):
            self.seconds[f"{name}_{kind}"] = self.seconds.get(f"{name}_{kind}", 0.0) + spent


@dataclass(frozen=True, eq=False)
class Gathered:
    """What a session's films gave, before it is judged.

    evidence    under the rig as it was given
    balls       of each clip, under the rig as used
    refinement  what was asked of the balls: the refined rig, or why it stayed as it was; None: nothing asked
    """

    clips: tuple[ClipRun, ...]
    evidence: Evidence
    balls: tuple[Balls, ...]
    refinement: Refined | str | None = None


def gather(session: Session, settings: Settings, options: Options, on_progress: Progress) -> Gathered:
    """Every clip of a session, measured.

    Raises
    ------
    LanepairError
        If a film cannot be read at all or does not fit the rig; damaged films are measured as far as they go.
    """
    open_all(session)
    lookouts = make_lookouts(session.rig, session.rig_path)
    pairs = [
        measure_clip(session, clip, number, settings, options, on_progress, lookouts)
        for number, clip in enumerate(session.clips, start=1)
    ]
    clips, balls = tuple(clip for clip, _, _ in pairs), tuple(own for _, own, _ in pairs)
    films, sightings = [clip.films for clip in clips], [first.both for _, _, first in pairs]
    evidence = Evidence(balls, films, session.rig, session.rig_path, sightings, lookouts)
    if not options.refine_rig:
        return Gathered(clips, evidence, balls)
    refinement = refine_session(balls)
    if isinstance(refinement, Refined):
        balls = tuple(_under(refinement.rig, own, clip) for own, clip in zip(balls, clips, strict=True))
    return Gathered(clips, evidence, balls, refinement)


def open_all(session: Session) -> None:
    """Look into every film before the long work, and refuse what cannot be measured with this rig.

    Raises
    ------
    InputError
        A camera that sees none of the lane; a film that cannot be read, of another size or another rate than stated.
    """
    along, across, up = np.linspace(0.0, session.rig.pitch_length_m, 12), (-1.5, 0.0, 1.5), (0.0, 1.0, 2.2)
    lane = np.array([(x, y, z) for x in across for y in along for z in up])
    for name, camera in zip(VIEWS, session.rig.cameras, strict=True):
        if not camera.sees(lane).any():
            raise InputError(session.rig_path, f"the {name} camera sees none of the lane", "calibrate its pose again")
    for clip in session.clips:
        check_size(open_film(clip.left, clip.left_fps, clip.time_scale), session.rig.left)
        check_size(open_film(clip.right, clip.right_fps, clip.time_scale), session.rig.right)


def _under(rig: Rig, balls: Balls, clip: ClipRun) -> Balls:
    """A clip's balls under another rig: followed anew, for a better rig may find more, else fitted anew."""
    job = replace(balls.job, session=replace(balls.job.session, rig=rig))
    views = Views(clip.left, clip.right, clip.clock)
    followed, again = tracked(job, views), [fitted(job, one, views.clock) for one in balls.found]
    more = sum(one.flight is not None for one in followed) > sum(one.flight is not None for one in again)
    found = (released(job, one, views, clip.hands) for one in (followed if more else again))
    return Balls(job, in_order(found, rig.pitch_length_m), views.clock)


def measure_session(session: Session, settings: Settings, options: Options, on_progress: Progress) -> Run:
    """A session's deliveries, checks and all that a run keeps."""
    watch = Stopwatch()
    with watch.stage("run"):
        gathered = gather(session, settings, options, on_progress)
        on_progress("checks", 0, 1)
        with watch.stage("check"):
            checks = check_session(gathered.evidence)
        on_progress("checks", 1, 1)
    deliveries = list[Delivery]()
    for clip, balls in zip(gathered.clips, gathered.balls, strict=True):
        used = balls.job.session
        deliveries += [delivery(one, len(deliveries) + i, clip.number, used) for i, one in enumerate(balls.found, 1)]
        for name, spent in clip.seconds.items():
            watch.seconds[name] = watch.seconds.get(name, 0.0) + spent
    warnings = ["the rig has no covariance: it is taken as exact"] if session.rig.exact else []
    warnings += [f"clip {clip.number}: {words}" for clip in gathered.clips for words in clip.warnings]
    refined = gathered.refinement if isinstance(gathered.refinement, Refined) else None
    if gathered.refinement is not None:
        warnings.append(gathered.refinement if isinstance(gathered.refinement, str) else told(gathered.refinement))
    return Run(
        name=session.name,
        date=session.date.isoformat(),
        clips=gathered.clips,
        deliveries=tuple(deliveries),
        checks=checks,
        warnings=tuple(warnings),
        settings=asdict(settings),
        seconds=watch.seconds,
        rig=refined.rig if refined else None,
        facts={"refined_rig": facts(refined)} if refined else {},
    )


def measure_clip(
    session: Session,
    clip: Clip,
    number: int,
    settings: Settings,
    options: Options,
    on_progress: Progress,
    lookouts: tuple[Lookout, Lookout],
) -> tuple[ClipRun, Balls, Views]:
    """Measure one clip: what was seen, its deliveries in order of time, and the sightings as first measured."""
    watch, stage = Stopwatch(), f"clip {number}: following the balls"
    with watch.stage("see"):
        films, share = _opened(session, clip, number, settings, options, on_progress)
        seen = _see_both(session, clip, number, films, settings, on_progress, lookouts)
    on_progress(stage, 0, 3)
    reports = (seen[0].report, seen[1].report)
    job = Job(session, clip, reports, settings, options.estimate_offset)
    with watch.stage("follow"):
        views, found, warnings = deliveries_of(job, seen[0].sightings, seen[1].sightings)
    if not any(one.flight for one in found):
        refuse_other_reading(session, clip, number, (seen[0].sightings, seen[1].sightings), reports)
    on_progress(stage, 1, 3)
    with watch.stage("measure"):
        first = views
        views, found = _measured_again(job, seen, views, found)
        on_progress(stage, 2, 3)
        hands = in_hands(job, seen, views, found)
        found = in_order((released(job, one, views, hands) for one in found), session.rig.pitch_length_m)
    on_progress(stage, 3, 3)
    warnings = [words.replace("{offset}", offset_words(views.clock)) for words in warnings]
    warnings += [f"{film.path}: {film.damaged}" for film in reports if film.damaged]
    warnings += ends_early(clip, reports, views.clock)
    warnings += [PASSED_OVER.format(read=100 * share)] if share < 1 else []
    clip_run = ClipRun(number, views.left, views.right, reports, views.clock, tuple(warnings), watch.seconds, hands)
    return clip_run, Balls(job, found, views.clock), first


def ends_early(clip: Clip, films: tuple[FilmReport, FilmReport], clock: Clock) -> list[str]:
    """Words about a film that ends long before the other; none where neither does."""
    left_s, right_s = (float(film.stamps_s[-1]) if len(film.stamps_s) else 0.0 for film in films)
    right_s += (clip.right_offset_s or 0.0) + clock.right_minus_left_s
    less = right_s - (clip.left_offset_s + left_s)
    return [ENDS_EARLY.format(view=VIEWS[less < 0], less=abs(less))] if abs(less) > ALONE_S else []


def refuse_other_reading(
    session: Session, clip: Clip, number: int, seen: tuple[Sightings, Sightings], films: tuple[FilmReport, FilmReport]
) -> None:
    """Raise InputError where the films make sense only when exchanged, mirrored or turned."""
    other = better_reading(*seen, session.rig, session.ball.radius_m)
    if other is not None:
        given, better = (
            f"{way.falls} balls fly freely {way.words} (rays miss by {way.miss_px:.1f} px)" for way in other
        )
        turned = [Path(film.path).name for film in films if film.notes.get("rotation_deg")]
        mend = f"mend left and right ({clip.left.name}, {clip.right.name}), or the camera's own setting"
        if turned:
            mend = f"{' and '.join(turned)} {ASKS_TURN}"
        raise InputError(session.folder / "session.toml", f"clip {number}: {given}, {better}", mend)


def _opened(
    session: Session, clip: Clip, number: int, settings: Settings, options: Options, on_progress: Progress
) -> tuple[tuple[Film, Film], float]:
    """Both films, and the share of them that will be read."""
    left, right = (
        open_film(path, fps, clip.time_scale)
        for path, fps in ((clip.left, clip.left_fps), (clip.right, clip.right_fps))
    )
    if options.decode_all or options.estimate_offset:
        return (left, right), 1.0
    stage = f"clip {number}: looking for idle spells"
    share = pass_over(session, clip, (left, right), settings.vision.black_level, lambda: on_progress(stage, 0, 1))
    return (left, right), share


def _see_both(
    session: Session,
    clip: Clip,
    number: int,
    films: tuple[Film, Film],
    settings: Settings,
    on_progress: Progress,
    lookouts: tuple[Lookout, Lookout],
) -> tuple[Seen, Seen]:
    """Both films, one thread each; the lookouts watch them for a moved camera."""
    stop = Event()

    def one(view: int) -> Seen:
        film = films[view]
        offset = clip.left_offset_s if view == 0 else clip.right_offset_s or 0.0
        stage = f"clip {number}: {('left', 'right')[view]} film"
        lookouts[view].begin(number)

        def on_frame(frame: Frame) -> None:
            if stop.is_set():
                raise CancelledError
            lookouts[view].take(frame)
            if frame.index % TELL_EVERY == 0:
                on_progress(stage, frame.index, film.promised)

        seen = see(film, session.rig.cameras[view], view, offset, session.ball.colour, settings.vision, on_frame)
        lookouts[view].finish()
        on_progress(stage, seen.report.frames, seen.report.frames)
        return seen

    with ThreadPoolExecutor(2) as pool:
        try:
            left, right = pool.map(one, (0, 1))
        except BaseException:  # Ctrl-C too: leaving the pool waits for its threads, which would read to the end
            stop.set()
            raise
    return left, right


def _measured_again(job: Job, seen: tuple[Seen, Seen], views: Views, found: list[Found]) -> tuple[Views, list[Found]]:
    """Every delivery's sightings measured with the size and blur that its flight predicts, and the flights of those.

    A first flight may be far from some of them; where the next one lies elsewhere, they are measured by that.
    """
    views, again = _by_flights(job, seen, views, found, [one.flight is not None for one in found])
    moved = [_moved(job, *pair) >= FEW_MOVED for pair in zip(found, again, strict=True)]
    return _by_flights(job, seen, views, again, moved) if any(moved) else (views, again)


def _moved(job: Job, before: Found, after: Found) -> int:
    """How many of the sightings that a delivery's second flight keeps lie far off in its first."""
    if before.flight is None or after.flight is None:
        return 0
    far = 0
    for view, camera in enumerate(job.session.rig.cameras):
        time_s = after.track.time_s[after.flight.kept & (after.track.view == view)]
        if len(time_s):
            what = [expected(one, camera, time_s, job.session.ball.radius_m) for one in (before.flight, after.flight)]
            far += int((np.hypot(*(what[1][0] - what[0][0]).T) > FAR_SHARE * what[1][1]).sum())
    return far


def _by_flights(
    job: Job, seen: tuple[Seen, Seen], views: Views, found: list[Found], which: list[bool]
) -> tuple[Views, list[Found]]:
    """The sightings of the chosen deliveries as their flights measure them, and all deliveries' flights."""
    sightings = list(views.both)
    for one, chosen in zip(found, which, strict=True):
        if one.flight is None or not chosen:
            continue
        for view, camera in enumerate(job.session.rig.cameras):
            rows = one.track.row[one.track.view == view]
            if len(rows):
                time_s = sightings[view].time_s[rows]
                what = expected(one.flight, camera, time_s, job.session.ball.radius_m)
                fresh = remeasure(seen[view], rows, *what)
                shadow = shadow_px2(one.flight, camera, time_s, job.settings.flight)
                fresh = replace(fresh, cov_px2=fresh.cov_px2 + shadow)
                sightings[view] = _replaced(sightings[view], rows, fresh, camera)
    views = replace(views, left=sightings[0], right=sightings[1])
    again = [
        fitted(job, replace(one, track=refreshed(one.track, views)), views.clock) if chosen else one
        for one, chosen in zip(found, which, strict=True)
    ]
    return rejoined(job, views, again) if views.clock.source == "balls" else (views, again)


def _replaced(old: Sightings, rows: Ints, fresh: Sightings, camera: Camera) -> Sightings:
    """`old` with `rows` measured afresh; a rolling shutter reads another row at another time."""
    values = {}
    for name in ("centre_px", "cov_px2", "size_px", "streak_px", "lean_px", "trail_px", "aside", "score"):
        values[name] = getattr(old, name).copy()
        values[name][rows] = getattr(fresh, name)
    time_s = old.time_s.copy()
    time_s[rows] += (fresh.centre_px[:, 1] - old.centre_px[rows, 1]) * camera.row_time_s
    return replace(old, time_s=time_s, **values)

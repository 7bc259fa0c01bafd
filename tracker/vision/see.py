"""One film, from frames to sightings: what may be the ball, where in the picture, how sure.

Frames are looked at with a delay, so that both their past and their future are known. Small steady pictures serve to
find spots and join them into chains; full-size frames, a short ring of them, serve to measure the spots of chains.
"""

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from math import copysign, sqrt
from operator import attrgetter

import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from calibration.errors import InputError
from tracker.records import FilmReport, Floats, Ints, Sightings, joined
from tracker.settings import VisionSettings
from tracker.vision.album import Album
from tracker.vision.background import UNIT, Boxes, Ground, box_size, change_noise, moved
from tracker.vision.centroid import Measured, Rough, measure_again, measure_chain, rough_measure
from tracker.vision.detect import BREADTH, COLUMNS, SIGN, Spots, distinct, no_parts, spots_between
from tracker.vision.link import HISTORY, Linker, Member, Rules
from tracker.vision.looks import Cut, Look, Shot, cut_at, middle_height
from tracker.vision.memory import large_blocks_apart
from tracker.vision.stamps import FrameClock
from tracker.vision.tint import CLEARER, COARSE_PX, SLIGHT, WEAK, Tint, mixed_boxes
from tracker.vision.twins import Twins
from tracker.vision.video import Film, Frame

LEAD_S = 0.06  # how long before a chain's first spot cuts are kept, for the ball in the hand: chains begin late
LEAD_REACH = 2.0  # diameters about the path carried back that they show
OLD = 5  # frames kept from before the ring
PAUSE_S = 0.3  # without frames, after which a path is not followed any farther
CLOSE_EVERY = 32  # frames between looks for chains that have ended
MOVES = 6 * UNIT  # of a box from one frame to the next, that something moved there


@dataclass(frozen=True, eq=False)
class Lead:
    """A frame from before a chain's first spot, and the number in the album of the look where its path came from."""

    frame: int
    stamp_s: float
    taken_s: float
    number: int


@dataclass(frozen=True, eq=False)
class Seen:
    """What one view saw.

    sightings  every plausible chain of candidates, in order of frame
    album      the patches they were measured in; look (n,): the number there of each sighting's
    leads      of each chain
    report     on the film
    """

    sightings: Sightings
    album: Album
    look: Ints
    leads: Mapping[int, tuple[Lead, ...]]
    clip_offset_s: float
    report: FilmReport
    camera: Camera
    settings: VisionSettings


def see(
    film: Film,
    camera: Camera,
    view: int,
    clip_offset_s: float = 0.0,
    colour: str = "red",
    settings: VisionSettings | None = None,
    on_frame: Callable[[Frame], None] | None = None,
) -> Seen:
    """Everything in a film that may be the ball.

    Parameters
    ----------
    film : from `open_film`
    camera : the view's camera: picture size, row time, exposure, clock
    view : 0 left, 1 right
    clip_offset_s : where the film's first frame lies on the clip's clock
    colour : of the ball; pink and red ones are looked for by their redness too
    on_frame : called with every frame as it is read, for progress and for checks of the picture
    """
    large_blocks_apart()
    settings = settings or VisionSettings()
    check_size(film, camera)
    watch = Watch.begin(film, camera, view, clip_offset_s, settings, Tint.of(colour))
    for frame in film:
        if on_frame is not None:
            on_frame(frame)
        watch.take(frame)
    watch.finish()
    return watch.seen(film.report())


def same_picture(one: Frame, other: Frame) -> bool:
    """Whether two frames are alike to the last bit: a recorder fills up its rate with what it has."""
    return all(np.array_equal(one.luma[::every], other.luma[::every]) for every in (64, 1))


def check_size(film: Film, camera: Camera) -> None:
    """Raise InputError where the film's pictures are not of the size that the camera was calibrated for."""
    if film.size_px != camera.lens.image_size_px:
        stored, wanted = ("{} x {}".format(*s) for s in (film.size_px, camera.lens.image_size_px))
        mend = "use the same video mode"
        if film.size_px == camera.lens.image_size_px[::-1]:
            mend = "films are measured as stored, not as shown: calibrate from pictures as stored (docs/calibrate.md)"
        raise InputError(film.path, f"is {stored} pixels, the rig was calibrated for {wanted}", mend)


@dataclass(eq=False)
class Watch:
    """The state of watching one film.

    clock   when frames were taken: jittered stamps would bend paths
    tint    how redness is mixed in
    lags    frames after which a ball must have left its place, rising
    shots   the frames at hand, with their future and past; old: some earlier ones, for what is behind a slow ball
    chains  under way; closed: the sightings of those that have ended, pages: the numbers of their looks in the album
    repeated  pictures shown twice while something was followed: the second is left out, nothing has moved in it
    twins     whether the film shows all pictures twice, each coded anew
    """

    view: int
    clip_offset_s: float
    camera: Camera
    settings: VisionSettings
    fps: float
    tint: Tint
    clock: FrameClock
    lags: tuple[int, ...]
    linker: Linker
    shots: deque[Shot] = field(default_factory=deque)
    old: deque[Shot] = field(default_factory=lambda: deque(maxlen=OLD))
    ground: Ground | None = None
    hits: NDArray[np.int32] = field(default_factory=lambda: np.empty((8000, 3), np.int32))
    tables: dict[int, Spots] = field(default_factory=dict)
    chains: dict[int, list[Rough]] = field(default_factory=dict)
    before: dict[int, list[tuple[int, float, float, Cut]]] = field(default_factory=dict)
    leads: dict[int, tuple[Lead, ...]] = field(default_factory=dict)
    album: Album = field(default_factory=Album)
    closed: list[Sightings] = field(default_factory=list)
    pages: list[list[int]] = field(default_factory=list)
    brightness: list[tuple[float, float]] = field(default_factory=list)
    done: int = 0
    repeated: int = 0
    twins: Twins = field(default_factory=Twins)

    @classmethod
    def begin(
        cls, film: Film, camera: Camera, view: int, clip_offset_s: float, settings: VisionSettings, tint: Tint
    ) -> "Watch":
        """Lags in frames of this film, as far as memory allows."""
        width, height = film.size_px
        share = width * height / 2.1e6
        room = settings.memory_mb * max(1.0, share**0.8) / (3.1 * share)  # frames
        most = max(2, (int(room) - OLD - 1) // 3)
        waits = settings.short_lag_s, settings.middle_lag_s, settings.long_lag_s
        lags = tuple(sorted({min(most, max(1, round(lag * film.fps))) for lag in waits}))
        confirm = int(np.clip(round(settings.confirm_s * film.fps), settings.confirm, HISTORY - 2))
        missed = int(np.clip(round(settings.missed_s * film.fps), 2, HISTORY - 2))
        rules = Rules(box_size(height) / 4, 1 / film.fps, confirm, missed, settings.least_alone, camera.exposure_s)
        clock = FrameClock.under(film.stamps())
        return cls(view, clip_offset_s, camera, settings, film.fps, tint, clock, lags, Linker(rules))

    def take(self, frame: Frame) -> None:
        """Read one frame; look at the one the longest lag before it."""
        if self.shots and frame.stamp_s > self.shots[-1].frame.stamp_s + PAUSE_S:
            self._pause()
        if self.shots and same_picture(frame, self.shots[-1].frame):
            self.repeated += bool(self.chains)
            return
        if self.ground is None:
            self.ground = Ground.begin(frame, self.fps, self.settings.black_level)
            self.stands = np.empty_like(self.ground.ground)
        boxes, gains = self.ground.steady(frame)
        if self.shots and self._twin(frame, boxes):
            self.repeated += bool(self.chains)
            return
        step, delay, gain = len(self.brightness), self.lags[-1], gains.tolist()
        self.brightness.append((frame.stamp_s, sum(gain) / len(gain)))
        mixed = mixed_boxes(boxes, frame.redness, self.ground.box, self.tint.weight)
        self.shots.append(Shot(step, self.clock.taken_s(frame.stamp_s), frame, boxes, mixed, gain))
        if step - self.lags[0] >= self.shots[0].step:
            self.ground.learn(boxes, self._shot(step - self.lags[0]).boxes)
        if step - delay >= self.done:
            self._look(step - delay)
        while self.shots[0].step < step - delay - max(delay, HISTORY):
            gone = self.shots.popleft()
            self.tables.pop(gone.step, None)
            if gone.step % max(1, delay // 3) == 0:
                self.old.append(gone)

    def _twin(self, frame: Frame, boxes: Boxes) -> bool:
        """Whether the film shows all pictures twice, coded anew, and this is a second one."""
        last = self.shots[-1]
        return self.twins.second(moved(boxes, last.boxes, MOVES), (frame.stamp_s - last.frame.stamp_s) * self.fps)

    def _pause(self) -> None:
        """Nothing was read for a while: nothing goes on from before it."""
        self.finish()
        self.shots.clear()
        self.tables.clear()
        self.old.clear()
        self.linker.forget()

    def finish(self) -> None:
        """Look at the last frames, whose future is short."""
        for step in range(self.done, len(self.brightness)):
            self._look(step)
        self._close(np.inf)

    def _shot(self, step: int) -> Shot:
        return self.shots[step - self.shots[0].step]

    def _look(self, step: int) -> None:
        now = self._shot(step)
        found = self._spots(step)
        self.tables[step] = found
        members = self.linker.push(found, now.taken_s)
        others = [*self.old, *self.shots] if members else []
        for member in members:
            self._keep(member, others)
        self.done = step + 1
        if step % CLOSE_EVERY == 0:
            self._close(now.frame.index - HISTORY)

    def _spots(self, step: int) -> Spots:
        """What passes a frame's places, in luma or with redness mixed in."""
        luma, mixed = attrgetter("boxes"), attrgetter("mixed")
        tables = self._passing(step, mixed if self.tint.always else luma, self.lags)
        if self.tint.weight and not self.tint.always:
            by_colour = self._passing(step, mixed, self.lags[len(self.lags) // 2 :][:1])
            tables = (
                [no_parts(table, whole) for table in tables for whole in by_colour] + by_colour if by_colour else tables
            )
        return distinct(np.vstack(tables)) if tables else np.empty((0, COLUMNS))

    def _passing(self, step: int, of: Callable[[Shot], Boxes], lags: tuple[int, ...]) -> list[Spots]:
        """Tables of what differs from so many frames before and after."""
        ground, settings, tables = self.ground, self.settings, list[Spots]()
        assert ground is not None
        first, last = self.shots[0].step, self.shots[-1].step
        now, floor = of(self._shot(step)), 0
        shape = settings.restless, ground.box, settings.longest_px, settings.largest_px, settings.most_spots
        for lag in lags:
            if step - lag < first or step + lag > last:
                continue
            before, after = of(self._shot(step - lag)), of(self._shot(step + lag))
            if floor == 0:
                floor = int(max(settings.least_contrast * UNIT, settings.noise_limit * change_noise(now, before)))
            found = spots_between(before, now, after, ground.unrest, self.stands, self.hits, floor, *shape)
            if len(found):
                tables.append(found)
        return tables

    def _keep(self, member: Member, others: list[Shot]) -> None:
        """Cut the look of a chain's spot and measure it roughly; `others`: all frames at hand."""
        assert self.ground is not None
        if member.step < self.shots[0].step:
            return
        now, spot = self._shot(member.step), self.tables[member.step][member.row]
        own2 = float(spot[BREADTH]) ** 2 - 1.33 * self.ground.box**2
        size = min(sqrt(max(own2, 9.0)), self.settings.largest_px)
        streak = member.velocity_px_s * self.camera.exposure_s
        look, sign = self._seen_best(member, size, streak, now, others), float(spot[SIGN])
        if look is None:
            return
        if look.weight != self.tint.weight or not self.tint.always:
            height = middle_height(look, member.centre_px, size)
            sign = copysign(1.0, height) if height else 0.0
        centre, breadth, score = rough_measure(look, member.centre_px, sign, size, streak)
        if member.chain not in self.chains:
            self.before[member.chain] = self._lead_in(member, size, others, look.weight)
        rough = Rough(now.frame.index, now.frame.stamp_s, now.taken_s, member.chain, centre, breadth, score, look)
        self.chains.setdefault(member.chain, []).append(rough)

    def _seen_best(self, at: Member, size_px: float, streak_px: Floats, now: Shot, others: list[Shot]) -> Look | None:
        """The look in luma, or with redness mixed in where that is asked for or luma shows little."""
        assert self.ground is not None
        what = at.centre_px, at.velocity_px_s, size_px, streak_px, now, others, self.ground, 0.0
        plain, height = None, 0.0
        if self.tint.weight and not self.tint.always:
            luma = cut_at(*what, 0)
            plain = luma.look() if luma else None
            height = abs(middle_height(plain, at.centre_px, size_px)) if plain else 0.0
            if height > (SLIGHT if size_px > COARSE_PX else WEAK):
                return plain
        cut = cut_at(*what, self.tint.weight)
        look = cut.look() if cut else None
        if plain and look and height > WEAK and abs(middle_height(look, at.centre_px, size_px)) < CLEARER * height:
            return plain
        return look

    def _lead_in(
        self, first: Member, size: float, others: list[Shot], weight: int
    ) -> list[tuple[int, float, float, Cut]]:
        """Cuts from before a chain's first spot, latest first, as far as frames are kept."""
        assert self.ground is not None
        at, found = self._shot(first.step).taken_s, []
        for step in range(first.step - 1, self.shots[0].step - 1, -1):
            shot = self._shot(step)
            early_s = at - shot.taken_s
            if early_s > LEAD_S:
                break
            centre, streak = (
                first.centre_px - early_s * first.velocity_px_s,
                first.velocity_px_s * self.camera.exposure_s,
            )
            reach = LEAD_REACH * size
            cut = cut_at(centre, first.velocity_px_s, size, streak, shot, others, self.ground, reach, weight)
            if cut is not None:
                found.append((shot.frame.index, shot.frame.stamp_s, shot.taken_s, cut))
        return found

    def _close(self, before: float) -> None:
        """Measure the chains that have had no spot since the frame `before`."""
        for number in [n for n, chain in self.chains.items() if chain[-1].frame < before]:
            rows, leads = measure_chain(self.chains.pop(number), self.camera, self.settings), self.before.pop(number)
            if rows:
                self.closed.append(sightings_of(rows, self.view, self.camera, self.clip_offset_s))
                self.leads[number] = tuple(Lead(*seen[:3], self.album.add(seen[3].look())) for seen in leads)
                self.pages.append([self.album.add(row.look) for row in rows])

    def seen(self, report: FilmReport) -> Seen:
        """The record of it all."""
        sightings = joined([sightings_of([], self.view, self.camera, self.clip_offset_s), *self.closed])
        order = np.lexsort((sightings.chain, sightings.frame))
        look = np.array([number for page in self.pages for number in page], np.int64)[order]
        notes = {**report.notes, "repeated": self.repeated}
        report = replace(report, brightness=np.array(self.brightness).reshape(-1, 2), notes=notes)
        offset_s = self.clip_offset_s
        return Seen(sightings.take(order), self.album, look, self.leads, offset_s, report, self.camera, self.settings)


def sightings_of(rows: list[Measured], view: int, camera: Camera, clip_offset_s: float) -> Sightings:
    """The record of measured sightings of a view."""
    n = len(rows)
    centre = np.array([r.centre_px for r in rows], float).reshape(n, 2)
    stamp = np.array([r.stamp_s for r in rows], float)
    return Sightings(
        view,
        np.array([r.frame for r in rows], np.int64),
        camera.sighting_time_s(stamp + clip_offset_s, centre[:, 1]),
        centre,
        np.array([r.cov_px2 for r in rows], float).reshape(n, 2, 2),
        np.array([r.size_px for r in rows], float),
        np.array([r.streak_px for r in rows], float).reshape(n, 2),
        np.zeros(n),
        np.zeros((n, 2)),
        np.zeros(n),
        np.array([r.score for r in rows], float),
        np.array([r.chain for r in rows], np.int64),
    )


def remeasure(seen: Seen, rows: Ints, centre_px: Floats, size_px: Floats, streak_px: Floats) -> Sightings:
    """The chosen sightings measured again, now that the flight says how large and how blurred the ball was.

    Parameters
    ----------
    rows : (k,) rows of `seen.sightings`
    centre_px, size_px, streak_px : (k, 2), (k,), (k, 2) predicted for them
    """
    looks = [seen.album.look(int(i)) for i in seen.look[rows]]
    return measure_again(
        looks,
        seen.sightings.take(rows),
        centre_px,
        size_px,
        streak_px,
        seen.camera,
        seen.settings,
        seen.report.trailing,
    )

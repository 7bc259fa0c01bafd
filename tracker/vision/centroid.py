"""Where the ball is in its patch: roughly at once, well when its chain is complete, best when its flight is known."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from tracker.records import Floats, Sightings
from tracker.settings import VisionSettings
from tracker.vision.appearance import Sample, fit_together
from tracker.vision.compiled import compiled
from tracker.vision.disc import CX, CY, EDGE, LEVEL, SIZE, fit, round_shapes
from tracker.vision.honesty import borne_out
from tracker.vision.link import FAR, HISTORY, PX, PY, SLACK, T, predict
from tracker.vision.looks import Look
from tracker.vision.order import ranked, running_median, usual
from tracker.vision.tint import PLACE_SD_PX

_EFFORT = 4.0, 120.0  # rounds of a first measurement, and how many pixels it looks at
_ENOUGH_PX = 0.02  # a step by which a first measurement need not be bettered
_ASTRAY_PX, _ASTRAY = 0.5, 0.2  # px and share of size and blur by which rough centres of balls are off at most
_BLOCK = 14  # sightings that are judged together
_TRIED = 5  # of them are measured first
_PARABOLA_S = 0.035
_STEADY = 21  # sightings over which the worth of a ball's markings is steadied
_SHADING = 0.03  # of the diameter: by how much light from above shifts a ball whose lighting is not fitted, sd
_UNFITTED = 0.15  # the same of a ball whose lighting would not be fitted: hard light shows its upper part alone


@dataclass(frozen=True, eq=False)
class Rough:
    """A sighting as its chain grows: centre and size by moments, the patch kept; times as in Shot."""

    frame: int
    stamp_s: float
    taken_s: float
    chain: int
    centre_px: Floats
    size_px: float
    score: float
    look: Look


@dataclass(frozen=True, eq=False)
class Measured:
    """A sighting measured."""

    frame: int
    stamp_s: float
    taken_s: float
    chain: int
    centre_px: Floats
    cov_px2: Floats
    size_px: float
    streak_px: Floats
    score: float
    look: Look


@compiled
def moments(
    patch: NDArray[np.uint8],
    behind16: NDArray[np.uint16],
    sign: float,
    start: tuple[float, float],
    size: float,
    streak: tuple[float, float],
) -> tuple[float, float, float]:
    """Centre (x, y) and breadth of what stands out in an aperture of a blurred ball's shape, by moments."""
    length = np.sqrt(streak[0] ** 2 + streak[1] ** 2)
    ax, ay = (streak[0] / length, streak[1] / length) if length > 0 else (1.0, 0.0)
    x, y, across = start[0], start[1], size
    for turn in range(4):
        reach = 0.6 * size + 1.5 if turn else 0.8 * size + 2.5
        wide, high = reach + abs(streak[0]) / 2, reach + abs(streak[1]) / 2
        mass, mx, my, spread = 1e-9, 0.0, 0.0, 0.0
        for i in range(max(int(y - high), 0), min(int(y + high) + 2, patch.shape[0])):
            for j in range(max(int(x - wide), 0), min(int(x + wide) + 2, patch.shape[1])):
                dx, dy = j - x, i - y
                along = max(abs(ax * dx + ay * dy) - length / 2, 0.0)
                aside = -ay * dx + ax * dy
                if along * along + aside * aside <= reach * reach:
                    w = max(sign * (16.0 * patch[i, j] - behind16[i, j]), 0.0)
                    mass += w
                    mx += w * dx
                    my += w * dy
                    spread += w * aside * aside
        x, y = x + mx / mass, y + my / mass
        across = 4 * np.sqrt(spread / mass)
    return x, y, across


@compiled
def contrast(
    patch: NDArray[np.uint8], behind16: NDArray[np.uint16], spread16: NDArray[np.uint16], x: float, y: float
) -> float:
    """How far the middle of a spot stands out, over the patch's usual noise."""
    i, j = min(max(round(y), 1), patch.shape[0] - 2), min(max(round(x), 1), patch.shape[1] - 2)
    total = 0.0
    for r in range(i - 1, i + 2):
        for c in range(j - 1, j + 2):
            total += 16.0 * patch[r, c] - behind16[r, c]
    return float(abs(total) / 9 / max(usual(spread16), 1))


@compiled
def rough(
    patch: NDArray[np.uint8],
    behind16: NDArray[np.uint16],
    spread16: NDArray[np.uint16],
    sign: float,
    start: tuple[float, float],
    size: float,
    streak: tuple[float, float],
) -> tuple[float, float, float, float]:
    """Centre (x, y), breadth and contrast over noise, as `moments` and `contrast` have them."""
    x, y, across = moments(patch, behind16, sign, start, size, streak)
    return x, y, across, contrast(patch, behind16, spread16, x, y)


def rough_measure(
    look: Look, centre_px: Floats, sign: float, size_px: float, streak_px: Floats
) -> tuple[Floats, float, float]:
    """Centre, size and contrast over noise of a spot in its look."""
    start = float(centre_px[0]) - look.corner[0], float(centre_px[1]) - look.corner[1]
    streak = float(streak_px[0]), float(streak_px[1])
    x, y, size, score = rough(look.patch, look.behind16, look.spread16, sign, start, size_px, streak)
    own = math.sqrt(max(size**2 - 9.0, 4.0))  # less lens, pixels and noise
    return np.array([x + look.corner[0], y + look.corner[1]]), own, score


def measure_chain(chain: Sequence[Rough], camera: Camera, settings: VisionSettings) -> list[Measured]:
    """The sightings of a complete chain by disc fits; none if it cannot be a ball's. A few are tried first."""
    t = np.array([r.taken_s for r in chain])
    centre = np.array([r.centre_px for r in chain])
    size = np.array([r.size_px for r in chain])
    if len(chain) < settings.confirm or np.ptp(centre, axis=0).max() < max(2.5, 0.3 * ranked(size, 0.5)):
        return []
    smooth, velocity = local_paths(t, centre, reach_of(t))
    off = np.hypot(*(centre - smooth).T)
    score = np.array([r.score for r in chain])
    blocks = [b.tolist() for b in np.array_split(np.arange(len(chain)), max(1, round(len(chain) / _BLOCK)))]
    good = [  # rough centres of balls keep so near to a smooth path
        ranked(off[b], 0.5) < _slack(centre[b], size[b]) * (0.7 + 0.06 * ranked(size[b], 0.5))
        and ranked(score[b], 0.75) >= settings.least_score
        for b in blocks
    ]
    if not any(good):
        return []
    even = running_median(size, 9) if len(size) > 9 else np.full(len(size), ranked(size, 0.5))
    shapes, streak = round_shapes(centre, velocity, camera), velocity * camera.exposure_s

    @cache
    def one(k: int) -> Measured | None:
        return _measure(chain[k], max(float(even[k]), 2.0), streak[k], shapes[k], settings)

    def measured(rows: Iterable[int]) -> list[Measured]:
        return [found for found in map(one, rows) if found is not None]

    good = [
        fine and (len(b) < 2 * _TRIED or any(_may_be_ball(measured(some), 0.6) for some in _tries(b)))
        for fine, b in zip(good, blocks, strict=True)
    ]
    parts = {k: measured(b) for k, b in enumerate(blocks) if good[k]}
    good = [k in parts and _may_be_ball(parts[k], 0.4) for k in range(len(blocks))]
    kept = list[Measured]()
    for k, b in enumerate(blocks):
        if any(good[max(k - 1, 0) : k + 2]):  # what comes just before and after a ball is most likely the ball
            kept += parts[k] if k in parts else measured(b)
    return kept if len(kept) >= settings.confirm else []


def _tries(rows: list[int]) -> tuple[list[int], ...]:
    """A few rows at a block's start, middle and end: in one of them a ball may be just out of the hand, or bounce."""
    inner = (len(rows) - _TRIED) // 2
    return rows[:_TRIED], rows[inner : inner + _TRIED], rows[-_TRIED:]


def _may_be_ball(found: Sequence[Measured], most: float) -> bool:
    """Whether measured sightings are within `most` px of a smooth path, and of one size to exp(most) but for growth."""
    if len(found) < 4:
        return False
    t, centre = np.array([m.taken_s for m in found]), np.array([m.centre_px for m in found])
    size = np.array([m.size_px for m in found])
    return bool(steady(t, centre, size, most * _slack(centre, size), most, reach_of(t)))


def _slack(centre: Floats, size: Floats) -> float:
    """By how much less smooth a piece of path (n, 2) may be: a limb does not cross so many times its own breadth.

    A small ball that a coder, hard light and a net have made blotchy still does.
    """
    return SLACK if float(np.ptp(centre, axis=0).max()) > FAR * ranked(size, 0.5) else 1.0


def reach_of(t: Floats) -> int:
    """How many neighbours either side lie on one parabola: perspective bends a near ball's path within 35 ms."""
    return int(np.clip(round(_PARABOLA_S / max(float(np.median(np.diff(t))), 1e-4)), 2, 4)) if len(t) > 1 else 4


@compiled
def steady(t: Floats, centre: Floats, size: Floats, most_px: float, most: float, reach: int) -> bool:
    """As `_may_be_ball`: the middle one of n is so near to its smooth path, and to the line of logarithms of sizes."""
    smooth, _ = local_paths(t, centre, reach)
    off, change, n = np.empty(len(t)), np.empty(len(t)), len(t)
    when, grown, across, along = 0.0, 0.0, 0.0, 1e-12
    for k in range(n):
        off[k] = np.sqrt((centre[k, 0] - smooth[k, 0]) ** 2 + (centre[k, 1] - smooth[k, 1]) ** 2)
        when, grown = when + t[k] / n, grown + np.log(size[k]) / n
    for k in range(n):
        across, along = across + (t[k] - when) * np.log(size[k]), along + (t[k] - when) ** 2
    for k in range(n):
        change[k] = abs(np.log(size[k]) - grown - across / along * (t[k] - when))
    return bool(ranked(off, 0.5) < most_px + 0.04 * ranked(size, 0.5) and 1.48 * ranked(change, 0.5) < most)


@compiled
def local_paths(t: Floats, centre: Floats, reach: int) -> tuple[Floats, Floats]:
    """Place (n, 2) and velocity (n, 2), px/s, of parabolas (lines, if few) through `reach` (at most 4) either side."""
    n = len(t)
    place, velocity, some = np.empty((n, 2)), np.empty((n, 2)), np.empty((HISTORY, PY + 1))
    for k in range(n):
        low = min(max(k - reach, 0), max(n - 2 * reach - 1, 0))
        count = min(low + 2 * reach + 1, n) - low
        for i in range(count):
            at = HISTORY - count + i
            some[at, T], some[at, PX], some[at, PY] = t[low + i], centre[low + i, 0], centre[low + i, 1]
        place[k, 0], place[k, 1], velocity[k, 0], velocity[k, 1], _ = predict(some, count, t[k])
    return place, velocity


def _measure(rough: Rough, size_px: float, streak_px: Floats, M: Floats, settings: VisionSettings) -> Measured | None:
    look = rough.look
    at = rough.centre_px - look.corner
    images = look.patch, look.behind16, look.spread16
    found, cov, score = first_fit(images, at, size_px, settings.soft_px, streak_px, M, EDGE)
    size = float(np.exp(found[SIZE]))
    if not math.isfinite(score) or not 1.6 < size < 1.5 * settings.largest_px:
        return None
    return Measured(
        rough.frame,
        rough.stamp_s,
        rough.taken_s,
        rough.chain,
        found[[CX, CY]] + look.corner,
        cov[:2, :2] + (_SHADING * size) ** 2 * np.eye(2) + colour_doubt(look),
        size,
        streak_px,
        score,
        look,
    )


def colour_doubt(look: Look) -> Floats:
    """What is not known of where colour lies, (2, 2), for a ball measured in it."""
    return np.diag([PLACE_SD_PX**2 if look.weight else 0.0, 0.0])


@compiled
def first_fit(
    raw: tuple[NDArray[np.uint8], NDArray[np.uint16], NDArray[np.uint16]],
    at: Floats,
    size_px: float,
    soft_px: float,
    streak_px: Floats,
    M: Floats,
    edge: Floats,
) -> tuple[Floats, Floats, float]:
    """A disc of one brightness and about `size_px` fitted to a look near `at`: found, covariance, contrast over noise.

    Contrast is nan where the patch holds no such disc near by: a limb's fit wanders off at once.
    """
    h, w = raw[0].shape
    images = np.empty((h, w), np.float32), np.empty((h, w), np.float32), np.empty((h, w), np.float32)
    for r in range(h):
        for c in range(w):
            images[0][r, c], images[1][r, c] = raw[0][r, c], raw[1][r, c] / np.float32(16)
            images[2][r, c] = (raw[2][r, c] / np.float32(16)) ** 2
    i, j = min(max(round(at[1]), 0), h - 1), min(max(round(at[0]), 0), w - 1)
    start = np.array([at[0], at[1], float(images[0][i, j]), np.log(size_px), np.log(soft_px)])
    prior = np.array([np.inf, np.inf, np.inf, 0.5, 0.0])
    length = np.sqrt(streak_px[0] ** 2 + streak_px[1] ** 2)
    near = _ASTRAY_PX + _ASTRAY * (size_px + length), _ENOUGH_PX
    found, cov, _, used = fit(images, start, prior, M, streak_px, _EFFORT, edge, near)
    if used == 0.0 or not np.isfinite(found[CX] + found[CY] + found[LEVEL] + found[SIZE]):
        return found, cov, np.nan
    noise = max(usual(raw[2]) / 16.0, 0.0625)
    return found, cov, abs(found[LEVEL] - float(images[1][i, j])) / noise


def _velocity(centre_px: Floats, time_s: Floats) -> Floats:
    """Image velocity (n, 2) along a path of places (n, 2); a frame may hold two sightings."""
    time, first = np.unique(time_s, return_index=True)
    if len(time) < 2:
        return np.zeros_like(centre_px)
    slope = np.gradient(centre_px[first], time, axis=0)
    return np.column_stack([np.interp(time_s, time, column) for column in slope.T])


def trails_px(
    velocity_px_s: Floats, frame_s: float, size_px: Floats, score: Floats, trail: float
) -> tuple[Floats, Floats]:
    """How far balls trail behind themselves in a film whose frames are coded as changes of those before (F24).

    A coder leaves out changes that are small beside its steps, and these follow the film's noise: at the rim of a ball
    that moves little from frame to frame something of the frame before stays. Measured on films of known balls, the
    middle is behind by trail / contrast over noise x exp(-1.25 x movement from frame to frame / diameter) while that is
    much less than the movement, and never by more. A film's `trail` was 1 to 2 px for coders that take their time, 3.5
    to 5 px for hasty ones, more below 0.05 bits a pixel.

    Returns
    -------
    The usual trail (n, 2), px, and its derivative (n, 2) by `trail`.
    """
    speed = np.maximum(np.hypot(*velocity_px_s.T), 1e-6)
    step = speed * frame_s
    share = trail * np.exp(-1.25 * step / size_px) / (np.maximum(score, 1.0) * step)
    back = -velocity_px_s * frame_s * (share / (1 + share))[:, None]
    return np.asarray(back), np.asarray(back / (trail * (1 + share))[:, None])


def _steadied(share: Floats) -> Floats:
    """Running medians (n,), at most 1: a share's own scatter would pass for knowledge of what sets it."""
    return np.clip(running_median(share, _STEADY), -1.0, 1.0)


def _sample(look: Look, centre_px: Floats, shape: Floats, streak_px: Floats, size_px: float) -> Sample:
    """A look with a start at a place, of its brightness there."""
    at = centre_px - look.corner
    i, j = (int(np.clip(round(at[m]), 0, look.patch.shape[1 - m] - 1)) for m in (1, 0))
    start = np.array([at[0], at[1], float(look.patch[i, j])])
    images = (look.patch.astype(np.float32), look.behind(), look.variance())
    return Sample(images, start, shape, streak_px, float(size_px))


def measure_again(
    looks: Sequence[Look],
    old: Sightings,
    centre_px: Floats,
    size_px: Floats,
    streak_px: Floats,
    camera: Camera,
    settings: VisionSettings,
    trailing: bool = False,
) -> Sightings:
    """Sightings of one flight measured again with its sizes and blurs; those that will not be measured stay.

    `trailing` says that the film keeps something of each frame in the next.
    """
    velocity = _velocity(centre_px, old.time_s)
    shapes, starts = round_shapes(centre_px, velocity, camera), centre_px
    for _ in range(2):  # where the flight is too far off to start from, from where they were first measured
        samples = [_sample(*each) for each in zip(looks, starts, shapes, streak_px, size_px, strict=True)]
        all_of = fit_together(samples, settings.soft_px)
        centre = all_of.p[:, :2] + np.array([look.corner for look in looks], float)
        good = np.isfinite(all_of.p).all(axis=1) & (np.hypot(*(centre - starts).T) < 0.7 * size_px + 2)
        if good.all():
            break
        starts = np.where(good[:, None], starts, old.centre_px)
    trail = np.zeros_like(centre)
    if trailing and settings.trail > 0 and len(old) > 1:
        frame_s = float(np.median(np.diff(old.time_s) / np.maximum(np.diff(old.frame), 1)))
        usual, trail = trails_px(velocity, frame_s, size_px, old.score, settings.trail)
        centre -= usual
    cov = borne_out(all_of.cov, centre - centre_px, size_px)
    unfitted = (_UNFITTED * size_px) ** 2
    by_flight = good & (starts == centre_px).all(axis=1)  # the size of others is their own: hand and ball in one
    return replace(
        old,
        centre_px=np.where(good[:, None], centre, old.centre_px),
        cov_px2=np.where(good[:, None, None], cov, old.cov_px2 + unfitted[:, None, None] * np.eye(2)),
        size_px=np.where(by_flight, np.exp(all_of.p[:, SIZE]), old.size_px),
        streak_px=np.where(good[:, None], streak_px, old.streak_px),
        lean_px=np.where(good, _steadied(all_of.lean / size_px) * size_px, old.lean_px),
        trail_px=np.where(good[:, None], trail, old.trail_px),
        aside=np.where(good, [abs(look.weight) for look in looks], old.aside),
        time_s=old.time_s + np.where(good, centre[:, 1] - old.centre_px[:, 1], 0.0) * camera.row_time_s,
    )

"""The ball in the hand: looked for in the few frames before a flight's first sighting, once the flight is known.

An arm carries the ball on a curve, with a hand and a sleeve about it, so no chain of lone spots begins before the
release. But size, brightness and blur are known from the flight, and so is about where an arm can hold it: below the
free path carried back. A disc of that size and brightness is tried at places between the two, from the free path on.
Where the free path shows what is always there and no ball, the ball was still in the hand, seen there or not.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.records import Floats, Ints, Sightings
from tracker.vision.centroid import Measured
from tracker.vision.compiled import compiled
from tracker.vision.disc import CX, CY, EDGE, LEVEL, SIZE, Array, Patch, fit, round_shapes, window
from tracker.vision.looks import Look
from tracker.vision.see import Lead, Seen, sightings_of

ALONG = (0.0, 0.25, 0.5, 0.75, 1.0, 1.3, 1.6)  # of the way from the free path to where an arm usually holds the ball
ASIDE = (0.0, -0.5, 0.5)  # diameters
LEVEL_SD = 0.15  # of the ball's contrast: how much its brightness may differ from that in the flight
EXPLAINED = 0.85  # share of what stands out within the disc that it has to explain
CLEAR = 0.35  # share of the ring about it that has to show what is behind
UNLIKE = 0.2  # by how much the logarithm of its size may differ: fingers leave less of it to see
BARE = 0.85  # such a share, and nothing holds it
ONE_SIDED = 0.45  # a hand comes from one side (1), the shoulder's; an arm goes through (0)
DOUBT, DOUBT_HELD = 0.08, 0.15  # of the diameter: sd of the place of a bare ball, and of one with a hand beside it
FIRST = 6  # sightings of the flight that tell the ball's brightness
NOTHING = 0.12  # share of the ball's contrast, in the middle of its place, below which none of it is there
SOMETHING = 0.2  # and above which some of it is
CORE = 0.7  # of its radius: the middle
SURE = 4.0  # sds of that contrast, by the ball's brightness and the noise, from which on this can be told
LEVEL_DOUBT = 2.0  # grey levels, at least, by which the ball's brightness may differ from that in the flight, sd


@dataclass(frozen=True, eq=False)
class Reach:
    """Where the ball may be in n frames before its first sighting.

    free_px, held_px  (n, 2)  on the free path carried back; where an arm usually holds it
    size_px           (n,)    apparent diameter
    streak_px         (n, 2)  blur
    """

    free_px: Floats
    held_px: Floats
    size_px: Floats
    streak_px: Floats


def held(seen: Seen, leads: tuple[Lead, ...], reach: Reach, rows: Ints) -> Sightings:
    """Sightings of the ball in the hand in those of the leads where it is found; `rows` (k,) of the flight's first."""
    levels = _levels(seen, leads, rows)
    streak_s = max(seen.camera.exposure_s, 1e-6)
    shapes = round_shapes(reach.free_px, reach.streak_px / streak_s, seen.camera)
    found = []
    for k, lead in enumerate(leads):
        look = seen.album.look(lead.number)
        level, _ = levels[look.weight]
        if not np.isfinite(level):
            continue
        best = _best(look, level, seen.settings.soft_px, shapes[k], reach, k)
        if best is None:
            continue
        p, cov, score, alone = best
        size = float(np.exp(p[SIZE]))
        doubt = ((DOUBT if alone else DOUBT_HELD) * size) ** 2 * np.eye(2)
        centre = p[[CX, CY]] + look.corner
        found.append(
            Measured(
                lead.frame,
                lead.stamp_s,
                lead.taken_s,
                -1,
                centre,
                cov[:2, :2] + doubt,
                size,
                reach.streak_px[k],
                score,
                look,
            )
        )
    return sightings_of(found, seen.sightings.view, seen.camera, seen.clip_offset_s)


def bare(seen: Seen, leads: tuple[Lead, ...], reach: Reach, rows: Ints) -> NDArray[np.bool_]:
    """In which of the leads (n,) the free path shows what is behind it and no ball, which would stand out there.

    None of them counts after one that shows something of the ball: that one was on its way, and is hard to see.
    """
    levels, out, shown_s = _levels(seen, leads, rows), np.zeros(len(leads), bool), np.inf
    for k, lead in enumerate(leads):
        look = seen.album.look(lead.number)
        level, doubt = levels[look.weight]
        y, x = np.mgrid[: look.patch.shape[0], : look.patch.shape[1]]
        away = np.stack([x, y], -1) - (reach.free_px[k] - look.corner)
        smear = float(np.hypot(*reach.streak_px[k]))
        way = reach.streak_px[k] / smear if smear > 0 else np.zeros(2)
        away = away - np.clip(away @ way, -smear / 2, smear / 2)[..., None] * way
        core = np.hypot(away[..., 0], away[..., 1]) < max(CORE * reach.size_px[k] / 2, 0.75)
        pixels = int(core.sum())
        if pixels < 0.6 * (CORE * reach.size_px[k]) ** 2 or not np.isfinite(level):
            continue  # at the patch's rim
        contrast = level - float(look.behind()[core].mean())
        noise = np.sqrt(float(look.variance()[core].mean()))
        out_by = float((look.patch - look.behind())[core].mean()) * np.sign(contrast)
        height = abs(contrast)
        out[k] = height > SURE * np.hypot(doubt, noise / np.sqrt(pixels)) and abs(out_by) < NOTHING * height
        if height > SURE * np.hypot(doubt, noise) and out_by > SOMETHING * height:
            shown_s = min(shown_s, lead.taken_s)
    return np.asarray(out & np.array([lead.taken_s < shown_s for lead in leads], bool))


def _levels(seen: Seen, leads: tuple[Lead, ...], rows: Ints) -> dict[int, tuple[float, float]]:
    """By weight of redness, how bright the ball is in the flight's first sightings, and the sd of that."""
    return {weight: _level(seen, rows, weight) for weight in {seen.album.look(lead.number).weight for lead in leads}}


def _level(seen: Seen, rows: Ints, weight: int) -> tuple[float, float]:
    """The ball's brightness in those of the flight's first sightings with so much redness, and its sd; nan: none."""
    levels = []
    for row in rows[:FIRST]:
        look, one = seen.album.look(int(seen.look[row])), seen.sightings.take(np.array([row]))
        if look.weight != weight:
            continue
        x, y = np.rint(one.centre_px[0] - look.corner).astype(int)
        rows_, columns = look.patch.shape
        middle = look.patch[max(y - 1, 0) : min(y + 2, rows_), max(x - 1, 0) : min(x + 2, columns)]
        if middle.size:
            levels.append(float(np.median(middle)))
    if not levels:
        return float("nan"), float("nan")
    usual = float(np.median(levels))
    return usual, max(1.48 * float(np.median(np.abs(np.array(levels) - usual))), LEVEL_DOUBT)


def _best(
    look: Look, level: float, soft_px: float, M: Floats, reach: Reach, k: int
) -> tuple[Floats, Floats, float, bool] | None:
    """The first disc out from the free path that can be the ball; None: none can.

    Its covariance, its contrast, and whether nothing is beside it.

    What lies farther along is the hand and the arm: as pale as many a ball, they may explain themselves better.
    """
    images = look.patch.astype(np.float32), look.behind(), look.variance()
    size = float(reach.size_px[k])
    free, way = reach.free_px[k] - look.corner, reach.held_px[k] - reach.free_px[k]
    length = float(np.hypot(*way))
    aside = np.array([-way[1], way[0]]) / length * size if length > 0 else np.zeros(2)
    h, w = look.patch.shape
    for along in ALONG:
        for beside in ASIDE:
            x, y = free + along * way + beside * aside
            if not (1 <= x < w - 1 and 1 <= y < h - 1):
                continue
            contrast = level - float(images[1][int(y), int(x)])
            start = np.array([x, y, level, np.log(size), np.log(soft_px)])
            prior = np.array([np.inf, np.inf, max(LEVEL_SD * abs(contrast), 1.0), 0.08, 0.0])
            near = 0.6 * size + 1.0, 0.02
            p, cov, _, used = fit(images, start, prior, M, reach.streak_px[k], (6.0, 200.0), EDGE, near)
            if used == 0.0 or not np.isfinite(p).all():
                continue
            if abs(p[SIZE] - np.log(size)) > UNLIKE:
                continue
            share, clear, side = explained(images, p)
            if share > EXPLAINED and at_an_end(clear, side, way):
                noise = np.sqrt(float(np.median(images[2])))
                return p, cov, abs(p[LEVEL] - float(images[1][int(y), int(x)])) / noise, clear > BARE
    return None


def at_an_end(clear: float, side: tuple[float, float], way: Floats) -> bool:
    """Whether a ring so clear, the rest of it lying to a side, is that of a ball bare or at an arm's end.

    `side` is from `explained`. An arm comes from the shoulder's side, `way` (2,); a wrist has its hand on the other.
    """
    one_sided = np.hypot(*side) > ONE_SIDED and float(np.dot(side, way)) >= 0
    return clear > BARE or (clear > CLEAR and bool(one_sided))


@compiled
def explained(images: tuple[Patch, Patch, Patch], p: Array) -> tuple[float, float, tuple[float, float]]:
    """How much of what stands out inside a disc it explains, and how clear the ring about it is.

    The share of the ring that is clear; and where the rest of it lies: the mean of directions to it, right and down,
    of length 1 where all lies on one side.
    """
    patch, behind, _ = images
    radius = 0.5 * np.exp(p[SIZE])
    whole, rest, ring, clear, right, down = 1e-9, 0.0, 1e-9, 0.0, 0.0, 0.0
    i0, i1, j0, j1 = window(p, np.zeros(2), patch.shape)
    for i in range(max(i0 - 2, 0), min(i1 + 2, patch.shape[0])):
        for j in range(max(j0 - 2, 0), min(j1 + 2, patch.shape[1])):
            d = np.sqrt((j - p[CX]) ** 2 + (i - p[CY]) ** 2)
            out = patch[i, j] - behind[i, j]
            height = p[LEVEL] - behind[i, j]
            if d < radius - 0.5:
                whole += out * out
                rest += (out - height) ** 2
            elif radius + 1.2 < d < radius + 3.0:
                ring += 1.0
                if abs(out) < 0.4 * abs(height):
                    clear += 1.0
                else:
                    right, down = right + (j - p[CX]) / d, down + (i - p[CY]) / d
    taken = max(ring - clear, 1.0)
    return 1.0 - rest / whole, clear / ring, (right / taken, down / taken)

"""Candidates: compact spots that were not there a moment ago and will not be there a moment later.

A ball covers a place for a short time. Where a box is brighter than it was `lag` frames before and than it will be
`lag` frames after, or darker than both, something passed. Short lags serve fast balls and keep slow people out; long
ones serve balls seen nearly end-on, which need many frames to move their own width. Each lag gives its own candidates.
"""

import numpy as np
from numpy.typing import NDArray

from tracker.vision.background import UNIT, Boxes
from tracker.vision.compiled import compiled
from tracker.vision.order import falling

Spots = NDArray[np.float64]
X, Y, MASS, PEAK, SIGN, LENGTH, BREADTH, ALONE, AREA = range(9)  # columns of a table of spots: pixels, grey levels
COLUMNS = 9
PART, WHOLE_ALONE = 0.7, 0.6  # so much less broad is a part of a whole, if that stands alone so far
RING = 3  # boxes around a spot that tell whether it stands alone


@compiled
def passing(
    before: Boxes,
    now: Boxes,
    after: Boxes,
    unrest: Boxes,
    floor: int,
    restless: int,
    stands: Boxes,
    hits: NDArray[np.int32],
) -> int:
    """Boxes that stand out by more than `floor` + `restless` / 16 x unrest: rows (r, c, sign) of `hits`.

    Returns how many there are, which may be more than `hits` holds. `stands` takes how much each box stands out from
    both its past and its future, signed; 0 where the two disagree. The inner loop is written so that it runs on whole
    registers of int16.
    """
    rows, columns = now.shape
    line = np.empty(columns, np.int16)
    count = 0
    for r in range(rows):
        best = np.int16(0)
        for c in range(columns):
            a = np.int16(now[r, c] - before[r, c])
            b = np.int16(now[r, c] - after[r, c])
            up = np.int16(max(min(a, b), np.int16(0)))
            down = np.int16(min(max(a, b), np.int16(0)))
            stands[r, c] = up + down
            out = np.int16(up - down - np.int16(floor) - np.int16((unrest[r, c] * np.int16(restless)) >> 4))
            line[c] = out
            best = max(out, best)
        if best > 0:
            for c in range(columns):
                if line[c] > 0:
                    if count < len(hits):
                        hits[count, 0], hits[count, 1] = r, c
                        hits[count, 2] = 1 if stands[r, c] > 0 else -1
                    count += 1
    return count


@compiled
def _root(parent: NDArray[np.int32], i: int) -> int:
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@compiled
def group(hits: NDArray[np.int32]) -> NDArray[np.int32]:
    """The cluster (n,) of each hit (r, c, sign), in order of rows and columns: touching boxes of one sign."""
    n = len(hits)
    parent = np.empty(n, np.int32)
    for i in range(n):
        parent[i] = i
    above = 0  # the first hit that may touch from the row above
    for i in range(n):
        r, c, sign = hits[i]
        if i > 0 and hits[i - 1, 0] == r and hits[i - 1, 1] == c - 1 and hits[i - 1, 2] == sign:
            parent[_root(parent, i)] = _root(parent, i - 1)
        while hits[above, 0] < r - 1 or (hits[above, 0] == r - 1 and hits[above, 1] < c - 1):
            above += 1
        j = above
        while hits[j, 0] == r - 1 and hits[j, 1] <= c + 1:
            if hits[j, 2] == sign:
                parent[_root(parent, i)] = _root(parent, j)
            j += 1
    out = np.empty(n, np.int32)
    for i in range(n):
        out[i] = _root(parent, i)
    return out


@compiled
def _outside(stands: Boxes, span: NDArray[np.int32], floor: int) -> float:
    """What passes in a ring around the boxes `span` (top, bottom, left, right), of either sign."""
    total, least = 0, floor // 2
    left, right = max(span[2] - 1 - RING, 0), min(span[3] + 2 + RING, stands.shape[1])
    for r in range(max(span[0] - 1 - RING, 0), min(span[1] + 2 + RING, stands.shape[0])):
        inner = span[0] - 1 <= r <= span[1] + 1
        for c in range(left, min(span[2] - 1, right) if inner else right):
            w = abs(stands[r, c])
            total += w if w > least else 0
        for c in range(max(span[3] + 2, left) if inner else right, right):
            w = abs(stands[r, c])
            total += w if w > least else 0
    return total / UNIT


@compiled
def _measure(stands: Boxes, span: NDArray[np.int32], sign: int, box: int, row: Spots) -> None:
    """Centre, mass, spread of the spot in the boxes `span` (top, bottom, left, right), into a row of spots."""
    mass, x, y, xx, yy, xy, peak = 0, 0, 0, 0, 0, 0, 0
    for r in range(max(span[0] - 1, 0), min(span[1] + 2, stands.shape[0])):
        for c in range(max(span[2] - 1, 0), min(span[3] + 2, stands.shape[1])):
            w = sign * stands[r, c]
            if w > 0:
                right, down = c - span[2], r - span[0]
                mass += w
                x += w * right
                y += w * down
                xx += w * right * right
                yy += w * down * down
                xy += w * right * down
                peak = max(peak, w)
    u, v = x / mass, y / mass
    uu, vv, uv = xx / mass - u * u, yy / mass - v * v, xy / mass - u * v
    mean, half = (uu + vv) / 2, np.sqrt(((uu - vv) / 2) ** 2 + uv * uv)
    row[X], row[Y] = (u + span[2] + 0.5) * box - 0.5, (v + span[0] + 0.5) * box - 0.5
    row[MASS], row[PEAK], row[SIGN] = mass / UNIT * box * box, peak / UNIT, sign
    row[LENGTH] = 4 * box * np.sqrt(max(mean + half, 0.0))
    row[BREADTH] = max(4 * box * np.sqrt(max(mean - half, 0.0)), 1.5 * box)
    row[AREA] = box * box


@compiled
def spots(
    stands: Boxes,
    hits: NDArray[np.int32],
    cluster: NDArray[np.int32],
    floor: int,
    box: int,
    longest_px: float,
    broadest_px: float,
) -> Spots:
    """Clusters no longer and no broader than a blurred ball can be, as a table of spots.

    Single boxes that hardly stand out are noise.
    """
    n = len(hits)
    span = np.empty((n, 4), np.int32)
    area = np.zeros(n, np.int32)
    for i in range(n):
        k = cluster[i]
        r, c = hits[i, 0], hits[i, 1]
        if area[k] == 0:
            span[k, 0], span[k, 1], span[k, 2], span[k, 3] = r, r, c, c
        area[k] += 1
        span[k, 0], span[k, 1] = min(span[k, 0], r), max(span[k, 1], r)
        span[k, 2], span[k, 3] = min(span[k, 2], c), max(span[k, 3], c)
    found, most = 0, 1
    for k in range(n):
        most += area[k] > 0
    table = np.zeros((most, COLUMNS))
    reach = longest_px / box + 2
    for k in range(n):
        if area[k] == 0 or span[k, 1] - span[k, 0] > reach or span[k, 3] - span[k, 2] > reach:
            continue
        row = table[found]
        _measure(stands, span[k], hits[k, 2], box, row)
        if row[LENGTH] > 1.3 * longest_px + 2 * box or row[BREADTH] > 1.3 * broadest_px + 2 * box:
            continue
        if row[PEAK] * UNIT > 1.4 * floor or row[MASS] * UNIT > 3 * floor * row[AREA]:
            mass = row[MASS] / row[AREA]
            row[ALONE] = mass / (mass + _outside(stands, span[k], floor))
            found += 1
    return table[:found]


@compiled
def best(table: Spots, floor: float, most: int) -> Spots:
    """The `most` spots that stand out and alone."""
    rank = np.empty(len(table))
    for i in range(len(table)):
        rank[i] = np.sqrt(table[i, ALONE]) * min(table[i, PEAK], 6 * floor)
    return chosen(table, falling(rank)[:most])


@compiled
def chosen(table: Spots, rows: NDArray[np.int64]) -> Spots:
    """Some rows of a table."""
    out = np.empty((len(rows), COLUMNS))
    for i in range(len(rows)):
        for k in range(COLUMNS):
            out[i, k] = table[rows[i], k]
    return out


@compiled
def spots_between(
    before: Boxes,
    now: Boxes,
    after: Boxes,
    unrest: Boxes,
    stands: Boxes,
    hits: NDArray[np.int32],
    floor: int,
    restless: int,
    box: int,
    longest_px: float,
    broadest_px: float,
    most: int,
) -> Spots:
    """The `most` best spots of a frame that were not there `before` and are gone `after`.

    Numbers as in `passing`, `spots` and `best`; `stands` and `hits` are room to work in.
    """
    count = min(passing(before, now, after, unrest, floor, restless, stands, hits), len(hits))
    if count == 0:
        return np.empty((0, COLUMNS))
    found = hits[:count]
    return best(spots(stands, found, group(found), floor, box, longest_px, broadest_px), floor / UNIT, most)


@compiled
def no_parts(table: Spots, wholes: Spots) -> Spots:
    """The spots that are no mere part (a bright seam, a dark rim) of a larger one that stands alone."""
    keep, n = np.empty(len(table), np.int64), 0
    for i in range(len(table)):
        part = False
        for j in range(len(wholes)):
            near = np.hypot(wholes[j, X] - table[i, X], wholes[j, Y] - table[i, Y]) < 0.5 * wholes[j, BREADTH]
            if near and table[i, BREADTH] < PART * wholes[j, BREADTH] and wholes[j, ALONE] > WHOLE_ALONE:
                part = True
        if not part:
            keep[n] = i
            n += 1
    return chosen(table, keep[:n])


@compiled
def distinct(table: Spots) -> Spots:
    """Of spots on each other (several lags saw them) the heaviest, unless it is swollen by clutter."""
    mass = np.empty(len(table))
    for i in range(len(table)):
        mass[i] = table[i, MASS]
    kept, n = np.empty(len(table), np.int64), 0  # rows of the table
    for i in falling(mass):
        new = True
        for k in range(n):
            j = kept[k]
            if table[j, SIGN] == table[i, SIGN]:
                far = np.hypot(table[j, X] - table[i, X], table[j, Y] - table[i, Y])
                same = far < 0.5 * max(table[j, BREADTH], 4.0)
                if same or (far < 0.5 * table[j, LENGTH] and table[i, MASS] < 0.5 * table[j, MASS]):
                    new = False
                    if table[i, ALONE] > 1.3 * table[j, ALONE]:
                        kept[k] = i
                    break
        if new:
            kept[n] = i
            n += 1
    return chosen(table, kept[:n])

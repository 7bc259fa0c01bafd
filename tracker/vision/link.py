"""Candidates joined over frames into chains: steady paths in one view.

A chain starts from any two like spots in neighbouring frames and lives while each next frame holds a spot where the
path leads: a straight line through two to four spots, a parabola through the last ten. Every candidate may serve in
several chains, so that a wrong turn of one never costs the ball another; of chains that share their last spots only
the longest goes on. How fast, how bent and how kinked (a bounce) a path may be follows from the ball's apparent size,
which says how many pixels a metre has there.
"""

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tracker.vision.compiled import compiled
from tracker.vision.detect import ALONE, BREADTH, COLUMNS, LENGTH, MASS, SIGN, Spots, X, Y

HISTORY = 10  # spots a path is drawn through
ROOM = 600  # chains under way at once, most of them two spots that happen to be alike
T, PX, PY, ROW, STEP, LONE = range(6)  # columns of a chain's history: time, centre, row in its table, frame, aloneness
LIVE, COUNT, AGE, MISSED, NUMBER, KINK = range(6)  # columns of a chain's state: COUNT is AGE since the last kink
HEFT, WIDTH, WAY, LONG = range(4)  # columns of a chain's looks: mass, breadth, sign, length
FAR, SLACK = 15.0, 3.0  # breadths that a path crosses, and how much less smooth it may then be: limbs do not go so far
SLIGHT = 100.0  # grey levels x px of mass that come and go with noise
DIAMETER_M = 0.072
FASTEST_MPS = 60.0
KINK_MPS = 14.0  # change of velocity at a bounce
CURVE_PER_S = 25.0  # change of image speed, as a share of itself, by coming nearer or going away
PULL_MPS2 = 30.0  # gravity, drag and side force
Path = tuple[float, float, float, float, float]


class Pool(NamedTuple):
    """Chains under way: state (n, 6), history (n, HISTORY, 6) with the newest last, looks (n, 4)."""

    state: NDArray[np.int64]
    history: NDArray[np.float64]
    looks: NDArray[np.float64]


class Rules(NamedTuple):
    """noise_px of a spot, frame_s between frames, spots that confirm a chain, frames it may miss in a row, least_alone.

    A chain is only believed where it is a smooth path of spots that stand alone for the most part and are no longer
    than a ball blurred by its motion during exposure_s.
    """

    noise_px: float
    frame_s: float
    confirm: int
    most_missed: int
    least_alone: float
    exposure_s: float


class Course(NamedTuple):
    """x and y as polynomials of u = (time - since) / scale, lowest term first, and the inverse of their normal matrix.

    The inverse is symmetric: (00, 01, 02, 11, 12, 22); where the course is a straight line its third terms are nought.
    """

    since: float
    scale: float
    x: tuple[float, float, float]
    y: tuple[float, float, float]
    inverse: tuple[float, float, float, float, float, float]


@compiled
def course(history: NDArray[np.float64], count: int) -> Course:
    """The least-squares parabola through the last spots of a chain, a straight line through up to four."""
    n = min(count, HISTORY)
    points = history[HISTORY - n :]
    since = points[-1, T]
    scale = max(since - points[0, T], 1e-9)
    u1, u2, u3, u4, x0, x1, x2, y0, y1, y2 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for i in range(n):
        u, x, y = (points[i, T] - since) / scale, points[i, PX], points[i, PY]
        uu = u * u
        u1, u2, u3, u4 = u1 + u, u2 + uu, u3 + u * uu, u4 + uu * uu
        x0, x1, x2 = x0 + x, x1 + u * x, x2 + uu * x
        y0, y1, y2 = y0 + y, y1 + u * y, y2 + uu * y
    a, d, f = n + 1e-9, u2 + 1e-9, u4 + 1e-9
    if n < 5:
        whole = a * d - u1 * u1
        i00, i01, i11, i02, i12, i22 = d / whole, -u1 / whole, a / whole, 0.0, 0.0, 0.0
    else:  # cofactors over the determinant
        i00, i01, i02 = d * f - u3 * u3, u2 * u3 - u1 * f, u1 * u3 - u2 * d
        whole = a * i00 + u1 * i01 + u2 * i02
        i11, i12, i22 = (a * f - u2 * u2) / whole, (u1 * u2 - a * u3) / whole, (a * d - u1 * u1) / whole
        i00, i01, i02 = i00 / whole, i01 / whole, i02 / whole
    across = i00 * x0 + i01 * x1 + i02 * x2, i01 * x0 + i11 * x1 + i12 * x2, i02 * x0 + i12 * x1 + i22 * x2
    down = i00 * y0 + i01 * y1 + i02 * y2, i01 * y0 + i11 * y1 + i12 * y2, i02 * y0 + i12 * y1 + i22 * y2
    return Course(since, scale, across, down, (i00, i01, i02, i11, i12, i22))


@compiled
def predict(history: NDArray[np.float64], count: int, t: float) -> Path:
    """Position, velocity and the extrapolation's noise gain at time t, from the last spots of a chain."""
    since, scale, (x0, x1, x2), (y0, y1, y2), (i00, i01, i02, i11, i12, i22) = course(history, count)
    u = (t - since) / scale
    uu = u * u
    x, y = x0 + u * (x1 + u * x2), y0 + u * (y1 + u * y2)
    vx, vy = (x1 + 2 * u * x2) / scale, (y1 + 2 * u * y2) / scale
    return x, y, vx, vy, i00 + 2 * (u * i01 + uu * (i02 + u * i12)) + uu * (i11 + uu * i22)


@compiled
def _alike(a: float, b: float, most: float) -> bool:
    return a < most * b and b < most * a


@compiled
def _gates(pool: Pool, i: int, path: Path, t: float, rules: Rules) -> tuple[float, float]:
    """How far from its path a chain's next spot may lie, without and with a bounce in between."""
    count = pool.state[i, COUNT]
    gap = t - pool.history[i, -1, T]
    px_per_m = max(pool.looks[i, WIDTH], 4.0) / DIAMETER_M
    bend = (CURVE_PER_S * np.hypot(path[2], path[3]) + PULL_MPS2 * px_per_m) * gap * (gap + rules.frame_s) / 2
    gate = 3 * rules.noise_px * np.sqrt(1 + path[4]) + 0.1 * pool.looks[i, WIDTH] + (bend if count < 5 else 0.3 * bend)
    settled = count >= 5 and pool.state[i, KINK] == 0
    return gate, gate + KINK_MPS * px_per_m * gap if settled else gate


@compiled
def _choose(pool: Pool, i: int, path: Path, gates: tuple[float, float], table: Spots) -> tuple[int, bool]:
    """The spot that goes on best with a chain, -1 if none, and whether that takes a bounce."""
    best, found, kinked = np.inf, -1, False
    for j in range(len(table)):
        far = np.hypot(table[j, X] - path[0], table[j, Y] - path[1])
        if far > gates[1] or (table[j, SIGN] != pool.looks[i, WAY] and (pool.state[i, COUNT] < 5 or far > gates[0])):
            continue
        if not _alike(table[j, MASS] + SLIGHT, pool.looks[i, HEFT] + SLIGHT, 4.0):
            continue
        if not _alike(table[j, BREADTH], pool.looks[i, WIDTH], 2.5):
            continue
        cost = far / gates[0] if far <= gates[0] else 1.0 + far / gates[1]
        if cost < best:
            best, found, kinked = cost, j, far > gates[0]
    return found, kinked


@compiled
def _append(history: NDArray[np.float64], spot: Spots, t: float, row: int, step: int) -> None:
    for k in range(HISTORY - 1):
        for column in range(LONE + 1):
            history[k, column] = history[k + 1, column]
    history[-1, T], history[-1, PX], history[-1, PY] = t, spot[X], spot[Y]
    history[-1, ROW], history[-1, STEP], history[-1, LONE] = row, step, spot[ALONE]


@compiled
def _extend(pool: Pool, table: Spots, t: float, step: int, rules: Rules) -> None:
    """Give every chain the spot that fits best where it should be now, or one more miss."""
    state, looks = pool.state, pool.looks
    for i in range(len(state)):
        if state[i, LIVE] == 0:
            continue
        path = predict(pool.history[i], state[i, COUNT], t)
        found, kinked = _choose(pool, i, path, _gates(pool, i, path, t, rules), table)
        if found < 0:
            state[i, MISSED] += 1
            if state[i, MISSED] > (rules.most_missed if state[i, AGE] >= 5 else 1):
                state[i, LIVE] = 0
            continue
        _append(pool.history[i], table[found], t, found, step)
        state[i, AGE] += 1
        state[i, COUNT] += 1
        state[i, KINK] = max(state[i, KINK] - 1, 0)
        if kinked:  # what came before says little about what follows
            state[i, COUNT], state[i, KINK] = 2, 4
        state[i, MISSED] = 0
        looks[i, WAY] = table[found, SIGN]
        looks[i, HEFT] += 0.3 * (table[found, MASS] - looks[i, HEFT])
        looks[i, WIDTH] += 0.3 * (table[found, BREADTH] - looks[i, WIDTH])
        looks[i, LONG] += 0.3 * (table[found, LENGTH] - looks[i, LONG])


@compiled
def _drop_doubles(pool: Pool, spots: int, step: int) -> None:
    """Of chains with the same last two spots only the one with the most goes on."""
    state, history = pool.state, pool.history
    heads = np.empty((spots, 8), np.int64)
    for i in range(spots):
        for k in range(8):
            heads[i, k] = -1
    for i in range(len(state)):
        if state[i, LIVE] == 0 or history[i, -1, STEP] != step or state[i, AGE] < 3:
            continue
        head = heads[int(history[i, -1, ROW])]
        for k in range(8):
            j = head[k]
            if j < 0:
                head[k] = i
                break
            if history[i, -2, STEP] == history[j, -2, STEP] and history[i, -2, ROW] == history[j, -2, ROW]:
                shorter = i if state[j, AGE] >= state[i, AGE] else j
                state[shorter, LIVE] = 0
                if shorter == j:
                    head[k] = i
                break


@compiled
def _begin(pool: Pool, old: Spots, old_t: float, table: Spots, t: float, step: int) -> None:
    """A new chain from every two like spots of the last two frames that a ball could have flown between."""
    slot = 0
    for j in range(len(table)):
        for i in range(len(old)):
            alike = _alike(old[i, MASS] + SLIGHT, table[j, MASS] + SLIGHT, 2.5) and _alike(
                old[i, BREADTH], table[j, BREADTH], 1.8
            )
            if old[i, SIGN] != table[j, SIGN] or not alike:
                continue
            breadth = max(old[i, BREADTH], table[j, BREADTH])
            far = np.hypot(old[i, X] - table[j, X], old[i, Y] - table[j, Y])
            if far > FASTEST_MPS * breadth / DIAMETER_M * (t - old_t) + 3:
                continue
            while slot < ROOM and pool.state[slot, LIVE] != 0:
                slot += 1
            if slot == ROOM:
                return
            _append(pool.history[slot], old[i], old_t, i, step - 1)
            _append(pool.history[slot], table[j], t, j, step)
            pool.state[slot] = 0
            pool.state[slot, LIVE], pool.state[slot, COUNT], pool.state[slot, AGE] = 1, 2, 2
            pool.state[slot, NUMBER] = -1
            pool.looks[slot, HEFT] = (old[i, MASS] + table[j, MASS]) / 2
            pool.looks[slot, WIDTH] = (old[i, BREADTH] + table[j, BREADTH]) / 2
            pool.looks[slot, WAY] = table[j, SIGN]
            pool.looks[slot, LONG] = (old[i, LENGTH] + table[j, LENGTH]) / 2


@compiled
def roughness_px(history: NDArray[np.float64], count: int) -> float:
    """Rms distance, per axis, of a chain's last spots from their own path (a parabola; a line through up to four)."""
    n = min(count, HISTORY)
    free = n - (2 if n < 5 else 3)
    if free < 1:
        return 0.0
    total = 0.0
    since, scale, (x0, x1, x2), (y0, y1, y2), _ = course(history, count)
    for k in range(HISTORY - n, HISTORY):
        u = (history[k, T] - since) / scale
        x, y = x0 + u * (x1 + u * x2), y0 + u * (y1 + u * y2)
        total += (history[k, PX] - x) ** 2 + (history[k, PY] - y) ** 2
    return float(np.sqrt(total / (2 * free)))


@compiled
def _believed(pool: Pool, i: int, rules: Rules) -> bool:
    """Whether a chain's last spot is worth measuring: the chain is old, smooth and, until first believed, alone."""
    state, history = pool.state[i], pool.history[i]
    if state[AGE] < rules.confirm:
        return False
    wide, first = pool.looks[i, WIDTH], max(HISTORY - state[AGE], 0)
    limit = 0.5 * rules.noise_px + 0.05 * wide
    if np.hypot(history[-1, PX] - history[first, PX], history[-1, PY] - history[first, PY]) > FAR * wide:
        limit *= SLACK
    if state[NUMBER] >= 0:
        return bool(roughness_px(history, state[COUNT]) <= 2.5 * limit)
    _, _, vx, vy, _ = predict(history, state[COUNT], history[-1, T])
    if pool.looks[i, LONG] > 1.7 * wide + np.hypot(vx, vy) * rules.exposure_s + 6 * rules.noise_px:
        return False
    alone = 0.0
    n = min(state[AGE], HISTORY)
    for k in range(HISTORY - n, HISTORY):
        alone += history[k, LONE] / n
    return bool(alone >= rules.least_alone and roughness_px(history, state[COUNT]) <= limit)


@compiled
def advance(pool: Pool, old: Spots, old_t: float, table: Spots, t: float, step: int, rules: Rules) -> NDArray[np.int64]:
    """One frame on: the confirmed chains (n,) that it gave a spot."""
    _extend(pool, table, t, step, rules)
    _drop_doubles(pool, len(table), step)
    grown = np.empty(ROOM, np.int64)
    n = 0
    for i in range(ROOM):
        if pool.state[i, LIVE] and pool.history[i, -1, STEP] == step and _believed(pool, i, rules):
            grown[n] = i
            n += 1
    _begin(pool, old, old_t, table, t, step)
    return grown[:n]


@dataclass(frozen=True, eq=False)
class Member:
    """A spot that belongs to a confirmed chain: its frame (counted as read) and row there, and the path's velocity."""

    chain: int
    step: int
    row: int
    centre_px: NDArray[np.float64]
    velocity_px_s: NDArray[np.float64]


def _empty_pool() -> Pool:
    return Pool(np.zeros((ROOM, 6), np.int64), np.zeros((ROOM, HISTORY, 6)), np.zeros((ROOM, 4)))


@dataclass(eq=False)
class Linker:
    """Joins frame after frame."""

    rules: Rules
    number: int = 0
    step: int = -1
    last: Spots = field(default_factory=lambda: np.empty((0, COLUMNS)))
    last_t: float = 0.0
    pool: Pool = field(default_factory=_empty_pool)

    def forget(self) -> None:
        """Begin anew after a passage of the film that was not read; numbers go on."""
        self.pool, self.last = _empty_pool(), np.empty((0, COLUMNS))

    def push(self, table: Spots, t: float) -> list[Member]:
        """Take a frame's spots; the members that became part of confirmed chains by it, older ones included."""
        self.step += 1
        grown = advance(self.pool, self.last, self.last_t, table, t, self.step, self.rules)
        self.last, self.last_t = table, t
        return [member for i in grown for member in self._members(int(i))]

    def _members(self, i: int) -> list[Member]:
        state, history = self.pool.state[i], self.pool.history[i]
        new = state[NUMBER] < 0
        if new:
            state[NUMBER] = self.number
            self.number += 1
        recent = history[-min(int(state[AGE]), HISTORY) :]
        found = []
        for spot in recent if new else recent[-1:]:
            _, _, vx, vy, _ = predict(history, int(state[COUNT]), spot[T])
            velocity = np.array([vx, vy])
            found.append(
                Member(int(state[NUMBER]), int(spot[STEP]), int(spot[ROW]), spot[PX : PY + 1].copy(), velocity)
            )
        return found

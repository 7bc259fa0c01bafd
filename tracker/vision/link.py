"""Candidates joined over frames into chains: steady paths in one view.

A chain starts from any two like spots in neighbouring frames and lives while each next frame holds a spot where the
path leads: a straight line through two to four spots, a parabola through the last eight. Every candidate may serve in
several chains, so that a wrong turn of one never costs the ball another; of chains that share their last spots only
the longest goes on. How fast, how bent and how kinked (a bounce) a path may be follows from the ball's apparent size,
which says how many pixels a metre has there.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tracker.vision.compiled import compiled
from tracker.vision.detect import BREADTH, MASS, SIGN, Spots, X, Y

HISTORY = 8  # spots a path is drawn through
T, PX, PY, ROW, STEP = range(5)  # columns of a chain's history: time, centre, row in its frame's table, frame
PLAIN, KINKED = 0, 1
LIVE, COUNT, MISSED, NUMBER, WAY, KINK = range(6)  # columns of a chain's state
DIAMETER_M = 0.072
FASTEST_MPS = 60.0
KINK_MPS = 14.0  # change of velocity at a bounce
CURVE_PER_S = 25.0  # change of image speed, as a share of itself, by coming nearer or going away
PULL_MPS2 = 30.0  # gravity, drag and side force


@compiled
def _predict(history: NDArray[np.float64], count: int, t: float) -> tuple[float, float, float, float, float]:
    """Position, velocity and the extrapolation's noise gain at time t, from the last spots of a chain."""
    n = min(count, HISTORY)
    points = history[HISTORY - n :]
    order = 1 if n < 5 else 2
    t0 = points[-1, T]
    scale = max(t0 - points[0, T], 1e-9)
    A = np.zeros((3, 3))
    bx, by = np.zeros(3), np.zeros(3)
    for i in range(n):
        u = (points[i, T] - t0) / scale
        p = (1.0, u, u * u)
        for a in range(order + 1):
            bx[a] += p[a] * points[i, PX]
            by[a] += p[a] * points[i, PY]
            for b in range(order + 1):
                A[a, b] += p[a] * p[b]
    for a in range(order + 1, 3):
        A[a, a] = 1.0
    inverse = np.linalg.inv(A)
    u = (t - t0) / scale
    reach = np.array([1.0, u, u * u if order == 2 else 0.0])
    slope = np.array([0.0, 1.0, 2 * u if order == 2 else 0.0]) / scale
    cx, cy = inverse @ bx, inverse @ by
    noise = reach @ inverse @ reach
    return float(reach @ cx), float(reach @ cy), float(slope @ cx), float(slope @ cy), float(noise)


@compiled
def _alike(a: float, b: float, most: float) -> bool:
    return a < most * b and b < most * a


@compiled
def _append(history: NDArray[np.float64], spot: NDArray[np.float64], t: float, row: int, step: int) -> None:
    history[:-1] = history[1:].copy()
    history[-1, T], history[-1, PX], history[-1, PY], history[-1, ROW], history[-1, STEP] = (
        t,
        spot[X],
        spot[Y],
        row,
        step,
    )


@compiled
def _slot(state: NDArray[np.int64], start: int) -> int:
    for i in range(start, len(state)):
        if state[i, LIVE] == 0:
            return i
    return -1


@compiled
def _extend(
    state: NDArray[np.int64],
    history: NDArray[np.float64],
    look: NDArray[np.float64],
    table: Spots,
    t: float,
    step: int,
    noise_px: float,
    frame_s: float,
    most_missed: int,
) -> None:
    """Give every chain the spot that fits best where it should be now, or one more miss."""
    for i in range(len(state)):
        if state[i, LIVE] == 0:
            continue
        count = state[i, COUNT]
        x, y, vx, vy, gain = _predict(history[i], count, t)
        gap = t - history[i, -1, T]
        px_per_m = max(look[i, 1], 4.0) / DIAMETER_M
        speed = np.hypot(vx, vy)
        bend = (CURVE_PER_S * speed + PULL_MPS2 * px_per_m) * gap * (gap + frame_s) / 2
        gate = 3 * noise_px * np.sqrt(1 + gain) + 0.1 * look[i, 1] + (bend if count < 5 else 0.3 * bend)
        kink = gate + KINK_MPS * px_per_m * gap if count >= 5 and state[i, KINK] == 0 else gate
        best, found = 1.0, -1
        kinked = False
        for j in range(len(table)):
            far = np.hypot(table[j, X] - x, table[j, Y] - y)
            if far > kink or (table[j, SIGN] * state[i, WAY] < 0 and count < 5):
                continue
            if not _alike(table[j, MASS], look[i, 0], 5.0) or not _alike(table[j, BREADTH], look[i, 1], 2.5):
                continue
            cost = far / gate if far <= gate else 1.0 + far / kink
            if found < 0 or cost < best:
                best, found, kinked = cost, j, far > gate
        if found < 0:
            state[i, MISSED] += 1
            if state[i, MISSED] > (most_missed if count >= 5 else 1):
                state[i, LIVE] = 0
            continue
        _append(history[i], table[found], t, found, step)
        if kinked:  # a bounce: what came before says little about what follows
            state[i, COUNT], state[i, KINK] = 2, 4
        else:
            state[i, COUNT] += 1
            state[i, KINK] = max(state[i, KINK] - 1, 0)
        state[i, MISSED] = 0
        state[i, WAY] = int(table[found, SIGN])
        look[i, 0] += 0.3 * (table[found, MASS] - look[i, 0])
        look[i, 1] += 0.3 * (table[found, BREADTH] - look[i, 1])


@compiled
def _drop_doubles(state: NDArray[np.int64], history: NDArray[np.float64], age: NDArray[np.int64], step: int) -> None:
    """Of chains with the same last two spots only the one with the most goes on."""
    for i in range(len(state)):
        if state[i, LIVE] == 0 or history[i, -1, STEP] != step or age[i] < 3:
            continue
        for j in range(i):
            if state[j, LIVE] == 0 or history[j, -1, STEP] != step or age[j] < 3:
                continue
            same = history[i, -1, ROW] == history[j, -1, ROW] and history[i, -2, STEP] == history[j, -2, STEP]
            if same and history[i, -2, ROW] == history[j, -2, ROW]:
                if age[j] >= age[i]:
                    state[i, LIVE] = 0
                    break
                state[j, LIVE] = 0


@compiled
def _begin(
    state: NDArray[np.int64],
    history: NDArray[np.float64],
    look: NDArray[np.float64],
    age: NDArray[np.int64],
    old: Spots,
    old_t: float,
    table: Spots,
    t: float,
    step: int,
) -> None:
    """A new chain from every two like spots of the last two frames that a ball could have flown between."""
    slot = 0
    for j in range(len(table)):
        for i in range(len(old)):
            if old[i, SIGN] != table[j, SIGN] or not _alike(old[i, MASS], table[j, MASS], 3.0):
                continue
            if not _alike(old[i, BREADTH], table[j, BREADTH], 1.8):
                continue
            breadth = max(old[i, BREADTH], table[j, BREADTH])
            far = np.hypot(old[i, X] - table[j, X], old[i, Y] - table[j, Y])
            if far > FASTEST_MPS * breadth / DIAMETER_M * (t - old_t) + 3:
                continue
            slot = _slot(state, slot)
            if slot < 0:
                return
            _append(history[slot], old[i], old_t, i, step - 1)
            _append(history[slot], table[j], t, j, step)
            state[slot] = np.array([1, 2, 0, -1, int(table[j, SIGN]), 0])
            age[slot] = 2
            look[slot, 0], look[slot, 1] = (
                (old[i, MASS] + table[j, MASS]) / 2,
                (old[i, BREADTH] + table[j, BREADTH]) / 2,
            )
            slot += 1


@dataclass(frozen=True, eq=False)
class Member:
    """A spot that belongs to a confirmed chain.

    step, row  frame of the film (counted as read) and row in its table of spots
    velocity   (2,) px/s, of the path there
    """

    chain: int
    step: int
    row: int
    centre_px: NDArray[np.float64]
    velocity_px_s: NDArray[np.float64]


@dataclass(eq=False)
class Linker:
    """Chains under way. `confirm` spots make a chain believed; it may miss `most_missed` frames in a row."""

    noise_px: float
    frame_s: float
    confirm: int
    most_missed: int
    room: int = 1500
    number: int = 0
    step: int = -1
    old: Spots = field(default_factory=lambda: np.empty((0, 8)))
    old_t: float = 0.0

    def __post_init__(self) -> None:
        self.state = np.zeros((self.room, 6), np.int64)
        self.history = np.zeros((self.room, HISTORY, 5))
        self.look = np.zeros((self.room, 2))
        self.age = np.zeros(self.room, np.int64)

    def push(self, table: Spots, t: float) -> list[Member]:
        """Take a frame's spots; the members that became part of confirmed chains by it, older ones included."""
        self.step += 1
        before = np.where(self.state[:, LIVE] > 0, self.history[:, -1, STEP], -1)
        if (before >= 0).any():
            args = (
                self.state,
                self.history,
                self.look,
                table,
                t,
                self.step,
                self.noise_px,
                self.frame_s,
                self.most_missed,
            )
            _extend(*args)
            self.age += (self.state[:, LIVE] > 0) & (self.history[:, -1, STEP] == self.step)
            _drop_doubles(self.state, self.history, self.age, self.step)
        grown = np.flatnonzero(
            (self.state[:, LIVE] > 0) & (self.age >= self.confirm) & (self.history[:, -1, STEP] == self.step)
        )
        members = [m for i in grown for m in self._members(int(i))]
        if len(self.old) and len(table):
            _begin(self.state, self.history, self.look, self.age, self.old, self.old_t, table, t, self.step)
        self.old, self.old_t = table, t
        return members

    def _members(self, i: int) -> list[Member]:
        new = self.state[i, NUMBER] < 0
        if new:
            self.state[i, NUMBER] = self.number
            self.number += 1
        recent = self.history[i, -min(int(self.age[i]), HISTORY) :]
        _, _, vx, vy, _ = _predict(self.history[i], min(int(self.age[i]), int(self.state[i, COUNT])), recent[-1, T])
        velocity = np.array([vx, vy])
        chosen = recent if new else recent[-1:]
        return [
            Member(int(self.state[i, NUMBER]), int(r[STEP]), int(r[ROW]), r[PX : PY + 1].copy(), velocity)
            for r in chosen
        ]

"""Where the ball truly is: from the hand, through the air, off the floor, perhaps off the bat, to rest.

The physics is the simulator's own and wider than any fit: drag that falls with speed (a mild crisis), a side force
that may set in late, waver and fade, Magnus lift of a spinning ball before and after the bounce, a bounce of a
spinning sphere that slips or grips (Daish 1972, The Physics of Ball Games; Cross 1999, Am. J. Phys. 67(3), both from
memory) with a kick off the seam. Arcs are integrated by the eighth-order Runge-Kutta method of Dormand and Prince
(scipy's DOP853) and kept as dense polynomials, so a path can be asked for any instant.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy.integrate import solve_ivp

from calibration.lane import STANDARD_GRAVITY_MPS2, STUMP_HEIGHT_M, WICKET_WIDTH_M
from tracker.records import Air, Ball, Floats

ROLLING_MPS = 0.35  # a ball that leaves the floor slower than this rolls on; our choice
ROLLING_DRAG = 0.06  # deceleration of a rolling ball over gravity, on a mat; our choice
NET_KEPT = 0.05  # share of its speed a ball keeps when a net has caught it; our choice
STUMPS_KEPT = np.array([0.6, 0.35, 0.5])  # of the velocity of a ball that hits the stumps; our choice


@dataclass(frozen=True, eq=False)
class Throw:
    """How a ball leaves the hand.

    release_s     on the clip's clock
    release_m     (3,) its centre
    velocity_mps  (3,)
    spin_radps    (3,) axial vector, right-handed: +x is topspin for a ball flying to the striker
    """

    release_s: float
    release_m: Floats
    velocity_mps: Floats
    spin_radps: Floats = field(default_factory=lambda: np.zeros(3))


@dataclass(frozen=True)
class Forces:
    """What the air does. Coefficients are of force over (1/2) rho A v^2.

    drag, drag_fast  below and above the crisis, whose middle and width are crisis_mps, crisis_width_mps
    side             side force, horizontal and square to the path; positive toward +x for a ball flying to the striker
    side_late_m      distance from release at which it has half set in (over side_late_width_m); -inf: from the hand
    side_fade_mps    it is strongest at side_peak_mps and falls as a bell of this width; inf: the same at all speeds
    side_waver       relative size of its wavering, at side_waver_hz (a wobbling seam)
    side_after       side force after the first bounce
    lift             scale of the Magnus force of the spin: C_L = lift x 1.12 S / (0.583 + 2.333 S), S = r w / v
                     (Nathan's baseball relation, Nathan 2008, Am. J. Phys. 76, 119: read in a summary)
    """

    drag: float = 0.45
    drag_fast: float = 0.36
    crisis_mps: float = 33.0
    crisis_width_mps: float = 3.5
    side: float = 0.0
    side_late_m: float = -math.inf
    side_late_width_m: float = 1.5
    side_peak_mps: float = 29.0
    side_fade_mps: float = math.inf
    side_waver: float = 0.0
    side_waver_hz: float = 6.0
    side_after: float = 0.0
    lift: float = 1.0


@dataclass(frozen=True)
class Ground:
    """What the floor does.

    restitution  of the normal speed, less restitution_slope for every m/s of it
    friction     sliding; the ball grips instead where less will do
    kick_rad     turn of the horizontal velocity at the first bounce (the seam), positive toward +x
    floor_m      height of the floor where the ball lands
    """

    restitution: float = 0.62
    restitution_slope: float = 0.008
    friction: float = 0.28
    kick_rad: float = 0.0
    floor_m: float = 0.0


@dataclass(frozen=True, eq=False)
class Hit:
    """The bat or body meets the ball in the plane y = y_m, or after_bounce_m past the bounce, whichever is given."""

    velocity_mps: Floats
    y_m: float | None = None
    after_bounce_m: float | None = None


@dataclass(frozen=True)
class Nets:
    """Nets in the planes y = back_y_m and x = +-side_x_m; stumps that the ball meets at y = wicket_y_m."""

    back_y_m: float = -2.6
    side_x_m: float = 1.83
    wicket_y_m: float = 0.055


@dataclass(frozen=True, eq=False)
class Contact:
    """What happened to the ball, and its states (6,) before and after.

    what  "bounce", "bat", "stumps", "past the stumps", "net", "side net", "rolling" or "end"
    """

    what: str
    time_s: float
    before: Floats
    after: Floats


@dataclass(frozen=True, eq=False)
class Path:
    """A ball's motion in lane frame: arcs between contacts, each a function of time giving states (n, 6)."""

    start_s: float
    ends_s: tuple[float, ...]
    arcs: tuple[Callable[[Floats], Floats], ...]
    contacts: tuple[Contact, ...] = ()

    @property
    def end_s(self) -> float:
        """The last instant the path knows."""
        return self.ends_s[-1]

    def state(self, time_s: Floats) -> Floats:
        """Position and velocity (n, 6) at times (n,); NaN outside the path."""
        time_s = np.atleast_1d(np.asarray(time_s, float))
        out = np.full((len(time_s), 6), np.nan)
        inside = (time_s >= self.start_s) & (time_s <= self.end_s)
        which = np.minimum(np.searchsorted(self.ends_s, time_s, side="left"), len(self.arcs) - 1)
        for i in np.unique(which[inside]):
            rows = inside & (which == i)
            out[rows] = self.arcs[i](time_s[rows])
        return out

    def position_m(self, time_s: Floats) -> Floats:
        """Centre (n, 3) at times (n,); NaN outside the path."""
        return self.state(time_s)[:, :3]

    def first(self, what: str) -> Contact | None:
        """The first contact of a kind."""
        return next((c for c in self.contacts if c.what == what), None)


def air_density_kgpm3(air: Air) -> float:
    """Density of moist air as a mixture of ideal gases, vapour pressure after Magnus (within 0.1 % of CIPM-2007).

    >>> round(air_density_kgpm3(Air()), 3)
    1.199
    """
    kelvin = air.temperature_c + 273.15
    vapour_pa = air.humidity * 611.2 * math.exp(17.62 * air.temperature_c / (243.12 + air.temperature_c))
    return (air.pressure_pa - vapour_pa) / (287.055 * kelvin) + vapour_pa / (461.52 * kelvin)


def fly(
    throw: Throw,
    forces: Forces,
    ground: Ground | None,
    ball: Ball,
    air: Air,
    *,
    hit: Hit | None = None,
    nets: Nets | None = None,
    lasting_s: float = 2.0,
    contacts_at_most: int = 50,
    rtol: float = 1e-10,
) -> Path:
    """The ball's path from the throw on; `ground` None: no floor. Ends after `lasting_s` or when it lies still."""
    area_over_mass = math.pi * ball.radius_m**2 / ball.mass_kg
    air_k = 0.5 * air_density_kgpm3(air) * area_over_mass
    end_s = throw.release_s + lasting_s
    time_s, spin = throw.release_s, np.asarray(throw.spin_radps, float)
    state = np.concatenate([throw.release_m, throw.velocity_mps]).astype(float)
    arcs: list[Callable[[Floats], Floats]] = []
    ends: list[float] = []
    contacts: list[Contact] = []
    planes = _planes(ground, ball.radius_m, hit, nets)
    bounces = 0
    while time_s < end_s and len(contacts) < contacts_at_most:
        side = (forces, bounces, throw.release_s, np.asarray(throw.release_m, float))
        arc, stop_s, what = _arc(time_s, end_s, state, spin, air_k, ball.radius_m, side, planes, rtol)
        arcs.append(arc)
        ends.append(stop_s)
        before = arc(np.array([stop_s]))[0]
        after = before.copy()
        if what == "bounce" and ground is not None:
            after, spin = bounce(before, spin, ground, ball.radius_m, first=bounces == 0)
            bounces += 1
            if bounces == 1 and hit is not None and hit.after_bounce_m is not None:
                planes["bat"] = (1, before[1] - hit.after_bounce_m)
            if after[5] < ROLLING_MPS:
                after[5], what = 0.0, "rolling"
        elif what != "end":
            del planes[what]
            after, spin, what = met(what, before, spin, hit, ball.radius_m)
        contacts.append(Contact(what, stop_s, before, after))
        time_s, state = stop_s, after
        if what == "rolling":
            roll, still_s = rolling(state, time_s)
            arcs.append(roll)
            ends.append(max(still_s, end_s))
            break
    return Path(throw.release_s, tuple(ends), tuple(arcs), tuple(contacts))


def _planes(ground: Ground | None, radius_m: float, hit: Hit | None, nets: Nets | None) -> dict[str, tuple[int, float]]:
    """What the ball may meet next: by name, the axis and the level at which its centre does."""
    planes: dict[str, tuple[int, float]] = {}
    if ground is not None:
        planes["bounce"] = (2, ground.floor_m + radius_m)
    if hit is not None and hit.y_m is not None:
        planes["bat"] = (1, hit.y_m)
    if nets is not None:
        planes |= {"stumps": (1, nets.wicket_y_m), "net": (1, nets.back_y_m), "side net": (0, nets.side_x_m)}
    return planes


def met(what: str, before: Floats, spin: Floats, hit: Hit | None, radius_m: float) -> tuple[Floats, Floats, str]:
    """State (6,) and spin (3,) after the bat, the stumps or a net, and what it was: the ball may pass the stumps."""
    after = before.copy()
    if what == "bat" and hit is not None:
        after[3:] = hit.velocity_mps
        return after, np.zeros(3), what
    if what == "stumps":
        if abs(before[0]) > WICKET_WIDTH_M / 2 + radius_m or before[2] > STUMP_HEIGHT_M + radius_m:
            return after, spin, "past the stumps"
        after[3:] *= STUMPS_KEPT
        return after, np.zeros(3), what
    after[3:] *= NET_KEPT * np.array([1.0, -1.0, 1.0] if what == "net" else [-1.0, 1.0, 1.0])
    return after, spin, what


def _arc(
    start_s: float,
    end_s: float,
    state: Floats,
    spin: Floats,
    air_k: float,
    radius_m: float,
    side: tuple[Forces, int, float, Floats],
    planes: dict[str, tuple[int, float]],
    rtol: float,
) -> tuple[Callable[[Floats], Floats], float, str]:
    """Free flight to the next contact: the arc, when it ends and what ends it."""
    slope = _slope(spin, air_k, radius_m, *side)
    names, events = ["end"], []
    for name, (axis, level) in planes.items():
        if not (axis == 1 and state[1] <= level + 1e-9):
            names.append(name)
            events.append(_reaching(axis, level))
    found = solve_ivp(
        slope, (start_s, end_s), state, method="DOP853", rtol=rtol, atol=rtol * 1e-2, dense_output=True, events=events
    )
    stops = [(float(t[0]), name) for t, name in zip(found.t_events or [], names[1:], strict=True) if len(t)]
    stop_s, what = min(stops, default=(end_s, "end"))
    dense = found.sol
    assert dense is not None  # asked for above

    def arc(time_s: Floats) -> Floats:
        return np.asarray(dense(time_s)).T

    return arc, stop_s, what


def _reaching(axis: int, level: float) -> Callable[[float, Floats], float]:
    """An event: falling through a level, or in x going out through it on either side."""

    def short(_t: float, s: Floats) -> float:
        return level - abs(float(s[0])) if axis == 0 else float(s[axis]) - level

    short.terminal, short.direction = True, -1.0  # type: ignore[attr-defined]
    return short


def _slope(
    spin: Floats, air_k: float, radius_m: float, forces: Forces, bounces: int, release_s: float, release_m: Floats
) -> Callable[[float, Floats], list[float]]:
    """The derivative of the state: gravity, drag, side force and Magnus force."""
    wx, wy, wz = (float(w) for w in spin)
    x0, y0 = float(release_m[0]), float(release_m[1])
    f = forces

    def slope(t: float, s: Floats) -> list[float]:
        x, y, _, vx, vy, vz = s.tolist()
        level2 = vx * vx + vy * vy
        v = math.sqrt(level2 + vz * vz)
        if v < 1e-9:
            return [vx, vy, vz, 0.0, 0.0, -STANDARD_GRAVITY_MPS2]
        drag = f.drag + (f.drag_fast - f.drag) * _rise((v - f.crisis_mps) / f.crisis_width_mps)
        ax, ay, az = -air_k * drag * v * vx, -air_k * drag * v * vy, -air_k * drag * v * vz - STANDARD_GRAVITY_MPS2
        side = f.side_after if bounces else f.side
        if side and level2 > 0:
            if not bounces and f.side_late_m > -math.inf:
                side *= _rise((math.hypot(x - x0, y - y0) - f.side_late_m) / f.side_late_width_m)
            if f.side_fade_mps < math.inf:
                side *= math.exp(-(((v - f.side_peak_mps) / f.side_fade_mps) ** 2))
            side *= 1 + f.side_waver * math.sin(2 * math.pi * f.side_waver_hz * (t - release_s))
            push = air_k * side * v * v / math.sqrt(level2)
            ax, ay = ax - push * vy, ay + push * vx
        cx, cy, cz = wy * vz - wz * vy, wz * vx - wx * vz, wx * vy - wy * vx  # spin x velocity
        cross = math.sqrt(cx * cx + cy * cy + cz * cz)
        if cross > 0:
            share = radius_m * cross / (v * v)  # S, from the spin square to the path
            push = air_k * f.lift * 1.12 * share / (0.583 + 2.333 * share) * v * v / cross
            ax, ay, az = ax + push * cx, ay + push * cy, az + push * cz
        return [vx, vy, vz, ax, ay, az]

    return slope


def _rise(x: float) -> float:
    """The logistic step from 0 to 1."""
    return 1 / (1 + math.exp(-min(max(x, -60.0), 60.0)))


def bounce(before: Floats, spin: Floats, ground: Ground, radius_m: float, first: bool) -> tuple[Floats, Floats]:
    """State (6,) and spin (3,) after a solid sphere meets the floor: it slips, or grips where friction suffices.

    The contact point's slip is stopped by at most 2/7 of itself (solid sphere, moment 2/5 m r^2).
    """
    after, fall = before.copy(), -float(before[5])
    e = max(ground.restitution - ground.restitution_slope * fall, 0.1)
    slip = np.array([before[3] - radius_m * spin[1], before[4] + radius_m * spin[0]])
    speed = float(np.hypot(*slip))
    pull = -slip * (min(ground.friction * (1 + e) * fall / speed, 2 / 7) if speed > 0 else 0.0)
    after[3:5] += pull
    after[5] = e * fall
    spun = spin + 2.5 / radius_m * np.array([pull[1], -pull[0], 0.0])
    if first and ground.kick_rad:
        c, s = math.cos(ground.kick_rad), math.sin(ground.kick_rad)
        after[3:5] = c * after[3] - s * after[4], s * after[3] + c * after[4]  # toward +x for a ball flying along -y
    return after, spun


def rolling(state: Floats, start_s: float) -> tuple[Callable[[Floats], Floats], float]:
    """A ball rolling to rest from `state` (6,): the arc and the instant it lies still."""
    start, velocity = state[:3].copy(), state[3:6] * np.array([1.0, 1.0, 0.0])
    speed = float(np.linalg.norm(velocity))
    slowing = ROLLING_DRAG * STANDARD_GRAVITY_MPS2
    still = speed / slowing
    ahead = velocity / speed if speed > 0 else velocity

    def arc(time_s: Floats) -> Floats:
        t = np.clip(np.asarray(time_s, float) - start_s, 0.0, still)[:, None]
        return np.hstack([start + ahead * (speed * t - 0.5 * slowing * t**2), ahead * (speed - slowing * t)])

    return arc, start_s + still

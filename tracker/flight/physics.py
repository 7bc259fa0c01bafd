"""How a ball flies: gravity, drag, side force and lift, integrated together with its derivatives by the parameters.

Forces (docs/method.md, equations F1 to F4), with K = rho pi r^2 / (2 m), s = |v| and h the horizontal speed:

    a = -g z + K s (-Cd v + Cs s l + Cl v x l),    l = (-vy, vx, 0) / h

so that side force is horizontal and square to the path, positive to the left of travel (toward +x for a bowled ball),
and lift is square to both, positive upward. Cd = drag + drag_slope ln(s / reference speed). In the first arc

    Cs = side + side_late P1(u) + side_bend P2(u) + side_3 P3(u) + side_4 P4(u),
    Cl = (lift + lift_late P1(u)) (reference speed / s)^LIFT_FALL,

with Legendre's polynomials over the arc, u from -1 at its start to +1 at its end and held beyond. In the second arc
Cs = side_after, Cl = lift_after (reference speed / s)^LIFT_FALL.

The equations and their variational equations (Hairer, Norsett & Wanner 1993, sec. I.14, from memory) are stepped by
the same classical Runge-Kutta rule, so that derivatives are exact for the path as computed. Accelerations depend on
velocity and time alone, never on place: only the velocity rows of the sensitivities drive.
"""

import math
from collections.abc import Callable
from typing import TypeVar

import numba
import numpy as np

from tracker.records import Air, Ball, Floats

PATH_NAMES = (
    "x_m",
    "y_m",
    "z_m",
    "vx_mps",
    "vy_mps",
    "vz_mps",
    "drag",
    "drag_slope",
    "side",
    "side_late",
    "side_bend",
    "side_3",
    "side_4",
    "lift",
    "lift_late",
    "after_vx_mps",
    "after_vy_mps",
    "after_vz_mps",
    "side_after",
    "lift_after",
    "floor_m",
)
DRAG, SLOPE, SIDE, LIFT, LIFT_LATE, AFTER, SIDE_AFTER, LIFT_AFTER, FLOOR = 6, 7, 8, 13, 14, 15, 18, 19, 20
TURNS = 4  # Legendre terms of the side coefficient beyond the constant
COUNT = len(PATH_NAMES)
ARCS = np.array([False, True])  # first, second; read from an array, so that one compiled version serves for both
LIFT_FALL = 0.6  # Cl of a ball that keeps its spin rises as it slows, by this power (docs/method.md: two measured laws)

# what the model needs besides the parameters, in the order of the array that the integrator takes
MODEL_NAMES = ("gravity_mps2", "k_per_m", "reference_mps", "arc_start_s", "arc_end_s", "radius_m", "start_s", "bounces")
GRAVITY, K, REFERENCE, ARC_START, ARC_END, RADIUS, START, BOUNCES = range(len(MODEL_NAMES))

F = TypeVar("F", bound=Callable[..., object])
compiled: Callable[[F], F] = numba.njit(cache=True, nogil=True, no_cfunc_wrapper=True)


def air_density_kg_m3(air: Air) -> float:
    """Density of moist air, CIPM-2007 (Picard et al. 2008, Metrologia 45, 149-155), 400 ppm of CO2.

    >>> round(air_density_kg_m3(Air()), 4)
    1.1993
    """
    t, p = air.temperature_c, air.pressure_pa
    kelvin = t + 273.15
    vapour_pa = math.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2
    xv = air.humidity * enhancement * vapour_pa / p
    z = (
        1
        - p
        / kelvin
        * (
            1.58123e-6
            - 2.9331e-8 * t
            + 1.1043e-10 * t**2
            + (5.707e-6 - 2.051e-8 * t) * xv
            + (1.9898e-4 - 2.376e-6 * t) * xv**2
        )
        + (p / kelvin) ** 2 * (1.83e-11 - 0.765e-8 * xv**2)
    )
    return 3.483740e-3 * p / (z * kelvin) * (1 - 0.3780 * xv)


def drag_factor_per_m(ball: Ball, density_kg_m3: float) -> float:
    """K = rho pi r^2 / (2 m): a force coefficient C slows or turns a ball by K C per metre flown.

    >>> round(drag_factor_per_m(Ball(0.03605, 0.1595), 1.2), 7)
    0.0153586
    """
    return density_kg_m3 * math.pi * ball.radius_m**2 / (2 * ball.mass_kg)


@compiled
def coefficients(t: float, q: Floats, model: Floats, second: bool, out: Floats) -> None:
    """Side coefficient, lift coefficient, and the Legendre values P1 to P4 (0 in the second arc) at time t."""
    if second:
        out[:] = 0.0
        out[0], out[1] = q[SIDE_AFTER], q[LIFT_AFTER]
        return
    u = 2.0 * (t - model[ARC_START]) / (model[ARC_END] - model[ARC_START]) - 1.0
    u = min(1.0, max(-1.0, u))
    u2 = u * u
    out[2], out[3] = u, 1.5 * u2 - 0.5
    out[4], out[5] = (2.5 * u2 - 1.5) * u, (4.375 * u2 - 3.75) * u2 + 0.375
    out[0] = q[SIDE]
    for i in range(TURNS):
        out[0] += q[SIDE + 1 + i] * out[2 + i]
    out[1] = q[LIFT] + q[LIFT_LATE] * u


@compiled
def acceleration(v: Floats, q: Floats, model: Floats, c: Floats, a: Floats, by_v: Floats, by_c: Floats) -> None:
    """Acceleration (3,), its derivatives by velocity (3, 3) and by drag, slope, side and lift (3, 4). F1 to F4.

    `c` (6,) from `coefficients`.
    """
    k, cs, cl = model[K], c[0], c[1]
    vx, vy, vz = v[0], v[1], v[2]
    h = math.sqrt(vx * vx + vy * vy) + 1e-12
    s = math.sqrt(vx * vx + vy * vy + vz * vz) + 1e-12
    log_s = math.log(s / model[REFERENCE])
    n = q[SLOPE]
    cd = q[DRAG] + n * log_s
    fall = math.exp(-LIFT_FALL * log_s)
    cl *= fall
    lx, ly = -vy / h, vx / h
    ux, uy, uz = -vz * vx / h, -vz * vy / h, h  # v x l
    for i in range(3):
        left = lx if i == 0 else (ly if i == 1 else 0.0)
        up = ux if i == 0 else (uy if i == 1 else uz)
        a[i] = k * s * (-cd * v[i] + cs * s * left + cl * up)
        for j in range(3):
            by_v[i, j] = k * v[j] * (-(cd + n) * v[i] / s + 2.0 * cs * left + (1.0 - LIFT_FALL) * cl * up / s)
        by_v[i, i] -= k * s * cd
        by_c[i, 0] = -k * s * v[i]
        by_c[i, 1] = -k * s * v[i] * log_s
        by_c[i, 2] = k * s * s * left
        by_c[i, 3] = k * s * fall * up
    a[2] -= model[GRAVITY]
    h3 = h * h * h
    side, lift = k * cs * s * s / h3, k * cl * s / h3
    by_v[0, 0] += side * vx * vy - lift * vz * vy * vy
    by_v[0, 1] += -side * vx * vx + lift * vz * vx * vy
    by_v[1, 0] += side * vy * vy + lift * vz * vx * vy
    by_v[1, 1] += -side * vx * vy - lift * vz * vx * vx
    by_v[0, 2] -= lift * vx * h * h
    by_v[1, 2] -= lift * vy * h * h
    by_v[2, 0] += lift * vx * h * h
    by_v[2, 1] += lift * vy * h * h


@compiled
def _rate(t: float, v: Floats, sv: Floats, q: Floats, model: Floats, second: bool, a: Floats, out: Floats) -> None:
    """Acceleration (3,) and the rate (3, COUNT) of the velocity's sensitivities."""
    by_v, by_c, c = np.empty((3, 3)), np.empty((3, 4)), np.empty(6)
    coefficients(t, q, model, second, c)
    acceleration(v, q, model, c, a, by_v, by_c)
    for i in range(3):
        for j in range(COUNT if second else AFTER):  # nothing of the first arc depends on what comes after it
            out[i, j] = by_v[i, 0] * sv[0, j] + by_v[i, 1] * sv[1, j] + by_v[i, 2] * sv[2, j]
        out[i, DRAG] += by_c[i, 0]
        out[i, SLOPE] += by_c[i, 1]
        if second:
            out[i, SIDE_AFTER] += by_c[i, 2]
            out[i, LIFT_AFTER] += by_c[i, 3]
        else:
            out[i, SIDE] += by_c[i, 2]
            for j in range(TURNS):
                out[i, SIDE + 1 + j] += by_c[i, 2] * c[2 + j]
            out[i, LIFT] += by_c[i, 3]
            out[i, LIFT_LATE] += by_c[i, 3] * c[2]


@compiled
def _step(x: Floats, s: Floats, t: float, dt: float, q: Floats, model: Floats, second: bool) -> None:
    """One Runge-Kutta step of state (6,) and sensitivities (6, COUNT), in place."""
    a1, a2, a3, a4 = np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    r1, r2, r3, r4 = np.zeros((3, COUNT)), np.zeros((3, COUNT)), np.zeros((3, COUNT)), np.zeros((3, COUNT))
    v, sv = np.empty(3), np.empty((3, COUNT))
    for i in range(3):
        v[i] = x[3 + i]
        for j in range(COUNT):
            sv[i, j] = s[3 + i, j]
    _rate(t, v, sv, q, model, second, a1, r1)
    _ahead(x, s, dt / 2, a1, r1, v, sv)
    _rate(t + dt / 2, v, sv, q, model, second, a2, r2)
    _ahead(x, s, dt / 2, a2, r2, v, sv)
    _rate(t + dt / 2, v, sv, q, model, second, a3, r3)
    _ahead(x, s, dt, a3, r3, v, sv)
    _rate(t + dt, v, sv, q, model, second, a4, r4)
    for i in range(3):
        x[i] += dt * x[3 + i] + dt * dt / 6 * (a1[i] + a2[i] + a3[i])
        x[3 + i] += dt / 6 * (a1[i] + 2 * a2[i] + 2 * a3[i] + a4[i])
        for j in range(COUNT if second else AFTER):
            s[i, j] += dt * s[3 + i, j] + dt * dt / 6 * (r1[i, j] + r2[i, j] + r3[i, j])
            s[3 + i, j] += dt / 6 * (r1[i, j] + 2 * r2[i, j] + 2 * r3[i, j] + r4[i, j])


@compiled
def _ahead(x: Floats, s: Floats, dt: float, a: Floats, r: Floats, v: Floats, sv: Floats) -> None:
    """Velocity (3,) and its sensitivities (3, COUNT) carried on by dt at a rate, into `v` and `sv`."""
    for i in range(3):
        v[i] = x[3 + i] + dt * a[i]
        for j in range(COUNT):
            sv[i, j] = s[3 + i, j] + dt * r[i, j]


@compiled
def fly(x: Floats, s: Floats, t: float, until: float, q: Floats, model: Floats, second: bool, step_s: float) -> None:
    """Carry state (6,) and sensitivities (6, COUNT) from t to `until` (either way), in place, by equal steps."""
    if until == t:
        return
    count = max(1, math.ceil(abs(until - t) / step_s - 1e-9))
    dt = (until - t) / count
    for i in range(count):
        _step(x, s, t + i * dt, dt, q, model, second)


@compiled
def derivative(x: Floats, t: float, q: Floats, model: Floats, second: bool) -> Floats:
    """Velocity and acceleration (6,) of a state (6,) at time t."""
    a, by_v, by_c, c, out = np.empty(3), np.empty((3, 3)), np.empty((3, 4)), np.empty(6), np.empty(6)
    coefficients(t, q, model, second, c)
    acceleration(x[3:6], q, model, c, a, by_v, by_c)
    for i in range(3):
        out[i], out[3 + i] = x[3 + i], a[i]
    return out


@compiled
def launch(q: Floats) -> tuple[Floats, Floats]:
    """State (6,) and sensitivities (6, COUNT) at the start."""
    s = np.zeros((6, COUNT))
    for i in range(6):
        s[i, i] = 1.0
    return q[:6].copy(), s


@compiled
def land(x: Floats, s: Floats, t: float, q: Floats, model: Floats, second: bool, step_s: float) -> tuple[float, Floats]:
    """Bring a state near contact onto it, in place: z = floor + radius. The instant, and its derivative (COUNT,)."""
    for _ in range(8):
        miss = x[2] - q[FLOOR] - model[RADIUS]
        dt = -miss / x[5]
        fly(x, s, t, t + dt, q, model, second, step_s)
        t += dt
        if abs(dt) < 1e-11:
            break
    by_q = np.empty(COUNT)
    for j in range(COUNT):
        by_q[j] = -s[2, j] / x[5]
    by_q[FLOOR] += 1.0 / x[5]
    return t, by_q


@compiled
def rebound(x: Floats, s: Floats, t: float, by_q: Floats, q: Floats, model: Floats) -> None:
    """Turn the state at contact into the one just after it, in place (equations F6, F7).

    The place is kept, the velocity is a parameter. The sensitivities become those of the second arc at fixed time:
    a later contact starts the arc later.
    """
    a, by_v, by_c, c = np.empty(3), np.empty((3, 3)), np.empty((3, 4)), np.empty(6)
    before = x.copy()
    for i in range(3):
        x[3 + i] = q[AFTER + i]
    coefficients(t, q, model, ARCS[1], c)
    acceleration(x[3:6], q, model, c, a, by_v, by_c)
    for i in range(3):
        for j in range(COUNT):
            s[i, j] += (before[3 + i] - x[3 + i]) * by_q[j]
            s[3 + i, j] = -a[i] * by_q[j]
        s[3 + i, AFTER + i] += 1.0


@compiled
def _between(
    t: float, t0: float, x0: Floats, s0: Floats, t1: float, x1: Floats, s1: Floats, state: Floats, sens: Floats
) -> None:
    """State (6,) and the place's sensitivities (3, COUNT) between two instants, by Hermite's cubic (F5)."""
    h = t1 - t0
    u, h = (0.0, 1.0) if h == 0.0 else ((t - t0) / h, h)
    a0, a1 = (1 + 2 * u) * (1 - u) ** 2, u * u * (3 - 2 * u)
    b0, b1 = h * u * (1 - u) ** 2, h * u * u * (u - 1)
    d0, d1, e0, e1 = 6 * u * (u - 1) / h, 6 * u * (1 - u) / h, (1 - u) * (1 - 3 * u), u * (3 * u - 2)
    for i in range(3):
        state[i] = a0 * x0[i] + a1 * x1[i] + b0 * x0[3 + i] + b1 * x1[3 + i]
        state[3 + i] = d0 * x0[i] + d1 * x1[i] + e0 * x0[3 + i] + e1 * x1[3 + i]
        for j in range(COUNT):
            sens[i, j] = a0 * s0[i, j] + a1 * s1[i, j] + b0 * s0[3 + i, j] + b1 * s1[3 + i, j]


@compiled
def _copy(x: Floats, s: Floats, x0: Floats, s0: Floats) -> None:
    """A state (6,) and its sensitivities (6, COUNT) into others."""
    for i in range(6):
        x0[i] = x[i]
        for j in range(COUNT):
            s0[i, j] = s[i, j]


@compiled
def trace(q: Floats, model: Floats, times: Floats, step_s: float) -> tuple[Floats, Floats, float, float]:
    """Where the ball is at each of n times, in rising order.

    Parameters
    ----------
    q : (COUNT,) parameters of the path
    model : numbers by MODEL_NAMES
    times : (n,) seconds, rising
    step_s : integration step

    Returns
    -------
    states : (n, 6)
    sensitivities : (n, 3, COUNT) of the place
    bounce_s, second_s : first and second contact; NaN where not reached by about the last time
    """
    n = len(times)
    states, sens = np.empty((n, 6)), np.empty((n, 3, COUNT))
    first = 0
    while first < n and times[first] < model[START]:
        first += 1
    x1, s1 = launch(q)
    t0 = t1 = model[START]
    x0, s0 = x1.copy(), s1.copy()
    for i in range(first - 1, -1, -1):
        while t1 > times[i]:
            t0 = t1
            _copy(x1, s1, x0, s0)
            _step(x1, s1, t1, -step_s, q, model, ARCS[0])
            t1 -= step_s
        _between(times[i], t0, x0, s0, t1, x1, s1, states[i], sens[i])
    x1, s1 = launch(q)
    t0 = t1 = model[START]
    _copy(x1, s1, x0, s0)
    bounce, again, second = np.nan, np.nan, False
    by_q = np.zeros(COUNT)
    falls = model[BOUNCES] > 0 and x1[2] > q[FLOOR] + model[RADIUS]
    for i in range(first, n):
        while t1 < times[i]:
            if t1 == bounce and not second:
                rebound(x1, s1, t1, by_q, q, model)
                second = True
            t0 = t1
            _copy(x1, s1, x0, s0)
            _step(x1, s1, t1, step_s, q, model, second)
            t1 += step_s
            if falls and np.isnan(again) and x1[5] < 0 and x1[2] < q[FLOOR] + model[RADIUS]:
                if not second:
                    t1, by_q = land(x1, s1, t1, q, model, second, step_s)
                    bounce = t1
                elif x0[2] > q[FLOOR] + model[RADIUS] or x0[5] > 0:
                    again = land(x1.copy(), s1.copy(), t1, q, model, second, step_s)[0]
        _between(times[i], t0, x0, s0, t1, x1, s1, states[i], sens[i])
    return states, sens, bounce, again

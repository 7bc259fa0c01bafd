"""How a ball flies: gravity, drag, side force and lift, integrated together with its derivatives by the parameters.

Forces (docs/method.md, equations F1 to F4), with K = rho pi r^2 / (2 m), s = |v| and h the horizontal speed:

    a = -g z + K s (-Cd v + Cs s l + Cl v x l),    l = (-vy, vx, 0) / h

so that side force is horizontal and square to the path, positive to the left of travel (toward +x for a bowled ball),
and lift is square to both, positive upward. Cd = drag + drag_slope ln(s / reference speed). In the first arc
Cs = side + side_late P1(u) + side_bend P2(u), Legendre's polynomials over the arc, u from -1 at its start to +1 at its
end and held beyond. In the second arc Cs and Cl are constants of their own.

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
    "lift",
    "after_vx_mps",
    "after_vy_mps",
    "after_vz_mps",
    "side_after",
    "lift_after",
    "floor_m",
)
DRAG, SLOPE, SIDE, LATE, BEND, LIFT, AFTER, SIDE_AFTER, LIFT_AFTER, FLOOR = 6, 7, 8, 9, 10, 11, 12, 15, 16, 17
COUNT = len(PATH_NAMES)

# what the model needs besides the parameters, in the order of the array that the integrator takes
MODEL_NAMES = ("gravity_mps2", "k_per_m", "reference_mps", "arc_start_s", "arc_end_s", "radius_m", "start_s", "bounces")
GRAVITY, K, REFERENCE, ARC_START, ARC_END, RADIUS, START, BOUNCES = range(len(MODEL_NAMES))

F = TypeVar("F", bound=Callable[..., object])
compiled: Callable[[F], F] = numba.njit(cache=True, nogil=True)


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
    0.0153587
    """
    return density_kg_m3 * math.pi * ball.radius_m**2 / (2 * ball.mass_kg)


@compiled
def coefficients(t: float, q: Floats, model: Floats, second: bool, out: Floats) -> None:
    """Side coefficient, lift coefficient, and the two Legendre values (0 in the second arc) at time t."""
    if second:
        out[0], out[1], out[2], out[3] = q[SIDE_AFTER], q[LIFT_AFTER], 0.0, 0.0
        return
    u = 2.0 * (t - model[ARC_START]) / (model[ARC_END] - model[ARC_START]) - 1.0
    u = min(1.0, max(-1.0, u))
    out[2], out[3] = u, 1.5 * u * u - 0.5
    out[0] = q[SIDE] + q[LATE] * out[2] + q[BEND] * out[3]
    out[1] = q[LIFT]


@compiled
def acceleration(v: Floats, q: Floats, model: Floats, c: Floats, a: Floats, by_v: Floats, by_c: Floats) -> None:
    """Acceleration (3,), its derivatives by velocity (3, 3) and by drag, slope, side and lift (3, 4). F1 to F4.

    `c` (4,) from `coefficients`.
    """
    k, cs, cl = model[K], c[0], c[1]
    vx, vy, vz = v[0], v[1], v[2]
    h = math.sqrt(vx * vx + vy * vy) + 1e-12
    s = math.sqrt(vx * vx + vy * vy + vz * vz) + 1e-12
    log_s = math.log(s / model[REFERENCE])
    n = q[SLOPE]
    cd = q[DRAG] + n * log_s
    lx, ly = -vy / h, vx / h
    ux, uy, uz = -vz * vx / h, -vz * vy / h, h  # v x l
    for i in range(3):
        left = lx if i == 0 else (ly if i == 1 else 0.0)
        up = ux if i == 0 else (uy if i == 1 else uz)
        a[i] = k * s * (-cd * v[i] + cs * s * left + cl * up)
        for j in range(3):
            by_v[i, j] = k * v[j] * (-(cd + n) * v[i] / s + 2.0 * cs * left + cl * up / s)
        by_v[i, i] -= k * s * cd
        by_c[i, 0] = -k * s * v[i]
        by_c[i, 1] = -k * s * v[i] * log_s
        by_c[i, 2] = k * s * s * left
        by_c[i, 3] = k * s * up
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
    by_v, by_c, c = np.empty((3, 3)), np.empty((3, 4)), np.empty(4)
    coefficients(t, q, model, second, c)
    acceleration(v, q, model, c, a, by_v, by_c)
    for i in range(3):
        for j in range(COUNT):
            out[i, j] = by_v[i, 0] * sv[0, j] + by_v[i, 1] * sv[1, j] + by_v[i, 2] * sv[2, j]
        out[i, DRAG] += by_c[i, 0]
        out[i, SLOPE] += by_c[i, 1]
        if second:
            out[i, SIDE_AFTER] += by_c[i, 2]
            out[i, LIFT_AFTER] += by_c[i, 3]
        else:
            out[i, SIDE] += by_c[i, 2]
            out[i, LATE] += by_c[i, 2] * c[2]
            out[i, BEND] += by_c[i, 2] * c[3]
            out[i, LIFT] += by_c[i, 3]


@compiled
def _step(x: Floats, s: Floats, t: float, dt: float, q: Floats, model: Floats, second: bool) -> None:
    """One Runge-Kutta step of state (6,) and sensitivities (6, COUNT), in place."""
    a1, a2, a3, a4 = np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    r1, r2, r3, r4 = np.empty((3, COUNT)), np.empty((3, COUNT)), np.empty((3, COUNT)), np.empty((3, COUNT))
    v, sv = x[3:6], s[3:6]
    _rate(t, v, sv, q, model, second, a1, r1)
    _rate(t + dt / 2, v + dt / 2 * a1, sv + dt / 2 * r1, q, model, second, a2, r2)
    _rate(t + dt / 2, v + dt / 2 * a2, sv + dt / 2 * r2, q, model, second, a3, r3)
    _rate(t + dt, v + dt * a3, sv + dt * r3, q, model, second, a4, r4)
    for i in range(3):
        x[i] += dt * x[3 + i] + dt * dt / 6 * (a1[i] + a2[i] + a3[i])
        x[3 + i] += dt / 6 * (a1[i] + 2 * a2[i] + 2 * a3[i] + a4[i])
        for j in range(COUNT):
            s[i, j] += dt * s[3 + i, j] + dt * dt / 6 * (r1[i, j] + r2[i, j] + r3[i, j])
            s[3 + i, j] += dt / 6 * (r1[i, j] + 2 * r2[i, j] + 2 * r3[i, j] + r4[i, j])


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
    a, by_v, by_c, c = np.empty(3), np.empty((3, 3)), np.empty((3, 4)), np.empty(4)
    coefficients(t, q, model, second, c)
    acceleration(x[3:6], q, model, c, a, by_v, by_c)
    return np.concatenate((x[3:6], a))


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
    by_q = -s[2] / x[5]
    by_q[FLOOR] += 1.0 / x[5]
    return t, by_q


@compiled
def rebound(x: Floats, s: Floats, t: float, by_q: Floats, q: Floats, model: Floats) -> None:
    """Turn the state at contact into the one just after it, in place (equations F6, F7).

    The place is kept, the velocity is a parameter. The sensitivities become those of the second arc at fixed time:
    a later contact starts the arc later.
    """
    a, by_v, by_c, c = np.empty(3), np.empty((3, 3)), np.empty((3, 4)), np.empty(4)
    before = x[3:6].copy()
    x[3:6] = q[AFTER : AFTER + 3]
    coefficients(t, q, model, True, c)
    acceleration(x[3:6], q, model, c, a, by_v, by_c)
    for i in range(3):
        for j in range(COUNT):
            s[i, j] += (before[i] - x[3 + i]) * by_q[j]
            s[3 + i, j] = -a[i] * by_q[j]
        s[3 + i, AFTER + i] += 1.0


@compiled
def trace(q: Floats, model: Floats, times: Floats, step_s: float) -> tuple[Floats, Floats, float, float]:
    """Where the ball is at each of n times, in rising order.

    Parameters
    ----------
    q : (COUNT,) parameters of the path
    model : numbers by MODEL_NAMES
    times : (n,) seconds, rising
    step_s : longest integration step

    Returns
    -------
    states : (n, 6)
    sensitivities : (n, 3, COUNT) of the place
    bounce_s, second_s : first and second contact; NaN where not reached by the last time
    """
    n = len(times)
    states, sens = np.empty((n, 6)), np.empty((n, 3, COUNT))
    bounce, again = np.nan, np.nan
    first = np.searchsorted(times, model[START])
    x, s = launch(q)
    t = model[START]
    for i in range(first - 1, -1, -1):
        fly(x, s, t, times[i], q, model, False, step_s)
        t = times[i]
        states[i], sens[i] = x, s[:3]
    x, s = launch(q)
    t = model[START]
    second = False
    above = x[2] > q[FLOOR] + model[RADIUS]
    for i in range(first, n):
        fly(x, s, t, times[i], q, model, second, step_s)
        t = times[i]
        touching = above and model[BOUNCES] > 0 and x[5] < 0 and x[2] < q[FLOOR] + model[RADIUS]
        if touching and not second:
            bounce, by_q = land(x, s, t, q, model, False, step_s)
            rebound(x, s, bounce, by_q, q, model)
            second = True
            fly(x, s, bounce, t, q, model, True, step_s)
        elif touching and np.isnan(again) and x[5] < 0 and t > bounce + 1e-3:
            y, sy = x.copy(), s.copy()
            again, _ = land(y, sy, t, q, model, True, step_s)
        states[i], sens[i] = x, s[:3]
    return states, sens, bounce, again

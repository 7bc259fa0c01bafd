"""When rays do not meet, why: which single fault explains best what the flights leave over.

Each fault is a few further numbers of the rig (a turn of one camera, a clock, a read-out time, a zoom, a lens). With
everything else that is in doubt adjusted too (the flights, the rig within its covariance, what the balls have in
common), the fault that lowers chi-squared most, beside how many numbers it needs, is named with its size. So residuals
that grow with the speed in the picture point to the clocks, residuals that grow toward the edges to the lens, and a
constant push to a turned camera, each as far as the flights cannot take it up themselves.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.rig import VIEWS, Rig
from tracker.flight.rigterms import rig_terms
from tracker.joint import COMMON, TURNS, Arc, gather
from tracker.records import Check, Floats
from tracker.trust.balls import LEAST_BALLS, Balls, judged, session_arcs
from tracker.trust.refine import wanted

CLOCK = "right.time_offset_s"
FAULTS: dict[str, tuple[str, ...]] = {  # kind and view: numbers of the rig
    **{f"{view} turned": tuple(f"{view}.{turn}" for turn in TURNS) for view in VIEWS},
    "clocks": (CLOCK,),
    **{f"{view} read-out": (f"{view}.row_time_s", CLOCK) for view in VIEWS},
    **{f"{view} zoomed": (f"{view}.growth",) for view in VIEWS},
    **{f"{view} lens": (f"{view}.k1", f"{view}.k2") for view in VIEWS},
}
PRICE = 7.0  # chi-squared that a further number must be worth: the logarithm of a thousand residuals (Schwarz 1978)
EXPLAINED_PX = 0.08  # rms residual that one fault explains; common errors of sightings let one explain half as much
FAIL_TIMES = 3.0
OTHER_SHARE = 0.8  # of the best explanation's worth: the other camera explains it as well


@dataclass(frozen=True, eq=False)
class Fault:
    """One explanation: its numbers with their covariance, and by how much it lowers chi-squared."""

    name: str
    value: Floats
    cov: Floats
    gain: float

    @property
    def worth(self) -> float:
        """The gain less the price of its numbers."""
        return self.gain - PRICE * len(self.value)


def faults(arcs: Sequence[Arc], rig: Rig, common_sd: Floats, step_s: float) -> list[Fault]:
    """Every fault as the flights would have it, each tried alone; the best explanation first."""
    names = tuple(dict.fromkeys(name for numbers in FAULTS.values() for name in numbers))
    own = tuple(name for name in rig.names if not name.endswith("time_offset_s") and name not in names)
    shared, _ = gather(arcs, rig, (*names, *own), np.zeros(len(COMMON)), step_s)
    factor = rig_terms(rig, False).factor
    doubted = factor[[rig.names.index(name) for name in own]] if own else np.zeros((0, 0))
    f, k, m = len(names), len(own), doubted.shape[1]
    T = np.zeros((f + k + len(COMMON), f + m + len(COMMON)))
    T[:f, :f], T[f : f + k, f : f + m], T[f + k :, f + m :] = np.eye(f), doubted, np.diag(common_sd)
    information, pull = T.T @ shared.normal @ T, T.T @ shared.pull
    rest = np.linalg.inv(information[f:, f:] + np.eye(m + len(COMMON)))
    across = information[:f, f:]
    information, pull = information[:f, :f] - across @ rest @ across.T, pull[:f] - across @ rest @ pull[f:]
    found = []
    for name, numbers in FAULTS.items():
        pick = [names.index(number) for number in numbers]
        scale = 1 / np.sqrt(np.maximum(information[pick, pick], 1e-300))
        cov = np.linalg.pinv(information[np.ix_(pick, pick)] * np.outer(scale, scale), 1e-10) * np.outer(scale, scale)
        value = cov @ pull[pick]
        found.append(Fault(name, value, cov, float(value @ pull[pick])))
    return sorted(found, key=lambda fault: -fault.worth)


def explained_px(fault: Fault, arcs: Sequence[Arc]) -> float:
    """The rms residual, in pixels along an axis, that a fault would take away."""
    rows = sum(len(arc.rows) for arc in arcs)
    scale = float(np.median([arc.scale for arc in arcs]))
    variance = np.concatenate([1 / np.abs(np.linalg.det(arc.rows.whiten)) for arc in arcs])
    return float(np.sqrt(max(fault.gain, 0.0) * scale * np.median(variance) / (2 * rows)))


def in_words(fault: Fault, rig: Rig) -> str:
    """A fault for people: what, how big."""
    view, value = fault.name.split()[0], fault.value
    if fault.name == "clocks":
        return f"the right camera's clock being {1e3 * value[0]:+.2f} ms off"
    if fault.name.endswith("turned"):
        sure = np.sqrt(fault.cov.diagonal()) < np.radians(0.1)
        degrees = np.degrees(np.linalg.norm(value[sure])) if sure.any() else np.nan
        return f"the {view} camera having turned by {degrees:.2f} degrees or more: was it knocked?"
    if fault.name.endswith("read-out"):
        camera = rig.cameras[VIEWS.index(view)]
        rows = camera.lens.image_size_px[1]
        whole = (camera.row_time_s + value[0]) * rows
        return (
            f"the {view} camera reading its picture in {1e3 * whole:.1f} ms from top to bottom, not "
            f"{1e3 * camera.row_time_s * rows:.1f}: row_time_s = {whole / rows:.3g}"
        )
    if fault.name.endswith("zoomed"):
        return f"the {view} picture being {100 * value[0]:+.2f} % larger than calibrated: focus or zoom"
    return f"the {view} lens bending otherwise toward the picture's edges: another video mode, or few board views there"


def explanation(ranked: Sequence[Fault], rig: Rig) -> str:
    """What explains the residuals best, and the other camera where it does so as well."""
    best = ranked[0]
    words = in_words(best, rig)
    side = best.name.split()[0]
    if side in VIEWS:
        other = VIEWS[1 - VIEWS.index(side)]
        twin = next(f for f in ranked if f.name == best.name.replace(side, other))
        if twin.worth > OTHER_SHARE * best.worth:
            words += f" (or the {other} camera the other way)"
    return words


def agreement_checks(clips: Sequence[Balls]) -> list[Check]:
    """Whether the balls agree with the rig within its covariance, and the fault that would explain it where not.

    The figure is over what is allowed: of a rig with covariance how far the balls want it beyond, of any rig how much
    residual one fault explains.
    """
    name = "rig agrees with balls"
    arcs, sds = session_arcs(clips)
    if len(arcs) < LEAST_BALLS:
        return [Check(name, "doubtful", np.nan, 1.0, "of the limit", "too few balls were measured to tell")]
    rig, step_s = clips[0].job.session.rig, clips[0].job.settings.flight.step_s
    ranked = faults(arcs, rig, sds, step_s)
    value = explained_px(ranked[0], arcs) / EXPLAINED_PX if ranked[0].worth > 0 else 0.0
    if not rig.exact:
        misfit, limit = wanted(arcs, rig, sds, step_s)
        value = max(value, misfit / limit)
    words = f"the balls do not agree with the rig; explained best by {explanation(ranked, rig)}"
    return [judged(name, value, 1.0, FAIL_TIMES, "of the limit", words)]

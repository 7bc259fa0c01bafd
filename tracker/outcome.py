"""What a delivery comes to: its measures, what is missing and why, as the record that is written and shown."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from calibration.lane import release_plane_y_m
from calibration.rig import Rig
from tracker.clip import Found
from tracker.flight.measures import assess
from tracker.records import Delivery
from tracker.session.folder import Session

PITCHING = {"bounce_x_m", "bounce_y_m", "speed_at_bounce_mps", "speed_off_bounce_mps", "deviation_deg", "deviation_m"}
KEPT = 0.85  # of its speed, at the bounce, usually


def start_s(one: Found, pitch_length_m: float) -> float:
    """When a delivery began: its release where known, else carried back in a straight line from the first sighting.

    One that rises there had pitched, which cost it speed.
    """
    if one.flight is not None and np.isfinite(one.flight.release_s):
        return one.flight.release_s
    _, y, _, _, vy, vz = one.track.state[0]
    speed = max(-float(vy), 1.0) / (KEPT if vz > 0 else 1.0)
    return float(one.track.time_s[0]) - max(release_plane_y_m(pitch_length_m) - float(y), 0.0) / speed


def in_order(found: Iterable[Found], pitch_length_m: float) -> list[Found]:
    """In the order in which they were bowled."""
    return sorted(found, key=lambda one: start_s(one, pitch_length_m))


def common_sd(deliveries: Sequence[Delivery], rig: Rig) -> dict[str, float]:
    """The share of each measure's doubt that the rig gives to all balls alike, by measure: median over the flights.

    It does not average out over balls, and it is the same for both batter's hands.
    """
    own: dict[str, list[float]] = {}
    for one in deliveries:
        if one.flight is None or rig.exact:
            continue
        sure = replace(
            one.flight, cov=np.zeros_like(one.flight.cov), release_s=one.start_s, release_s_sd=0.0, release_seen=True
        )
        for name, measure in assess(sure, rig).measures.items():
            own.setdefault(name, []).append(measure.sd)
    return {name: float(np.median(sds)) for name, sds in own.items()}


def delivery(one: Found, number: int, clip: int, session: Session) -> Delivery:
    """The record: measures, what is missing and why."""
    left, right = (int((one.track.view == view).sum()) for view in (0, 1))
    if one.flight is None:
        return Delivery(
            number=number,
            clip=clip,
            start_s=start_s(one, session.rig.pitch_length_m),
            status="rejected",
            reason=one.reason,
            kind="",
            release_seen=False,
            measures={},
            stumps_projected=False,
            sightings_left=left,
            sightings_right=right,
            residual_px=np.nan,
            track=one.track,
            flight=None,
        )
    flight = one.flight
    told = assess(flight, session.rig)
    kept_left, kept_right = (int((flight.kept & (one.track.view == view)).sum()) for view in (0, 1))
    missing = {name: why for name, why in told.missing.items() if told.kind == "bounce" or name not in PITCHING}
    return Delivery(
        number=number,
        clip=clip,
        start_s=told.release_s if np.isfinite(told.release_s) else start_s(one, session.rig.pitch_length_m),
        status="partial" if missing else "ok",
        reason="; ".join(f"no {name}: {why}" for name, why in missing.items()),
        kind=told.kind,
        release_seen=flight.release_seen,
        measures=told.measures,
        stumps_projected=told.stumps_projected,
        sightings_left=kept_left,
        sightings_right=kept_right,
        residual_px=float(np.sqrt(np.mean(flight.residual_px[flight.kept] ** 2))),
        track=one.track,
        flight=flight,
    )

"""Invented deliveries for the tests of charts and pages: made-up bowlers, clubs and numbers, nobody's real balls."""

import datetime as dt
import json
from pathlib import Path

import numpy as np
import pandas as pd

from calibration.camera import Camera, Lens
from calibration.lane import MPH_MPS, PITCH_LENGTH_M
from calibration.rig import Rig
from tracker.records import Delivery, Flight, Floats, Measure, Track
from tracker.session.tables import COLUMNS, write_deliveries
from tracker.tracking.points import Path3D


def end_on_rig() -> Rig:
    """Two 1080p cameras high behind the bowler, 60 degrees across, looking down the lane."""

    def camera(x: float) -> Camera:
        centre, target = np.array([x, 22.5, 2.6]), np.array([0.0, 6.0, 0.5])
        ahead = (target - centre) / np.linalg.norm(target - centre)
        right = np.cross(ahead, [0, 0, 1.0])
        right /= np.linalg.norm(right)
        turn = np.vstack([right, np.cross(ahead, right), ahead])
        f = 960 / np.tan(np.radians(30))
        lens = Lens((1920, 1080), np.array([[f, 0, 959.5], [0, f, 539.5], [0, 0, 1]]), np.zeros(5))
        import cv2

        return Camera(lens, cv2.Rodrigues(turn)[0].ravel(), -turn @ centre, 0.0, 0.0, 0.0005)

    return Rig(camera(1.2), camera(-1.2), calibrated=dt.datetime(2026, 11, 12, 9, 30, tzinfo=dt.UTC))


def flight_positions(time_s: Floats, bounce_s: float = 0.46) -> Floats:
    """A simple made-up path (n, 3): constant sideways pull, gravity, a bounce that loses height and turns."""
    t = np.asarray(time_s, float)
    after = np.clip(t - bounce_s, 0, None)
    before = np.minimum(t, bounce_s)
    x = 0.45 - 1.9 * before + 1.6 * before**2 + (-1.9 + 3.2 * bounce_s + 0.8) * after
    y = 18.4 - 33.0 * before - 29.0 * after
    fall = (0.036 - 2.1 + 4.903 * bounce_s**2) / bounce_s
    z = 2.1 + fall * before - 4.903 * before**2 + 4.2 * after - 4.903 * after**2
    return np.column_stack([x, y, z])


def invented_delivery(rng: np.random.Generator, rig: Rig | None = None) -> tuple[Delivery, Path3D]:
    """One measured delivery with its track and sampled path."""
    rig = rig or end_on_rig()
    stamps = [np.arange(0.004, 0.62, 1 / 240), np.arange(0.0055, 0.62, 1 / 240)]
    time_s = np.concatenate(stamps)
    view = np.repeat([0, 1], [len(s) for s in stamps])
    order = np.argsort(time_s)
    time_s, view = time_s[order], view[order]
    n = len(time_s)
    place = flight_positions(time_s)
    px = np.array([rig.cameras[v].project(p[None])[0] for v, p in zip(view, place, strict=True)])
    cov = np.tile(np.eye(2) * 0.2**2, (n, 1, 1))
    track = Track(
        view,
        np.arange(n),
        time_s,
        px + rng.normal(0, 0.2, px.shape),
        cov,
        np.full(n, 12.0),
        np.zeros((n, 2)),
        np.zeros(n),
        np.zeros((n, 2)),
        np.zeros(n),
        np.column_stack([place, np.zeros((n, 3))]),
        np.tile(np.eye(6) * 1e-4, (n, 1, 1)),
        0.46,
        "left view",
        np.zeros((0, 3), np.int64),
    )
    kept = np.arange(n) % 17 != 3
    flight = Flight(
        ("x",), np.zeros(1), np.eye(1), np.zeros((1, 1)), 0.0, 0.46, 0.6, 0.002, 0.001, True, kept,
        np.zeros((n, 2)), 1.0, n, {},
    )  # fmt: skip
    fine = np.unique(np.concatenate([np.arange(0.0, 0.75, 0.002), [0.002, 0.46, 0.6]]))
    sd = np.column_stack([0.001 + 0.002 * fine, 0.004 + 0.002 * fine, 0.001 + 0.001 * fine])
    delivery = Delivery(
        7, 1, 0.002, "ok", "", "bounce", True, _measures(), False, int((kept & (view == 0)).sum()),
        int((kept & (view == 1)).sum()), 0.21, track, flight,
    )  # fmt: skip
    return delivery, Path3D(fine, flight_positions(fine), sd)


def _measures() -> dict[str, Measure]:
    values = {
        "release_speed_mps": (33.21, 0.03, "m/s"),
        "release_x_m": (0.446, 0.001, "m"),
        "release_y_m": (18.334, 0.02, "m"),
        "release_z_m": (2.093, 0.001, "m"),
        "release_azimuth_deg": (-3.29, 0.03, "deg"),
        "release_elevation_deg": (-3.9, 0.02, "deg"),
        "gate_x_m": (0.4, 0.001, "m"),
        "gate_z_m": (2.03, 0.001, "m"),
        "gate_speed_mps": (33.1, 0.03, "m/s"),
        "bounce_x_m": (-0.085, 0.002, "m"),
        "bounce_y_m": (3.22, 0.004, "m"),
        "speed_at_bounce_mps": (33.4, 0.05, "m/s"),
        "speed_off_bounce_mps": (29.3, 0.06, "m/s"),
        "swing_m": (0.339, 0.003, "m"),
        "deviation_deg": (1.02, 0.03, "deg"),
        "deviation_m": (0.09, 0.004, "m"),
        "stumps_x_m": (-0.04, 0.004, "m"),
        "stumps_z_m": (0.45, 0.003, "m"),
    }
    return {name: Measure(*v) for name, v in values.items()}


def invented_table(
    rng: np.random.Generator,
    bowlers: tuple[str, ...] = ("Invented bowler A",),
    balls: int = 48,
    pitch_length_m: float = PITCH_LENGTH_M,
) -> pd.DataFrame:
    """A deliveries.csv of invented balls (docs/files.md), alternating hands, some partial, one rejected a bowler."""
    rows = []
    for bowler in bowlers:
        pace, wide = rng.uniform(31, 35), rng.normal(0.45, 0.05)
        for ball in range(balls):
            hand = "right" if (ball // 2) % 2 == 0 else "left"
            rows.append(_row(rng, len(rows) + 1, bowler, hand, pace, wide, ball, pitch_length_m))
    table = pd.DataFrame(rows)
    partial = rng.choice(len(table), max(len(table) // 16, 1), replace=False)
    table.loc[partial, "status"] = "partial"
    table.loc[partial, "reason"] = "deviation not measurable: hit 0.2 m after the bounce"
    for name in ("deviation_deg", "deviation_m"):
        table.loc[partial, [name, f"{name}_sd"]] = np.nan
    rejected = table.groupby("bowler", sort=False).head(5).groupby("bowler", sort=False).tail(1).index
    numbers = [c for c in table if c.endswith(("_mps", "_m", "_deg", "_sd", "_mph", "_px"))]
    table.loc[rejected, "status"] = "rejected"
    table.loc[rejected, "reason"] = "the right camera lost 40 frames"
    table.loc[rejected, numbers] = np.nan
    return table


def _row(
    rng: np.random.Generator, number: int, bowler: str, hand: str, pace: float, wide: float, ball: int, length: float
) -> dict[str, object]:
    off = 1 if hand == "right" else -1
    speed = rng.normal(pace - (0.9 if hand == "left" else 0.0) - 0.01 * ball, 0.9)
    y, x = rng.normal(5.6, 1.3), off * rng.normal(0.12, 0.14)
    swing, turn = rng.normal(0.12, 0.09), rng.normal(0.1, 0.7)
    values = {
        "release_speed_mps": (speed, 0.05),
        "release_x_m": (rng.normal(wide, 0.06), 0.002),
        "release_y_m": (length - rng.normal(1.7, 0.12), 0.02),
        "release_z_m": (rng.normal(2.08, 0.04), 0.002),
        "release_azimuth_deg": (np.degrees(np.arctan2(x - wide, 13)), 0.03),
        "release_elevation_deg": (rng.normal(-4, 0.8), 0.02),
        "gate_x_m": (rng.normal(wide - 0.03, 0.06), 0.002),
        "gate_z_m": (rng.normal(2.0, 0.04), 0.002),
        "gate_speed_mps": (speed * 0.995, 0.05),
        "bounce_x_m": (x, 0.004),
        "bounce_y_m": (max(y, 1.0), 0.01),
        "speed_at_bounce_mps": (speed * 0.93, 0.06),
        "speed_off_bounce_mps": (speed * 0.82, 0.08),
        "swing_m": (swing, 0.006),
        "deviation_deg": (turn, 0.08),
        "deviation_m": (np.radians(turn) * y, 0.01),
        "stumps_x_m": (x + np.radians(turn) * y - 0.05 * off, 0.01),
        "stumps_z_m": (abs(rng.normal(0.62, 0.2)), 0.008),
    }
    row: dict[str, object] = {
        "session": "Invented net, evening 1", "date": "2026-11-12", "delivery": number, "clip": 1 + ball // 12,
        "start_s": 12.0 * (ball % 12) + 2, "bowler": bowler, "arm": "right", "batter_hand": hand,
        "side": "over" if ball % 5 else "round", "status": "ok", "reason": "", "kind": "bounce",
        "release_seen": bool(ball % 7), "stumps_projected": bool(ball % 3 == 0),
        "sightings_left": 120, "sightings_right": 118, "residual_px": 0.22,
    }  # fmt: skip
    for name, (value, sd) in values.items():
        row[name], row[f"{name}_sd"] = value, sd
    row["release_speed_mph"] = speed / MPH_MPS
    away = off > 0
    row["swing_way"] = "out" if (swing > 0) == away else "in"
    row["deviation_way"] = "out" if (turn > 0) == away else "in"
    row["over_no"], row["spell"], row["style"] = 1 + ball // 6, 1 + ball // 24, "pace"
    return row


def write_invented_out(folder: Path, table: pd.DataFrame, verdicts: tuple[str, ...] = ("pass", "doubtful")) -> Path:
    """A run's folder as far as analysis and reports read it: deliveries.csv, run.json, check.json (docs/files.md)."""
    folder.mkdir(parents=True, exist_ok=True)
    write_deliveries(folder, table[[*COLUMNS, *(c for c in table if c not in COLUMNS)]])
    facts = {
        "format": "lanepair-run",
        "version": 1,
        "written": "2026-11-12T19:00:00+00:00",
        "software": {"lanepair": "0.1.0"},
        "pitch_length_m": PITCH_LENGTH_M,
        "rig_exact": False,
        "warnings": ["clip 2: the right film <lost> 3 frames"],
    }
    names = ("gravity", "height of the bounce", "knock")
    checks = [
        {"name": n, "verdict": v, "value": 0.006, "limit": None, "unit": "m", "advice": "look whether the mat moved"}
        for n, v in zip(names, verdicts, strict=False)
    ]
    (folder / "run.json").write_text(json.dumps(facts), encoding="utf-8")
    (folder / "check.json").write_text(json.dumps(checks), encoding="utf-8")
    return folder

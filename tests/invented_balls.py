"""Invented tables of deliveries for the tests of the numbers: made-up bowlers and sessions, nobody's real balls."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calibration.lane import MPH_MPS
from tracker.analysis.compare import SPEED, Choice, Comparison
from tracker.analysis.study import Study, study
from tracker.analysis.tables import read_runs
from tracker.session.tables import COLUMNS


def balls(
    rng: np.random.Generator,
    n: int = 48,
    bowler: str = "Invented A",
    arm: str = "right",
    mean_mps: float = 34.0,
    sd_mps: float = 1.2,
    left_minus_right_mps: float = 0.0,
    session: str = "Invented nets",
    date: str = "2026-11-12",
    first: int = 1,
    **columns: Any,
) -> pd.DataFrame:
    """One bowler's balls, three to each hand in turn, as deliveries.csv has them; `columns` replace or add some."""
    number = np.arange(n)
    hand = np.where(number // 3 % 2 == 0, "right", "left")
    speed = mean_mps + rng.normal(0, sd_mps, n) + np.where(hand == "left", left_minus_right_mps, 0.0)
    table = pd.DataFrame(
        {
            "session": session,
            "date": date,
            "delivery": number + first,
            "clip": 1,
            "start_s": number * 20.0,
            "bowler": bowler,
            "arm": arm,
            "batter_hand": hand,
            "side": "over",
            "status": "ok",
            "kind": "bounce",
            "release_seen": "true",
            "release_speed_mps": speed,
            "release_speed_mps_sd": 0.05,
            "release_speed_mph": speed / MPH_MPS,
            "release_x_m": 0.5 + rng.normal(0, 0.05, n),
            "release_y_m": 18.5,
            "release_z_m": 2.1 + rng.normal(0, 0.03, n),
            "release_azimuth_deg": -1.5 + rng.normal(0, 0.5, n),
            "release_elevation_deg": -5 + rng.normal(0, 0.7, n),
            "bounce_x_m": 0.1 + rng.normal(0, 0.2, n),
            "bounce_y_m": 5 + rng.normal(0, 0.8, n),
            "swing_m": 0.1 + rng.normal(0, 0.05, n),
            "deviation_deg": rng.normal(0, 1, n),
            "stumps_x_m": rng.normal(0, 0.3, n),
            "stumps_z_m": 0.6 + rng.normal(0, 0.2, n),
            "sightings_left": 60 + rng.integers(-5, 6, n),
            "sightings_right": 60 + rng.integers(-5, 6, n),
            "residual_px": 0.2,
        }
    ).assign(**columns)
    extra = [c for c in table.columns if c not in COLUMNS]
    return table.reindex(columns=[*COLUMNS, *extra])


def write_out(folder: Path, table: pd.DataFrame, **facts: Any) -> Path:
    """An output folder with deliveries.csv, and run.json with these facts."""
    folder.mkdir(parents=True, exist_ok=True)
    table.to_csv(folder / "deliveries.csv", index=False)
    (folder / "run.json").write_text(json.dumps({"format": "lanepair-run", "pitch_length_m": 20.1168, **facts}))
    return folder


def answer(table: pd.DataFrame, tmp_path: Path, measures: tuple[str, ...] = (SPEED,), **kwargs: object) -> Study:
    runs = read_runs([write_out(tmp_path / "out", table)], needed=[SPEED])
    return study(runs, list(measures), Choice(**kwargs), np.random.default_rng(1), shuffles=199)


def one(rows: tuple[Comparison, ...], bowler: str, side: str = "all", measure: str = SPEED) -> Comparison:
    return next(r for r in rows if (r.bowler, r.side, r.measure) == (bowler, side, measure))

"""An invented run of two clips: what `track` would hold in its hands before writing, small and quick to make."""

from dataclasses import replace

import numpy as np

from calibration.rig import Rig
from tests.invented import invented_delivery
from tracker.records import Check, ClipRun, Clock, Delivery, FilmReport, Flight, Run, Sightings, Track

NAMES = ("x0", "y0", "z0", "vx", "vy", "vz")


def invented_run(rng: np.random.Generator, rig: Rig) -> Run:
    """Three deliveries in two clips: measured, partial without a flight's bounce, rejected without a track."""
    whole = numbered(rng, invented_delivery(rng, rig)[0], 1, 1)
    late = numbered(rng, invented_delivery(rng, rig)[0], 2, 1, rows_from=400)
    partial = {n: m for n, m in late.measures.items() if not n.startswith("deviation")}
    late = replace(late, status="partial", reason="deviation: hit 0.2 m after the bounce", measures=partial)
    lost = Delivery(3, 2, np.nan, "rejected", "seen by one camera", "", False, {}, False, 31, 0, np.nan, None, None)
    clips = tuple(invented_clip(rng, number, rows) for number, rows in ((1, 800), (2, 0)))
    return Run(
        name="Invented net session",
        date="2026-11-12",
        clips=clips,
        deliveries=(whole, late, lost),
        checks=(Check("gravity", "pass", 9.79, 0.2, "m/s2", ""), Check("knock", "doubtful", np.nan, 0.3, "px", "é")),
        warnings=("the rig has no covariance and is taken as exact",),
        settings={"vision": {"block_px": 4}, "tracking": {"gate": 9.21, "words": ["a", "b"]}},
        seconds={"tracking": 0.25, "flight": 0.5},
    )


def invented_clip(rng: np.random.Generator, number: int, rows: int) -> ClipRun:
    """A clip with `rows` sightings in each view and ten stamped frames a film."""
    films = tuple(
        FilmReport(f"clip{number}_{view}.mp4", 10, 12, np.arange(10) / 240, "stops early", {"fps": 240.0})
        for view in ("left", "right")
    )
    seen = [invented_sightings(rng, view, rows) for view in (0, 1)]
    clock = Clock(0.0021, 0.0001, 62.0, 3.0, "balls")
    return ClipRun(number, seen[0], seen[1], (films[0], films[1]), clock, ("one frame was dropped",), {"vision": 1.5})


def invented_sightings(rng: np.random.Generator, view: int, rows: int) -> Sightings:
    """Candidates anywhere."""
    cov = np.tile(np.array([[0.04, 0.01], [0.01, 0.09]]), (rows, 1, 1))
    px = rng.uniform(0, 1000, (rows, 2))
    frame, chain = np.arange(rows), np.arange(rows) // 9
    size = np.where(np.arange(rows) % 5 == 0, np.nan, 12.0)
    return Sightings(
        view,
        frame,
        frame / 240,
        px,
        cov,
        size,
        rng.normal(0, 3, (rows, 2)),
        rng.normal(0, 1, rows),
        rng.normal(0, 0.1, (rows, 2)),
        rng.integers(0, 2, rows).astype(float),
        rng.uniform(5, 30, rows),
        chain,
    )


def numbered(rng: np.random.Generator, delivery: Delivery, number: int, clip: int, rows_from: int = 0) -> Delivery:
    """The delivery under another number, its track's rows moved to `rows_from` on, with a six-parameter flight."""
    track, flight = delivery.track, delivery.flight
    assert isinstance(track, Track) and isinstance(flight, Flight)
    row = np.empty(len(track), np.int64)
    for view in (0, 1):
        row[track.view == view] = rows_from + np.arange((track.view == view).sum())
    refused = np.array([[0, rows_from + 300, 1], [1, rows_from + 310, 2]])
    spread = rng.normal(0, 1, (len(track), 6, 6))
    track = replace(track, row=row, refused=refused, state_cov=spread @ spread.transpose(0, 2, 1))
    root = rng.normal(0, 1, (6, 12))
    flight = replace(
        flight,
        names=NAMES,
        params=rng.normal(0, 1, 6),
        cov=root @ root.T,
        rig_cov=np.diag(rng.uniform(0, 1, 6)),
        residual_px=rng.normal(0, 0.2, (len(track), 2)),
        model={"gravity_mps2": 9.81, "ground_z_m": 0.0},
    )
    return replace(delivery, number=number, clip=clip, track=track, flight=flight)

"""How accurate the whole chain is: rendered, compressed films through the pipeline, against two Cramer-Rao limits.

    python -m tests.accuracy                            60 deliveries a rig and rate; an hour or more on two cores
    python -m tests.accuracy --rigs side --fps 120 --deliveries 8 --scene plain

Errors of each quantity over the deliveries, divided by the limit (a) at the covariance that the kept sightings state,
(b) at the least covariance that a disc of the ball's size, blur and contrast allows in the noise that was rendered, of
which the coder leaves a part; both for a side force that may act late with the odds that the fit gives it (mean squares
over them). Coverage is the share of errors within 1.96 of the stated one-sigmas. A delivery not found, or a false one,
is counted. Seeds from 9001 on are kept for this; docs/accuracy.md says which of their films were looked into.
"""

import argparse
import datetime as dt
import platform
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

from calibration.rig import Rig
from tracker.clocks import middle_s
from tracker.flight import physics
from tracker.flight.fit import LATE_ODDS, LATE_SHARES
from tracker.flight.limit import limit
from tracker.flight.model import SIZE
from tracker.pipeline import Options, measure_session
from tracker.records import ClipRun, Delivery, Floats, Run
from tracker.session.folder import Session, read_session
from tracker.settings import Settings
from tracker.simulation.hall import GAMMA
from tracker.simulation.rehearsal import Order, rehearse
from tracker.simulation.rigs import pair
from tracker.simulation.scenes import script
from tracker.vision.looks import EACH_SIDE, MIN_SD
from tracker.vision.video import open_film

QUANTITIES = (
    "release_speed_mps",
    "release_x_m",
    "release_z_m",
    "gate_speed_mps",
    "bounce_x_m",
    "bounce_y_m",
    "speed_off_bounce_mps",
    "swing_m",
    "deviation_deg",
    "stumps_x_m",
    "stumps_z_m",
)
SAME_S = 0.3  # a delivery found within this of a true release is that one
SOFT_PX = 0.7  # sd of the softness of edges in the films
PER_SESSION = 6
NOISE_FRAMES = 13  # in which a pixel's noise is looked at
SETTINGS = Settings().flight


@dataclass(eq=False)
class Tally:
    """Errors, stated sds and both limits by quantity; what was found."""

    rows: dict[str, list[tuple[float, float, float, float]]] = field(default_factory=dict)
    true: int = 0
    found: int = 0
    false: int = 0
    seen: int = 0
    film_s: float = 0.0

    def add(self, run: Run, rig: Rig, truth: pd.DataFrame, noise: tuple[float, float]) -> None:
        """Compare one session with its truth; `noise` as `noise_shares` tells it."""
        left = list(run.deliveries)
        for _, row in truth.iterrows():
            self.true += 1
            near = [d for d in left if abs(d.start_s - row["start_s"]) < SAME_S]
            if not near:
                continue
            left.remove(near[0])
            self.found += 1
            self.seen += near[0].release_seen
            self._compare(near[0], run.clips[near[0].clip - 1], rig, row, noise)
        self.false += len(left)

    def _compare(self, one: Delivery, clip: ClipRun, rig: Rig, row: pd.Series, noise: tuple[float, float]) -> None:
        stated, rendered = limits(one, clip, rig, noise)
        for name in QUANTITIES:
            if name in one.measures and np.isfinite(row.get(name, np.nan)):
                measure = one.measures[name]
                values = (measure.value - row[name], measure.sd, stated[name], rendered[name])
                self.rows.setdefault(name, []).append(values)

    def lines(self, label: str) -> list[str]:
        """A table, one line a quantity."""
        out = [f"{label}: {self.found} of {self.true} found, {self.false} false, release seen {self.seen}"]
        head = ("quantity", "n", "rmse", "bias", "stated sd", "/limit (a)", "/limit (b)", "95 % covers")
        out.append("| " + " | ".join(head) + " |\n|" + " --- |" * len(head))
        for name, rows in self.rows.items():
            error, sd, stated, rendered = np.array(rows).T
            rmse = np.sqrt(np.mean(error**2))
            cells = [f"{rmse:.4f}", f"{error.mean():+.4f}", f"{np.sqrt(np.mean(sd**2)):.4f}"]
            cells += [f"{np.sqrt(np.mean((error / bound) ** 2)):.2f}" for bound in (stated, rendered)]
            cells.append(f"{100 * np.mean(np.abs(error) < 1.96 * sd):.0f} %")
            out.append(f"| {name} | {len(error)} | " + " | ".join(cells) + " |")
        return out


def limits(
    one: Delivery, clip: ClipRun, rig: Rig, noise: tuple[float, float]
) -> tuple[dict[str, float], dict[str, float]]:
    """The Cramer-Rao limits (a) and (b) of one delivery, at its fitted flight; `noise` as `noise_shares` tells it."""
    track, flight = one.track, one.flight
    assert track is not None and flight is not None
    kept = flight.kept
    model = np.array([flight.model[name] for name in physics.MODEL_NAMES])
    score = np.array(
        [(clip.left, clip.right)[v].score[r] * noise[v] for v, r in zip(track.view, track.row, strict=True)]
    )
    least = np.array(
        [least_cov_px2(*x) for x in zip(track.size_px[kept], track.streak_px[kept], score[kept], strict=True)]
    )
    seen = {"release_s": flight.release_s, "release_sd_s": flight.release_s_sd} if flight.release_seen else {}
    sightings, clock_sd_s = (track.view[kept], track.time_s[kept]), clip.clock.sd_at(middle_s(flight))
    pushes = {name: getattr(track, name)[kept] for name in ("lean_px", "trail_px", "aside")}

    def bound(cov: Floats, late_sd: float) -> dict[str, float]:
        return limit(
            flight.params[:SIZE], model, *sightings, cov, rig, SETTINGS, offset_sd_s=clock_sd_s, late_sd=late_sd,
            **seen, **pushes,
        )  # fmt: skip

    out = []
    for cov in (track.cov_px2[kept], least):
        each = [bound(cov, share * SETTINGS.late_sd) for share in LATE_SHARES]
        out.append({q: float(np.sqrt(np.average([one[q] ** 2 for one in each], weights=LATE_ODDS))) for q in each[0]})
    return out[0], out[1]


def noise_shares(session: Session, scenes: Sequence[str]) -> tuple[float, float]:
    """By view, what looks take for a film's noise over the noise that was rendered before coding.

    A coder takes most of a sensor's noise out of what does not move. Noise is that of shot and read-out
    (`simulation.render.Look`) through the tone curve, at the brightness of each pixel.
    """
    look, clip, shares = script(scenes).look, session.clips[0], []
    for path, fps in ((clip.left, clip.left_fps), (clip.right, clip.right_fps)):
        frames = islice(open_film(path, fps), 30, 30 + NOISE_FRAMES)
        seen = np.array([frame.luma.astype(np.float32) for frame in frames])
        light = np.clip((np.median(seen, axis=0) - 16) / 219, 0.02, 1.0) ** GAMMA
        slope = 219 / GAMMA * light ** (1 / GAMMA - 1)
        rendered = slope * np.sqrt(light * look.full_well_e + look.read_e**2) / look.full_well_e
        left = np.maximum(seen.std(axis=0, ddof=1), MIN_SD) * np.sqrt(1 + 1.1 / EACH_SIDE)
        shares.append(float(np.median(left / rendered)))
    return shares[0], shares[1]


def least_cov_px2(size_px: float, streak_px: Floats, contrast: float) -> Floats:
    """Cramer-Rao covariance (2, 2) of the middle of a smeared disc in white noise.

    `contrast` is the disc's height over the noise of a pixel. Information = contrast^2 sum (grad I)(grad I)^T.
    """
    reach = int(np.ceil(size_px / 2 + np.linalg.norm(streak_px) / 2 + 4))
    fine = 4
    axis = (np.arange((2 * reach + 1) * fine) + 0.5) / fine - reach - 0.5
    u, v = np.meshgrid(axis, axis)
    picture = np.zeros_like(u)
    steps = np.linspace(-0.5, 0.5, max(1, int(np.ceil(np.linalg.norm(streak_px) * 2))) + 1)
    for share in steps:
        picture += np.hypot(u - share * streak_px[0], v - share * streak_px[1]) <= size_px / 2
    picture = cv2.GaussianBlur(picture / len(steps), (0, 0), SOFT_PX * fine)
    slopes = [np.gradient(picture, 1 / fine, axis=k) for k in (1, 0)]
    pixels = [s.reshape(2 * reach + 1, fine, 2 * reach + 1, fine).mean(axis=(1, 3)).ravel() for s in slopes]
    information = contrast**2 * np.array([[a @ b for b in pixels] for a in pixels])
    return np.linalg.inv(information)


def rehearsed(folder: Path, rig: Rig, scenes: Sequence[str], fps: float, deliveries: int, seed: int) -> None:
    """Film one session."""
    rehearse(folder, rig, script(scenes), Order(fps, deliveries, seed), lambda stage, done, total: None)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rigs", default="end_on,side,crossing")
    parser.add_argument("--fps", default="120,240")
    parser.add_argument("--rows", type=int, default=1080)
    parser.add_argument("--deliveries", type=int, default=60)
    parser.add_argument("--scene", default="plain")
    parser.add_argument("--seed", type=int, default=9001)
    parser.add_argument("--keep", type=Path, help="folder for the films, which are used again where they are there")
    args = parser.parse_args()
    print(f"seeds from {args.seed}; {dt.date.today()}; {platform.machine()}, {platform.python_version()}", flush=True)
    for name in args.rigs.split(","):
        for fps in map(float, args.fps.split(",")):
            tally, started, seed = Tally(), time.perf_counter(), args.seed
            while tally.true < args.deliveries:
                with tempfile.TemporaryDirectory() as place:
                    kept = args.keep or Path(place)
                    folder = kept / f"{name}_{args.rows}_{fps:g}_{args.scene.replace(',', '_')}_{seed}"
                    count = min(PER_SESSION, args.deliveries - tally.true)
                    if not folder.exists():
                        rehearsed(folder, pair(name, rows=args.rows), args.scene.split(","), fps, count, seed)
                    session = read_session(folder)
                    run = measure_session(session, Settings(), Options(), lambda stage, done, total: None)
                    truth = pd.read_csv(folder / "truth" / "deliveries.csv")
                    noise = noise_shares(session, args.scene.split(","))
                tally.add(run, session.rig, truth, noise)
                seed += 1
                so_far = f"{tally.found}/{tally.true} after {time.perf_counter() - started:.0f} s"
                print(f"  {name} {fps:g}/s: {so_far}", flush=True)
            print("\n".join(tally.lines(f"{name}, {args.rows} rows, {fps:g} frames/s, {args.scene}")), flush=True)


if __name__ == "__main__":
    main()

"""A whole rehearsal on disk: session.toml, log.csv, rig.toml, two films and the truth beside them.

Everything but `truth/` is what a club would have; a run must never look into `truth/`.
"""

import csv
import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calibration.camera import Camera
from calibration.rig import VIEWS, Rig, write_rig
from tracker.simulation.films import H264, Film, Pictures
from tracker.simulation.hall import plate
from tracker.simulation.render import View
from tracker.simulation.rigdoubt import doubted
from tracker.simulation.scenes import FilmFault, Script
from tracker.simulation.screens import bar
from tracker.simulation.sightings import Clock, film_clock, show
from tracker.simulation.staging import Staged, stage
from tracker.simulation.truth import QUANTITIES

Progress = Callable[[str, int, int], None]
REFERENCE_RATE = 120 * 1920 * 1080  # pixels a second to which Script.bit_rate_mbps refers


@dataclass(frozen=True)
class Order:
    """What to film: frame rate, deliveries, seed, words for session.toml, rays a pixel's side, encoder's preset."""

    fps: float = 120.0
    deliveries: int = 6
    seed: int = 1
    name: str = "Rehearsal (invented)"
    date: dt.date = dt.date(2026, 11, 12)
    supersampling: int = 2
    preset: str = "superfast"


def rehearse(folder: Path, rig: Rig, script: Script, order: Order, on_progress: Progress) -> Staged:
    """Stage the script, film it with the true rig and write the session folder."""
    rng = np.random.default_rng(order.seed)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "truth").mkdir(exist_ok=True)
    rig = filmed_with(rig, script)
    staged = stage(script, order.deliveries, rng, pitch_length_m=rig.pitch_length_m)
    stated = doubted(rig, rng) if script.rig_doubt else rig
    write_rig(folder / "rig.toml", told(stated, script))
    write_rig(folder / "truth" / "rig.toml", rig)
    write_log(folder / "log.csv", staged.log)
    clocks = [
        film_clock_of(camera, fault, order.fps, staged.lasting_s, rng)
        for camera, fault in zip(rig.cameras, (script.left, script.right), strict=True)
    ]
    write_session(folder / "session.toml", script, order)
    write_truth(folder / "truth" / "deliveries.csv", staged)
    for view, camera, clock in zip(VIEWS, rig.cameras, clocks, strict=True):
        film_view(folder, view, camera, clock, staged, script, order, rng, on_progress)
    return staged


def film_clock_of(camera: Camera, fault: FilmFault, fps: float, until_s: float, rng: np.random.Generator) -> Clock:
    """A film's clock: it starts as the fault says, and its frames are late by the camera's own offset."""
    start_s = fault.start_s + (camera.time_offset_s or 0.0)
    return film_clock(
        fps * fault.fps_share, until_s - max(start_s, 0.0), rng, start_s=start_s, drift_ppm=fault.drift_ppm,
        jitter_s=fault.jitter_s, drop=fault.drop, stamped=fault.stamped,
    )  # fmt: skip


def filmed_with(rig: Rig, script: Script) -> Rig:
    """The rig with the script's exposure and read-out, where it has its own."""
    cameras = [
        replace(
            c,
            exposure_s=c.exposure_s if script.exposure_s is None else script.exposure_s,
            row_time_s=c.row_time_s if script.readout_s is None else script.readout_s[i] / c.lens.image_size_px[1],
        )
        for i, c in enumerate(rig.cameras)
    ]
    return replace(rig, left=cameras[0], right=cameras[1])


def told(rig: Rig, script: Script) -> Rig:
    """The rig as its file states it: the clocks' offset is absent where nobody knows it."""
    if script.offsets_known:
        return rig
    drop = [i for i, name in enumerate(rig.names) if not name.endswith("time_offset_s")]
    names = tuple(rig.names[i] for i in drop)
    left, right = (replace(c, time_offset_s=None) for c in rig.cameras)
    return replace(rig, left=left, right=right, names=names, cov=rig.cov[np.ix_(drop, drop)] if names else rig.cov)


def film_view(
    folder: Path,
    view: str,
    camera: Camera,
    clock: Clock,
    staged: Staged,
    script: Script,
    order: Order,
    rng: np.random.Generator,
    on_progress: Progress,
) -> None:
    """Render one view's film and its truth."""
    bars = [bar(camera, staged.flown, a, b) for who, a, b in script.hidden if who in (view, "both") and staged.flown]
    action = replace(staged.action, figures=(*staged.action.figures, *bars))
    painter = View(camera, plate(camera, script.hall, order.supersampling), script.hall, action, script.look, rng)
    film = _film(folder, view, camera, script, order)
    visible = np.zeros((len(clock.true_s), len(staged.action.balls)), bool)
    for k, start_s in enumerate(clock.true_s):
        picture = painter.picture(float(start_s))
        film.write(picture, float(clock.stated_s[k]), int(clock.number[k]))
        visible[k] = picture.visible
        if k % 20 == 0 or k + 1 == len(clock.true_s):
            on_progress(f"filming the {view} view", k + 1, len(clock.true_s))
    film.close()
    write_view_truth(folder / "truth" / f"{view}.csv", staged, camera, clock, visible)


def film_name(view: str, script: Script) -> str:
    """The film's name in the session folder."""
    return f"clip01_{view}" if script.container in ("png", "jpg") else f"clip01_{view}.{script.container}"


def _film(folder: Path, view: str, camera: Camera, script: Script, order: Order) -> Film:
    path = folder / film_name(view, script)
    if script.container in ("png", "jpg"):
        return Pictures(path, "." + script.container)
    width, height = camera.lens.image_size_px
    fps = order.fps * _fault(view, script).fps_share
    rate = script.bit_rate_mbps * 1e6 * width * height * fps / REFERENCE_RATE
    return H264(path, (width, height), fps, rate, script.gop_s, preset=order.preset)


def _fault(view: str, script: Script) -> FilmFault:
    return script.left if view == "left" else script.right


def write_session(path: Path, script: Script, order: Order) -> None:
    """session.toml."""
    lines = [
        f'name = "{order.name}"',
        f"date = {order.date.isoformat()}",
        'rig = "rig.toml"',
        'log = "log.csv"',
        "",
        "[[clips]]",
        *(f'{view} = "{film_name(view, script)}"' for view in VIEWS),
    ]
    if script.container in ("png", "jpg"):
        lines += [f"{view}_fps = {order.fps * _fault(view, script).fps_share!r}" for view in VIEWS]
    if script.session_offsets and (script.left.start_s or script.right.start_s):
        lines += [f"{view}_offset_s = {_fault(view, script).start_s!r}" for view in VIEWS]
    lines += ["", "[ball]", f'colour = "{script.colour_word}"', ""]
    path.write_text("\n".join(lines), encoding="utf-8")


def write_log(path: Path, rows: Sequence[dict[str, str]]) -> None:
    """log.csv."""
    columns = list(rows[0]) if rows else ["delivery", "bowler", "arm", "batter_hand", "side"]
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, columns, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def write_truth(path: Path, staged: Staged) -> None:
    """truth/deliveries.csv: what every quantity truly is; NaN is an empty cell."""
    columns = ["delivery", "clip", "start_s", "kind", "bounce_s", "end_s", *QUANTITIES, "hit"]
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        for number, one in enumerate(staged.flown, start=1):
            times = (one.throw.release_s, one.kind, one.bounce_s, one.end_s)
            hit = "true" if one.path.first("bat") is not None else "false"
            cells = [number, 1, *times, *(one.truth[q] for q in QUANTITIES), hit]
            writer.writerow([_cell(c) for c in cells])


def _cell(value: object) -> str:
    if isinstance(value, float):
        return "" if np.isnan(value) else f"{value:.9g}"
    return str(value)


def write_view_truth(
    path: Path, staged: Staged, camera: Camera, clock: Clock, visible: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
) -> None:
    """truth/left.csv or right.csv: where each ball truly is in each frame (delivery 0: a ball nobody bowled).

    Time is true mid-exposure of the ball's row on the clip's clock, position the average over the exposure.
    """
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["frame", "time_s", "delivery", "u_px", "v_px", "size_px", "visible"])
        rows = []
        for i, ball in enumerate(staged.action.balls):
            shown = show(ball.path, camera, clock, ball.radius_m)
            for frame, mid, (u, v), size in zip(shown.frame, shown.mid_s, shown.centre_px, shown.size_px, strict=True):
                seen = "true" if visible[frame, i] else "false"
                rows.append((int(frame), ball.number, f"{mid:.9f}", f"{u:.4f}", f"{v:.4f}", f"{size:.3f}", seen))
        for frame, number, mid_s, u_px, v_px, size_px, seen in sorted(rows):
            writer.writerow([frame, mid_s, number, u_px, v_px, size_px, seen])

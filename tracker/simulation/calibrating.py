"""A calibration folder rehearsed: board pictures, pictures of the empty lane, clicked marks (docs/files.md)."""

import csv
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np

from calibration.marks import PAINTED, mark_names, named_mark
from calibration.rig import VIEWS, Rig
from tracker.records import Floats
from tracker.simulation import optics, paint
from tracker.simulation.boards import Print, empty_view, instants, photograph
from tracker.simulation.hall import Floats32, Hall
from tracker.simulation.render import Look, View

LAID_M = tuple((x, y) for x in (-1.2, 1.2) for y in (3.0, 6.0, 9.0, 12.0, 15.0))  # discs laid on the lane
DISC_SD_M = 0.035
MARK_COLUMNS = (
    "camera",
    "mark",
    "u_px",
    "v_px",
    "x_m",
    "y_m",
    "z_m",
    "sd_px",
    "sd_x_m",
    "sd_y_m",
    "sd_z_m",
    "approximate",
)
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Survey:
    """How it is filmed and clicked: boards seen by both and by each alone, sds, whether the Laws' marks are rough."""

    board: Print = field(default_factory=Print)
    pairs: int = 14
    singles: int = 10
    click_sd_px: float = 0.4
    survey_sd_m: float = 0.002
    rough: bool = False
    rough_sd_px: float = 2.5


def rehearse_calibration(
    folder: Path, rig: Rig, hall: Hall, look: Look, survey: Survey, rng: np.random.Generator, on_progress: Progress
) -> None:
    """Write the folder: calibration.toml, marks.csv, boards and lane pictures."""
    folder.mkdir(parents=True, exist_ok=True)
    shots = instants(rig, survey.board, rng, survey.pairs, survey.singles)
    pattern = survey.board.pattern()
    laid = laid_marks(rig, survey, rng)
    (folder / "calibration.toml").write_text(_toml(rig, survey), encoding="utf-8")
    _write_marks(folder / "marks.csv", rig, survey, laid, rng)
    for view, camera in enumerate(rig.cameras):
        name = VIEWS[view]
        hall_view = empty_view(camera, hall, look, rng)
        _save(folder / f"lane_{name}.png", hall_view.still(lambda luma, v=hall_view: _discs(v, laid, luma)))  # type: ignore[misc]
        (folder / f"{name}_board").mkdir(exist_ok=True)
        for k, (held, *shown) in enumerate(shots):
            if shown[view]:
                _save(
                    folder / f"{name}_board" / f"board{k:03d}.png", photograph(hall_view, survey.board, held, pattern)
                )
            on_progress(f"photographing the board, {name}", k + 1, len(shots))


def _save(path: Path, picture: np.ndarray[tuple[int, ...], np.dtype[np.uint8]]) -> None:
    cv2.imwrite(str(path), picture)


def laid_marks(rig: Rig, survey: Survey, rng: np.random.Generator) -> Floats:
    """Where the discs truly lie (10, 3): off their stated places by the survey's doubt."""
    stated = np.array([(x, min(y, rig.pitch_length_m - 2.0), 0.0) for x, y in LAID_M])
    return np.asarray(stated + rng.normal(0.0, survey.survey_sd_m, stated.shape) * np.array([1.0, 1.0, 0.0]))


def _discs(view: View, places_m: Floats, luma: Floats32) -> None:
    height, width = luma.shape
    for x, y, _ in places_m:
        ring = np.array([[x + a, y + b, 0.0] for a in (-0.1, 0.1) for b in (-0.1, 0.1)])
        px = optics.project(view.camera, ring)
        if np.isfinite(px).all() and (px.max(axis=0) > 0).all() and (px.min(axis=0) < [width, height]).all():
            c0, r0 = np.clip(np.floor(px.min(axis=0)).astype(int), 0, [width, height])
            c1, r1 = np.clip(np.ceil(px.max(axis=0)).astype(int) + 1, 0, [width, height])
            turn, centre = optics.turn(view.camera), optics.centre_m(view.camera)
            box = (int(r0), int(r1), int(c0), int(c1))
            paint.shadow(view.plate.xy, turn, centre, (x, y), DISC_SD_M, -3.0, box, view.plate.depth_m, luma)


def _toml(rig: Rig, survey: Survey) -> str:
    board = survey.board
    lines = ["[board]", f'kind = "{board.kind}"', f"columns = {board.columns}", f"rows = {board.rows}"]
    lines.append(f"square_m = {board.square_m!r}")
    if board.kind == "charuco":
        lines += [f"marker_m = {board.marker_m!r}", f'dictionary = "{board.dictionary}"']
    lines += ["", "[images]", 'left = "left_board"', 'right = "right_board"', "", "[marks]", 'file = "marks.csv"']
    lines += ["", "[lane_pictures]", 'left = "lane_left.png"', 'right = "lane_right.png"', ""]
    for name, camera in zip(VIEWS, rig.cameras, strict=True):
        lines += [f"[{name}]", f"row_time_s = {camera.row_time_s!r}", f"exposure_s = {camera.exposure_s!r}"]
        lines += [] if camera.time_offset_s is None else [f"time_offset_s = {camera.time_offset_s!r}"]
        lines.append("")
    return "\n".join(lines)


def _write_marks(path: Path, rig: Rig, survey: Survey, laid: Floats, rng: np.random.Generator) -> None:
    """marks.csv: crease corners and stump tops by name, the discs with their own coordinates."""
    names = [n for n in mark_names() if n[2:].startswith(PAINTED) or n.endswith(("stump_off_top", "stump_leg_top"))]
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(MARK_COLUMNS)
        for view, camera in zip(VIEWS, rig.cameras, strict=True):
            sd = survey.rough_sd_px if survey.rough else survey.click_sd_px
            for name in names:
                at, _ = named_mark(name, rig.pitch_length_m)
                px = optics.project(camera, at[None])[0]
                if _inside(camera.lens.image_size_px, px):
                    u, v = px + rng.normal(0.0, sd, 2)
                    rough = "true" if survey.rough else ""
                    writer.writerow([view, name, f"{u:.2f}", f"{v:.2f}", "", "", "", f"{sd:g}", "", "", "", rough])
            for k, (place, (x, y)) in enumerate(zip(laid, LAID_M, strict=True), start=1):
                px = optics.project(camera, place[None])[0]
                if _inside(camera.lens.image_size_px, px):
                    u, v = px + rng.normal(0.0, survey.click_sd_px, 2)
                    doubt = [
                        f"{survey.click_sd_px:g}",
                        f"{survey.survey_sd_m:g}",
                        f"{survey.survey_sd_m:g}",
                        "0.001",
                        "",
                    ]
                    y = min(y, rig.pitch_length_m - 2.0)
                    writer.writerow([view, f"disc_{k:02d}", f"{u:.2f}", f"{v:.2f}", f"{x:g}", f"{y:g}", "0", *doubt])


def _inside(size_px: tuple[int, int], px: Floats) -> bool:
    return bool(np.isfinite(px).all() and (px > 12).all() and (px < np.array(size_px) - 12).all())

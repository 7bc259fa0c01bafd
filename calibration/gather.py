"""A calibration folder and known lenses brought together into one job, with the checks that need both."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from calibration.camera import LENSES, Camera, Floats, Lens
from calibration.errors import InputError
from calibration.exchange import Exchanged, other_size
from calibration.folder import Filmed, Folder, Size, read_gray
from calibration.lane import PITCH_LENGTH_M
from calibration.place import Job
from calibration.refine import Refined, Scene, refine_marks
from calibration.rig import VIEWS, Rig

AGAIN_SD_PX = 2.0  # how far a mark may be from where the placed cameras expect it


def make_job(
    folder: Folder,
    filmed: Filmed | None,
    kept: Exchanged | None,
    kept_path: Path | None,
    pitch_length_m: float = PITCH_LENGTH_M,
) -> Job:
    """The job; `kept` lenses, read from `kept_path`, stay as they are.

    Raises InputError where picture sizes differ, a mark lies outside its picture, or a camera has no lens.
    """
    file = folder.path / "calibration.toml"
    lenses: list[Lens | None] = list(kept.lenses) if kept is not None else [None, None]
    sizes = [_size(folder, filmed, lenses[i], kept_path, i) for i in range(2)]
    for i, who in enumerate(VIEWS):
        if lenses[i] is None and not (filmed and any(v.view == i for v in filmed.views)):
            raise InputError(
                kept_path or file,
                f"the {who} camera has neither a known lens nor pictures of the board",
                f"film the board into {who}_board, or name a lens file with both cameras",
            )
    _inside(folder, sizes)
    names, cov = _doubt(kept.rig) if kept is not None and kept.rig is not None else ((), np.zeros((0, 0)))
    return Job(
        (sizes[0], sizes[1]),
        folder.marks,
        folder.stated,
        filmed.views if filmed else (),
        (lenses[0], lenses[1]),
        names,
        cov,
        bool(filmed and filmed.board.turnable),
        pitch_length_m,
    )


def _size(folder: Folder, filmed: Filmed | None, lens: Lens | None, lens_path: Path | None, view: int) -> Size:
    """The size of one camera's pictures, which all its files must share."""
    lane_file = folder.lane[view]
    lane_size: Size | None = None
    if lane_file is not None:
        height, width = read_gray(lane_file).shape
        lane_size = (width, height)
    board_size = filmed.sizes_px[view] if filmed else None
    if lane_file is not None and board_size not in (None, lane_size):
        raise InputError(
            lane_file,
            f"is {_times(lane_size)}, the {VIEWS[view]} pictures of the board are {_times(board_size)}",
            "film board and lane in the same video mode as the balls",
        )
    told = board_size or lane_size
    if lens is not None:
        if told is not None and told != lens.image_size_px:
            raise InputError(lens_path or folder.path, *other_size(lens.image_size_px, told))
        return lens.image_size_px
    return told or (0, 0)


def _times(size: Size | None) -> str:
    return "x".join(map(str, size or ()))


def _inside(folder: Folder, sizes: list[Size]) -> None:
    marks = folder.marks
    for view, mark, (u, v) in zip(marks.view, marks.mark, marks.px, strict=True):
        width, height = sizes[view]
        if width and not (-0.5 <= u <= width - 0.5 and -0.5 <= v <= height - 0.5):
            raise InputError(
                folder.marks_path or folder.path,
                f"{marks.names[mark]} at ({u:g}, {v:g}) lies outside the {VIEWS[view]} picture of {width}x{height}",
                "give the pixels of the full-size picture, from the top left",
            )


def _doubt(rig: Rig) -> tuple[tuple[str, ...], Floats]:
    """What an old rig knows of its lenses' doubt."""
    own = {"fx", "fy", "cx", "cy", *LENSES[12]}
    at = [i for i, name in enumerate(rig.names) if name.split(".", 1)[1] in own]
    return tuple(rig.names[i] for i in at), rig.cov[np.ix_(at, at)]


class Sharpen:
    """Looks for the rough clicks of a folder in its lane pictures; `fates` tells what became of each.

    The first time the clicks are where to look; afterwards it is where the better placed cameras expect the marks.
    """

    def __init__(self, folder: Folder, scene: Scene) -> None:
        self.folder, self.scene = folder, scene
        self.pictures = [read_gray(file) if file is not None else None for file in folder.lane]
        self.fates: list[Refined] = []

    def __call__(self, cameras: Sequence[Camera], job: Job) -> Job:
        """The job with the marks that were found; the others keep their clicks."""
        marks, rough = self.folder.marks, self.folder.rough
        if self.fates:
            px, cov = marks.px.copy(), marks.cov_px2.copy()
            for row in np.flatnonzero(rough):
                expected = cameras[marks.view[row]].project(marks.point_m[marks.mark[row]][None])[0]
                if np.isfinite(expected).all():
                    px[row], cov[row] = expected, np.eye(2) * AGAIN_SD_PX**2
            marks = replace(marks, px=px, cov_px2=cov)
        marks, fates = refine_marks(marks, rough, cameras, self.pictures, self.scene)
        clicks = self.folder.marks
        found = {(f.view, f.mark) for f in fates if not f.problem}
        is_found = np.array([(v, clicks.names[m]) in found for v, m in zip(clicks.view, clicks.mark, strict=True)])
        self.fates = [
            replace(f, clicked_px=clicks.px[row]) for f, row in zip(fates, np.flatnonzero(rough), strict=True)
        ]
        px = np.where(is_found[:, None], marks.px, clicks.px)
        cov = np.where(is_found[:, None, None], marks.cov_px2, clicks.cov_px2)
        return replace(job, marks=replace(clicks, px=px, cov_px2=cov), stated=self.folder.stated | is_found)

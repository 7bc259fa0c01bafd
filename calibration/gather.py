"""A calibration folder and known lenses brought together into one job, with the checks that need both."""

from pathlib import Path

import numpy as np

from calibration.camera import LENSES, Floats, Lens
from calibration.errors import InputError
from calibration.exchange import Exchanged, other_size
from calibration.folder import Filmed, Folder, Size, read_gray
from calibration.lane import PITCH_LENGTH_M
from calibration.place import Job
from calibration.rig import VIEWS, Rig


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

"""A proposed rig as a drawing: the cameras, what they look at, and which part of a ball's flight each would see."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from calibration.camera import Camera
from calibration.rig import Rig
from tracker.records import Bools, Floats
from tracker.report.charts_lane import lane_from_above, lane_from_side
from tracker.report.charts_style import BLUE, FAINT, INK, LINE, ORANGE, new_figure, quiet_axis, styled, write_figure

_CAMERAS = (("left camera", BLUE, "o", 11.0), ("right camera", ORANGE, "D", 6.0))  # both show where they meet
_FAR_M = 40.0
ALONG = 0.7  # share of a camera's axis along the lane above which it looks along it
Box = tuple[tuple[float, float], tuple[float, float], float]  # hall: (x from, to), (y from, to), height


def plan_picture(rig: Rig, path_m: Floats, file: Path, heading: str, hall: Box | None = None) -> None:
    """Write the drawing as PNG or SVG: `path_m` (n, 3) is a standard ball's flight, release to stumps."""
    with styled():
        write_figure(plan_figure(rig, path_m, heading, hall), file, dpi=140)


def plan_figure(rig: Rig, path_m: Floats, heading: str, hall: Box | None = None) -> Figure:
    """The drawing as a figure: from above and from the side, to scale, bowler at the left."""
    limits = _limits(rig, hall)
    across, up, along = limits[0][1] - limits[0][0], limits[2][1] - limits[2][0], limits[1][1] - limits[1][0]
    figure = new_figure(9.0, 1.7 + 8.2 * (across + up) / along)
    figure.suptitle(heading, x=0.01, ha="left", fontsize=11, fontweight="bold")
    above, side = figure.subplots(2, 1, height_ratios=[across, up])
    seen = [np.asarray(camera.sees(path_m)) for camera in rig.cameras]
    lane_from_above(above, rig.pitch_length_m, along_x=True, junior=rig.junior_stumps)
    lane_from_side(side, rig.pitch_length_m, rig.junior_stumps)
    for ax, axis in ((above, 0), (side, 2)):
        for view, camera in enumerate(rig.cameras):
            _camera(ax, camera, axis, view)
        _flight(ax, path_m, axis, seen)
        if hall is not None:
            _walls(ax, hall, axis)
        ax.set_aspect("equal")
        ax.set_xlim(limits[1][1], limits[1][0])
        ax.set_ylim(*limits[axis])
        quiet_axis(ax)
    above.set(title="From above (+x is a right-hander's off side)", ylabel="x, m")
    side.set(title="From the side", ylabel="height, m", xlabel="distance from the striker's stumps, m")
    handles, labels = above.get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=3)
    return figure


def _limits(rig: Rig, hall: Box | None) -> list[tuple[float, float]]:
    """Ranges of x, y and z that hold cameras, lane and hall."""
    places = [*(camera.centre_m for camera in rig.cameras), np.array([2.0, -1.5, 3.0])]
    places += [np.array([-2.0, rig.pitch_length_m + 1.5, 0.0])]
    if hall is not None:
        places += [np.array([hall[0][0], hall[1][0], 0.0]), np.array([hall[0][1], hall[1][1], hall[2]])]
    low, high = np.min(places, axis=0) - 0.7, np.max(places, axis=0) + 0.7
    low[2] = -0.4
    return [(float(a), float(b)) for a, b in zip(low, high, strict=True)]


def _camera(ax: Axes, camera: Camera, axis: int, view: int) -> None:
    """A camera and the wedge of its field through the middle of the picture.

    From the side the wedge says something only of a camera that looks along the lane.
    """
    name, colour, marker, size = _CAMERAS[view]
    width, height = camera.lens.image_size_px
    middle = (height - 1) / 2 if axis == 0 else (width - 1) / 2
    ends = [(0.0, middle), (width - 1.0, middle)] if axis == 0 else [(middle, 0.0), (middle, height - 1.0)]
    edge = camera.centre_m + _FAR_M * camera.ray(np.array(ends))
    corners = np.vstack([camera.centre_m, edge])[:, [1, axis]]
    if axis == 0 or abs(camera.R[2, 1]) > ALONG:
        ax.fill(*corners.T, facecolor=colour, alpha=0.08, edgecolor=colour, linewidth=0.8, zorder=1)
    face = "none" if view == 0 else colour
    ax.plot(
        camera.centre_m[1], camera.centre_m[axis], marker, color=colour, markerfacecolor=face, markersize=size,
        linewidth=0, markeredgewidth=1.6, zorder=6, label=f"{name}, and its field",
    )  # fmt: skip


def _flight(ax: Axes, path_m: Floats, axis: int, seen: Sequence[Bools]) -> None:
    """The flight, by who sees it."""
    left, right = seen
    kinds = (
        ("flight seen by both", left & right, INK, "-", 2.4),
        ("seen by the left only", left & ~right, BLUE, "--", 2.0),
        ("seen by the right only", ~left & right, ORANGE, "-.", 2.0),
        ("seen by neither", ~left & ~right, FAINT, ":", 1.6),
    )
    for name, rows, colour, line, width in kinds:
        if not rows.any():
            continue
        y, other = (np.where(rows, path_m[:, i], np.nan) for i in (1, axis))
        ax.plot(y, other, line, color=colour, linewidth=width, zorder=5, label=name)


def _walls(ax: Axes, hall: Box, axis: int) -> None:
    """The hall's inside."""
    (x0, x1), (y0, y1), height = hall
    low, high = (x0, x1) if axis == 0 else (0.0, height)
    ax.plot([y0, y1, y1, y0, y0], [low, low, high, high, low], color=LINE, linewidth=1.6, zorder=2, label="the hall")

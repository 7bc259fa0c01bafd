"""The lane as a drawing: creases, stumps and edges, from above, from the side and from the end.

True dimensions of calibration.lane. From above and from the end the viewer stands behind the bowler, so a
right-handed batter's off side (+x) lies to the left.
"""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from calibration.lane import (
    PITCH_HALF_WIDTH_M,
    POPPING_CREASE_M,
    RETURN_CREASE_X_M,
    wicket_m,
)
from tracker.report.charts_style import FAINT, GROUND, INK, LINE


def stump_x_m(junior: bool) -> tuple[float, float, float]:
    """Where the stumps' middles stand."""
    width, _, thick = wicket_m(junior)
    return -(width - thick) / 2, 0.0, (width - thick) / 2


def lane_from_above(ax: Axes, pitch_length_m: float, along_x: bool, junior: bool = False) -> None:
    """Pitch, creases and stumps; `along_x`: the lane's length runs along the picture's x axis."""

    def stroke(x: tuple[float, float], y: tuple[float, float], colour: str = FAINT, width: float = 0.8) -> None:
        first, second = (y, x) if along_x else (x, y)
        ax.plot(first, second, color=colour, linewidth=width, solid_capstyle="butt", zorder=1)

    corner, width, height = (0.0, -PITCH_HALF_WIDTH_M), pitch_length_m, 2 * PITCH_HALF_WIDTH_M
    if not along_x:
        corner, width, height = corner[::-1], height, width
    ax.add_patch(Rectangle(corner, width, height, facecolor=GROUND, edgecolor="none", zorder=0))
    for end, inward in ((0.0, 1), (pitch_length_m, -1)):
        popping = end + inward * POPPING_CREASE_M
        stroke((-RETURN_CREASE_X_M, RETURN_CREASE_X_M), (end, end))
        stroke((-1.83, 1.83), (popping, popping))
        for x in (-RETURN_CREASE_X_M, RETURN_CREASE_X_M):
            stroke((x, x), (end - inward * 1.2, popping))
        for x in stump_x_m(junior):
            place = (end, x) if along_x else (x, end)
            ax.plot(*place, marker="o", markersize=2.2, color=INK, markeredgewidth=0, zorder=3)


def lane_from_side(ax: Axes, pitch_length_m: float, junior: bool = False) -> None:
    """Ground, stumps at both ends and the popping creases."""
    _, high, thick = wicket_m(junior)
    ax.axhspan(-1, 0, facecolor=GROUND, edgecolor="none", zorder=0)
    ax.axhline(0, color=FAINT, linewidth=0.8, zorder=1)
    for end, inward in ((0.0, 1), (pitch_length_m, -1)):
        stump = Rectangle((end - thick, 0), 2 * thick, high)
        stump.set(facecolor=INK, edgecolor="none", zorder=1)
        ax.add_patch(stump)
        popping = end + inward * POPPING_CREASE_M
        ax.plot([popping, popping], [0, -0.08], color=FAINT, linewidth=1.4, zorder=2)


def stumps_from_end(ax: Axes, junior: bool = False) -> None:
    """The striker's stumps and bails as the bowler sees them, and the ground."""
    _, high, thick = wicket_m(junior)
    across = stump_x_m(junior)
    ax.axhspan(-1, 0, facecolor=GROUND, edgecolor="none", zorder=0)
    ax.axhline(0, color=FAINT, linewidth=0.8, zorder=1)
    for x in across:
        stump = Rectangle((x - thick / 2, 0), thick, high)
        stump.set(facecolor="#d9d3c4", edgecolor=LINE, linewidth=0.6, zorder=1)
        ax.add_patch(stump)
    ax.plot([across[0], across[2]], np.full(2, high + 0.008), color=FAINT, linewidth=1.4, zorder=1)

"""Charts of a calibration: where the cameras stand and what they see, what the board covered, marks on the lane."""

from collections.abc import Sequence
from io import BytesIO

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from calibration import lane
from calibration.adjust import view_block
from calibration.board import Gray
from calibration.camera import Camera, Floats
from calibration.rig import VIEWS, Rig
from calibration.solve import Solution
from calibration.verdict import CELLS, Coverage
from tracker.report.charts_style import (
    BLUE,
    FAINT,
    INK,
    LINE,
    ORANGE,
    VERMILLION,
    new_figure,
    quiet_axis,
    settle,
    styled,
)

COLOURS = (BLUE, VERMILLION)
REACH_M = 30.0  # how far a field of view is drawn
ARROW = 100.0  # residuals are drawn this much larger than they are


def plan_and_side(rig: Rig, marks_m: Floats) -> Figure:
    """The lane from above and from the side, the cameras with their fields of view, and the marks used."""
    with styled():
        figure = new_figure(7.2, 4.4)
        above, aside = figure.subplots(2, 1, height_ratios=(1.3, 1))
        length = rig.pitch_length_m
        above.add_patch(Rectangle((0, -lane.PITCH_HALF_WIDTH_M), length, 2 * lane.PITCH_HALF_WIDTH_M, color="#efe6d4"))
        for y in (0.0, length):
            above.plot([y, y], [-lane.RETURN_CREASE_X_M, lane.RETURN_CREASE_X_M], color=LINE, lw=0.8)
            aside.plot([y, y], [0, lane.wicket_m(rig.junior_stumps)[1]], color=INK, lw=1.5)
        aside.axhline(0, color=LINE, lw=0.8)
        for view, camera in enumerate(rig.cameras):
            _wedge(above, camera, view, flat=0)
            _wedge(aside, camera, view, flat=2)
        for ax, axis in ((above, 0), (aside, 2)):
            ax.plot(marks_m[:, 1], marks_m[:, axis], "+", color=FAINT, ms=5, lw=0, label="marks")
            ax.set_aspect("equal")
            quiet_axis(ax)
            where = np.array([[c.centre_m[1], c.centre_m[axis]] for c in rig.cameras])
            ax.set_xlim(min(-2.5, where[:, 0].min() - 1), max(length + 2.5, where[:, 0].max() + 1))
            low, high = where[:, 1].min() - 0.7, where[:, 1].max() + 0.7
            ax.set_ylim(*((min(-2.2, low), max(2.2, high)) if axis == 0 else (-0.4, max(3.0, high))))
        above.set_ylabel("x m (off side up)")
        aside.set_ylabel("height m")
        aside.set_xlabel("y m from the striker's stumps")
        figure.legend(*above.get_legend_handles_labels(), loc="outside upper center", ncols=3)
    return figure


def _wedge(ax: Axes, camera: Camera, view: int, flat: int) -> None:
    """A camera and the edges of its picture, along y and another axis, as far as the ground or REACH_M."""
    width, height = camera.lens.image_size_px
    edges = np.array(
        [[0, height / 2], [width - 1, height / 2]] if flat == 0 else [[width / 2, 0], [width / 2, height - 1]]
    )
    ray, centre = camera.ray(edges), camera.centre_m
    with np.errstate(divide="ignore"):
        ground = np.where(ray[:, 2] < 0, -centre[2] / ray[:, 2], np.inf)
    far = centre + np.minimum(ground, REACH_M)[:, None] * ray
    outline = np.vstack([centre, far])
    ax.fill(outline[:, 1], outline[:, flat], color=COLOURS[view], alpha=0.12, lw=0)
    ax.plot(
        centre[1], centre[flat], "o", color=COLOURS[view], ms=5, label=f"{VIEWS[view]} camera" if flat == 0 else None
    )


def covered(solution: Solution, coverage: Coverage) -> Figure:
    """How many corners fell in each part of the picture, and how far they were off on average there."""
    view = coverage.view
    width, height = solution.job.sizes_px[view]
    with styled():
        figure = new_figure(3.5, 2.5)
        ax = figure.subplots()
        shown = np.where(coverage.counts > 0, coverage.counts, np.nan)
        picture = ax.imshow(shown, extent=(0, width, height, 0), cmap="Blues", vmin=0, aspect="equal", alpha=0.8)
        figure.colorbar(picture, ax=ax, label="corners", shrink=0.8)
        px, miss = residuals(solution, view)
        column = np.clip((px[:, 0] / width * CELLS[0]).astype(int), 0, CELLS[0] - 1)
        row = np.clip((px[:, 1] / height * CELLS[1]).astype(int), 0, CELLS[1] - 1)
        for cell in np.unique(row * CELLS[0] + column):
            inside = row * CELLS[0] + column == cell
            if inside.sum() >= 5:
                at, mean = px[inside].mean(axis=0), miss[inside].mean(axis=0) * ARROW
                ax.annotate("", at + mean, at, arrowprops={"arrowstyle": "->", "color": VERMILLION, "lw": 0.9})
        ax.set_xlim(0, width)
        ax.set_ylim(height, 0)
        ax.set_title(f"{VIEWS[view]}: {coverage.pictures} pictures\nmean misses drawn {ARROW:.0f} times too long")
    return figure


def png(figure: Figure, dpi: int = 130) -> bytes:
    """A figure as PNG."""
    out = BytesIO()
    with styled():
        settle(figure)
        figure.savefig(out, format="png", dpi=dpi)
    return out.getvalue()


def residuals(solution: Solution, view: int) -> tuple[Floats, Floats]:
    """Corners (n, 2) of one camera and how far each is from where the adjustment puts it (n, 2), pixels."""
    state = solution.adjusted.state
    mine = [v for v in solution.adjusted.observed.views if v.view == view]
    if not mine:
        return np.zeros((0, 2)), np.zeros((0, 2))
    miss = [view_block(state, v, 1.0).residual.reshape(-1, 2) for v in mine]
    return np.vstack([v.px for v in mine]), np.vstack(miss)


def marks_on_picture(
    picture: Gray, names: Sequence[str], found_px: Floats, model_px: Floats, clicked_px: Floats
) -> Figure:
    """The lane picture with each mark: clicked, as used, and where the adjusted rig puts it."""
    height, width = picture.shape
    with styled():
        figure = new_figure(7.2, 7.2 * height / width + 0.3)
        ax = figure.subplots()
        ax.imshow(picture, cmap="gray", vmin=0, vmax=255)
        ax.plot(*clicked_px.T, "x", color=ORANGE, ms=5, mew=0.8, label="clicked")
        ax.plot(*found_px.T, "+", color=BLUE, ms=8, mew=0.9, label="used")
        ax.plot(*model_px.T, "o", mfc="none", color=VERMILLION, ms=7, mew=0.8, label="adjusted")
        for name, (u, v) in zip(names, found_px, strict=True):
            ax.annotate(name, (u, v), (4, 4), textcoords="offset points", fontsize=4.5, color="white")
        ax.set_xlim(-0.5, width - 0.5)
        ax.set_ylim(height - 0.5, -0.5)
        ax.axis("off")
        figure.legend(loc="outside lower center", ncols=3)
    return figure

"""How every chart looks: paper, ink, colours that colour-blind readers tell apart, shapes that repeat what colour says.

Colours are Okabe & Ito's set (Color Universal Design, 2008, from memory), its purple darkened to show on
white. Text is never parsed as mathematics, so a "$" in a name is a "$". Figures are made without pyplot, so nothing is
shared between charts.
"""

import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from io import StringIO
from pathlib import Path
from typing import Literal

import matplotlib as mpl
import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_hex, to_rgb
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.lines import Line2D
from numpy.typing import ArrayLike

from calibration.lane import MPH_MPS
from tracker.records import Bools, Floats

PAPER, INK, FAINT, LINE, GROUND = "#ffffff", "#1c2733", "#55616d", "#9aa5b1", "#f3efe6"
BLUE, VERMILLION, GREEN, PURPLE, ORANGE = "#0072b2", "#d55e00", "#009e73", "#a94f82", "#e69f00"

HANDS: dict[str, tuple[str, str, str]] = {  # batter's hand: (words, colour, marker)
    "right": ("right-hander", BLUE, "o"),
    "left": ("left-hander", VERMILLION, "^"),
    "": ("no batter", FAINT, "s"),
}

_RC = {
    "text.parse_math": False,
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 8.0,
    "text.color": INK,
    "axes.labelcolor": INK,
    "axes.labelsize": 8.0,
    "axes.titlesize": 8.5,
    "axes.titlelocation": "left",
    "axes.edgecolor": LINE,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "axes.unicode_minus": True,
    "xtick.color": FAINT,
    "ytick.color": FAINT,
    "xtick.labelsize": 7.5,
    "ytick.labelsize": 7.5,
    "legend.fontsize": 7.5,
    "legend.frameon": False,
    "lines.linewidth": 1.2,
    "grid.color": "#e3e7eb",
    "grid.linewidth": 0.6,
    "figure.facecolor": PAPER,
    "savefig.facecolor": PAPER,
    "svg.fonttype": "path",
    "svg.hashsalt": "lanepair",
}


@contextmanager
def styled() -> Iterator[None]:
    """The look, for the time a chart is made or written."""
    with mpl.rc_context(_RC), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")  # a name in a rare script: boxes
        yield


def new_figure(width_in: float, height_in: float, by_itself: bool = True) -> Figure:
    """An empty figure that lays itself out; not `by_itself` where axes are put in their places: quicker."""
    engine = ConstrainedLayoutEngine(w_pad=0.06, h_pad=0.05) if by_itself else None
    figure = Figure(figsize=(width_in, height_in), layout=engine)
    FigureCanvasAgg(figure)
    return figure


def settle(figure: Figure) -> None:
    """Lay a figure out: ticks depend on the size of the axes and the size on the ticks, so more than once."""
    if figure.get_layout_engine() is not None:
        for _ in range(2):
            figure.draw_without_rendering()


def write_figure(figure: Figure, file: Path, dpi: int = 160) -> None:
    """Write a figure as PNG or SVG, by the file's suffix."""
    kind = file.suffix.lower().lstrip(".")
    with styled():
        settle(figure)
        figure.savefig(file, format=kind, dpi=dpi, metadata={"Date": None} if kind == "svg" else None)


def svg_text(figure: Figure) -> str:
    """A figure as SVG text; the same figure gives the same text."""
    out = StringIO()
    with styled():
        settle(figure)
        figure.savefig(out, format="svg", metadata={"Date": None})
    return out.getvalue()


def quiet_axis(ax: Axes, grid: Literal["both", "x", "y"] = "both") -> None:
    """A faint grid and no tick marks."""
    ax.grid(True, axis=grid)
    ax.tick_params(length=0)


def mph_axis(ax: Axes, upright: bool) -> None:
    """A second axis in miles an hour, on the right of an upright speed axis or on top of a level one."""
    if upright:
        ax.secondary_yaxis("right", functions=(_to_mph, _from_mph)).set_ylabel("mph")
    else:
        ax.secondary_xaxis("top", functions=(_to_mph, _from_mph)).set_xlabel("mph")


def _to_mph(speed_mps: ArrayLike) -> ArrayLike:
    return np.asarray(speed_mps, float) / MPH_MPS


def _from_mph(speed_mph: ArrayLike) -> ArrayLike:
    return np.asarray(speed_mph, float) * MPH_MPS


def pale(colour: str, share: float = 0.35) -> str:
    """A colour thinned with white: what was carried on rather than seen."""
    return str(to_hex(share * np.array(to_rgb(colour)) + (1 - share)))


def scatter_hand(
    ax: Axes, hand: str, place: tuple[Floats, Floats], sd: tuple[Floats, Floats], doubtful: Bools, carried: Bools
) -> None:
    """Balls to one hand: shape and colour by hand; pale where not seen but carried on; hollow where doubtful.

    place, sd : two arrays (n,) each, in the axes' units; bars of two sd are drawn where they would show
    """
    _, colour, marker = HANDS[hand]
    face = np.where(doubtful, PAPER, np.where(carried, pale(colour), colour))
    bars = [np.nan_to_num(2 * s) for s in sd]
    ax.errorbar(*place, bars[1], bars[0], fmt="none", ecolor=colour, elinewidth=0.7, alpha=0.6, zorder=3)
    ax.scatter(*place, s=20, marker=marker, c=face, edgecolors=colour, linewidths=0.9, zorder=4)


def legend_of_hands(
    figure: Figure, hands: list[str], doubtful: bool, carried: str = "", more: Sequence[tuple[Artist, str]] = ()
) -> None:
    """A legend below the chart: the hands that occur, what pale and hollow mean where they occur, and more."""
    marks = [Line2D([], [], marker=HANDS[h][2], color=HANDS[h][1], linewidth=0, markersize=4.5) for h in hands]
    words = [HANDS[h][0] for h in hands]
    if carried:
        marks.append(Line2D([], [], marker="o", color=FAINT, markerfacecolor=pale(FAINT), linewidth=0, markersize=4.5))
        words.append(carried)
    if doubtful:
        marks.append(Line2D([], [], marker="o", color=FAINT, markerfacecolor=PAPER, linewidth=0, markersize=4.5))
        words.append("doubtful")
    handles: list[Artist] = [*marks, *(artist for artist, _ in more)]
    words += [name for _, name in more]
    columns = 2 if len(words) in (2, 4) or sum(map(len, words)) > 36 else 3
    figure.legend(handles, words, loc="outside lower center", ncols=columns, columnspacing=1.2, handletextpad=0.4)

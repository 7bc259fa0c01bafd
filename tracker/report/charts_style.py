"""How every chart looks: paper, ink, colours that colour-blind readers tell apart, shapes that repeat what colour says.

Colours are Okabe & Ito's set (Color Universal Design, 2008, from memory), darkened for text. Text is never parsed as
mathematics, so a "$" in a name is a "$". Figures are made without pyplot, so nothing is shared between charts.
"""

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from io import StringIO
from pathlib import Path
from typing import Literal

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine

PAPER, INK, FAINT, LINE, GROUND = "#ffffff", "#1c2733", "#55616d", "#9aa5b1", "#f3efe6"
BLUE, VERMILLION, GREEN, PURPLE, ORANGE = "#0072b2", "#d55e00", "#009e73", "#cc79a7", "#e69f00"

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


def new_figure(width_in: float, height_in: float) -> Figure:
    """An empty figure that lays itself out."""
    figure = Figure(figsize=(width_in, height_in), layout=ConstrainedLayoutEngine(w_pad=0.06, h_pad=0.05))
    FigureCanvasAgg(figure)
    return figure


def write_figure(figure: Figure, file: Path, dpi: int = 160) -> None:
    """Write a figure as PNG or SVG, by the file's suffix."""
    kind = file.suffix.lower().lstrip(".")
    with styled():
        figure.savefig(file, format=kind, dpi=dpi, metadata={"Date": None} if kind == "svg" else None)


def svg_text(figure: Figure) -> str:
    """A figure as SVG text; the same figure gives the same text."""
    out = StringIO()
    with styled():
        figure.savefig(out, format="svg", metadata={"Date": None})
    return out.getvalue()


def quiet_axis(ax: Axes, grid: Literal["both", "x", "y"] = "both") -> None:
    """A faint grid and no tick marks."""
    ax.grid(True, axis=grid)
    ax.tick_params(length=0)

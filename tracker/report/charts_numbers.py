"""The charts of `lanepair compare` and `lanepair agree`: differences with intervals, two instruments on one page."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

from tracker.analysis.agreement import Agreement
from tracker.report.charts_style import (
    BLUE,
    FAINT,
    INK,
    VERMILLION,
    mph_axis,
    new_figure,
    quiet_axis,
    styled,
    write_figure,
)
from tracker.report.spell import Gap

MOST_ROWS = 40  # a page's height


def differences(
    rows: Sequence[tuple[str, Sequence[Gap]]],
    margin_mps: float,
    axis: str,
    title: str = "Difference in speed at release",
) -> list[Figure]:
    """Each bowler's difference in speed: raw (filled) and adjusted (hollow) with 95 % intervals, zero and the margin.

    Parameters
    ----------
    rows : (label, gaps)
        One label a bowler; the first gap is raw, the second, if any, adjusted.
    margin_mps : float
        The grey band that counts as no difference.
    axis : str
        What the axis says, such as "left- minus right-handers, m/s".
    title : str
        Over the chart.

    Returns
    -------
    figures
        One a page, of `MOST_ROWS` rows at most and all of one scale; where there are several, each says which it is.
    """
    ends = [end for _, gaps in rows for gap in gaps[:2] for end in (gap.low, gap.high)]
    reach = max(2 * margin_mps, 1.1 * max(map(abs, ends), default=0.0))
    pages = [rows[i : i + MOST_ROWS] for i in range(0, len(rows), MOST_ROWS)]
    heads = [f"{title} (page {i} of {len(pages)})" if len(pages) > 1 else title for i in range(1, len(pages) + 1)]
    return [_page(page, margin_mps, reach, axis, head) for page, head in zip(pages, heads, strict=True)]


def _page(
    shown: Sequence[tuple[str, Sequence[Gap]]], margin_mps: float, reach_mps: float, axis: str, title: str
) -> Figure:
    with styled():
        figure = new_figure(5.2, 1.5 + 0.34 * len(shown))
        ax = figure.add_subplot()
        ax.axvspan(-margin_mps, margin_mps, color="#e8ebee", linewidth=0, zorder=0)
        ax.axvline(0, color=FAINT, linewidth=0.8, zorder=1)
        for level, (_, gaps) in enumerate(shown):
            for i, gap in enumerate(gaps[:2]):
                place, colour = level + 0.24 * i, BLUE if i == 0 else VERMILLION
                ax.plot([gap.low, gap.high], [place] * 2, color=colour, linewidth=1.6, solid_capstyle="butt", zorder=3)
                face = colour if i == 0 else "white"
                ax.plot(
                    gap.value, place, "o" if i == 0 else "D", color=colour, markersize=5, markerfacecolor=face, zorder=4
                )
        ax.set(xlim=(-reach_mps, reach_mps), ylim=(len(shown) - 0.4, -0.5), yticks=range(len(shown)), xlabel=axis)
        ax.set_yticklabels([label for label, _ in shown])
        mph_axis(ax, upright=False)
        quiet_axis(ax, "x")
        figure.suptitle(
            f"{title}\nfilled: raw, hollow: adjusted; bars: 95 % intervals; grey: counts as none", fontsize=8.5
        )
    return figure


def instruments(found: Agreement, axis: str = "mean of the two, m/s") -> Figure:
    """Ours minus the reference against the mean of the two, with bias, limits of agreement and their intervals."""
    gap, mean = found.ours_mps - found.reference_mps, (found.ours_mps + found.reference_mps) / 2
    limits = found.limits
    with styled():
        figure = new_figure(5.2, 3.6)
        ax = figure.add_subplot()
        ax.scatter(mean, gap, s=16, color=BLUE, edgecolors="white", linewidths=0.4)
        bands = (
            (limits.bias, limits.bias_ci, "-"),
            (limits.low, limits.low_ci, "--"),
            (limits.high, limits.high_ci, "--"),
        )
        for value, (low, high), dash in bands:
            ax.axhspan(low, high, color=VERMILLION, alpha=0.12, linewidth=0)
            ax.axhline(value, color=INK, linewidth=1.0, linestyle=dash)
        ax.axhline(0, color=FAINT, linewidth=0.6, linestyle=":")
        reach = 1.15 * float(np.max(np.abs([*gap, *limits.low_ci, *limits.high_ci])))
        ax.set(xlabel=axis, ylabel="ours minus theirs, m/s", ylim=(-reach, reach))
        mph_axis(ax, upright=True)
        quiet_axis(ax, "y")
        words = f"{limits.n} balls measured by both. Solid: mean difference; dashed: limits that hold 95 % of them"
        figure.suptitle(f"{words};\nbands: 95 % intervals of these lines", fontsize=8.0)
    return figure


def write_chart(figure: Figure, folder: Path, name: str) -> None:
    """Write a chart as PNG and SVG."""
    folder.mkdir(parents=True, exist_ok=True)
    for kind in ("png", "svg"):
        write_figure(figure, folder / f"{name}.{kind}", dpi=200)


def write_pages(figures: Sequence[Figure], folder: Path, name: str) -> None:
    """Write the pages of a chart: name.png, name_2.png ..., and SVG; further pages of before are removed."""
    for number, figure in enumerate(figures, start=1):
        write_chart(figure, folder, name if number == 1 else f"{name}_{number}")
    number = len(figures) + 1
    while (folder / f"{name}_{number}.png").exists():
        for kind in ("png", "svg"):
            (folder / f"{name}_{number}.{kind}").unlink(missing_ok=True)
        number += 1

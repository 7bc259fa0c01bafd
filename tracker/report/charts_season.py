"""A season as a picture: each session's mean with its interval, the line through them, a dated change."""

import datetime as dt
from collections.abc import Sequence

import matplotlib.dates as mdates
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from tracker.analysis.measures import kind_of
from tracker.analysis.statistics import Sample, mean_interval
from tracker.analysis.winter import MONTH_DAYS, Trend
from tracker.report.charts_style import BLUE, FAINT, INK, VERMILLION, mph_axis, new_figure, quiet_axis, styled
from tracker.report.words import shortened

WORDS = (
    "dots: means of sessions, bars: their 95 % intervals; line: trend, whole where beyond chance (Holm), else dashed"
)

FEW_DAYS = 4  # a shorter season is drawn as long as this


def season(means: pd.DataFrame, trends: Sequence[Trend], title: str, change: str = "", called: str = "") -> Figure:
    """One bowler's sessions, a panel a measure.

    Parameters
    ----------
    means : DataFrame
        `winter.session_means` of one bowler and arm.
    trends : Trends
        Of the same bowler and arm: which measures to draw.
    title : str
        Who it is.
    change, called : str, optional
        A day (ISO) to mark, and what changed.
    """
    with styled():
        figure = new_figure(7.2, 0.9 + 1.75 * ((len(trends) + 1) // 2))
        axes = figure.subplots((len(trends) + 1) // 2, 2, squeeze=False).ravel()
        for ax, trend in zip(axes, trends, strict=False):
            _panel(ax, means, trend)
            if change:
                ax.axvline(_day(change), color=INK, linewidth=0.9, linestyle=":", zorder=1)
        for ax in axes[len(trends) :]:
            ax.set_axis_off()
        marked = f"\ndotted: {shortened(called or 'the change', 60)}, {change}" if change else ""
        figure.suptitle(f"{title}\n{WORDS}{marked}", fontsize=8.0)
    return figure


def _panel(ax: Axes, means: pd.DataFrame, trend: Trend) -> None:
    """One measure: session means, intervals, the trend's line through their middle."""
    kind, name = kind_of(trend.measure), trend.measure
    known = means[means[f"{name}:count"] > 0]
    days = np.array([_day(str(d)) for d in known["date"]])
    value = known[f"{name}:mean"].to_numpy(float)
    columns = (known[f"{name}:{word}"] for word in ("count", "mean", "std"))
    spans = np.array([mean_interval(Sample(int(n), m, s)) for n, m, s in zip(*columns, strict=True)]).reshape(-1, 2)
    ax.vlines(days, spans[:, 0], spans[:, 1], color=BLUE, linewidth=0.8, alpha=0.6)
    ax.plot(days, value, "o", color=BLUE, markersize=3.5)
    if np.isfinite(trend.slope):
        ends = np.array([days.min(), days.max()])
        line = value.mean() + trend.slope / MONTH_DAYS * (ends - days.mean())
        shown = trend.p_adjusted < 0.05
        ax.plot(
            ends, line, color=VERMILLION if shown else FAINT, linewidth=1.4, linestyle="-" if shown else "--", zorder=4
        )
    ax.set_title(kind.label)
    ax.set_ylabel(kind.unit)
    if len(days) and np.ptp(days) < FEW_DAYS:  # so that the axis counts days and not hours
        ax.set_xlim(days.mean() - FEW_DAYS / 2 - 0.5, days.mean() + FEW_DAYS / 2 + 0.5)
    locator = mdates.AutoDateLocator(minticks=2, maxticks=5)
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(mdates.ConciseDateFormatter(locator, show_offset=False))
    if kind.unit == "m/s":
        mph_axis(ax, upright=True)
    quiet_axis(ax, "y")


def _day(text: str) -> float:
    """A day as matplotlib counts them."""
    return float(mdates.date2num(dt.date.fromisoformat(text)))

"""One delivery as a picture: from the side, from above, how the sightings lie about the fitted path, and its numbers.

The flight runs from left (bowler) to right (batter). The three lower strips are the picture's honesty: each
sighting, triangulated at its own instant, less the fitted path there, with the path's 95 % band; at the scale of the
lane the band would be thinner than the line.
"""

import textwrap
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from calibration.rig import Rig
from tracker.records import Bools, Delivery, Flight, Floats, Track
from tracker.report.charts_lane import lane_from_above, lane_from_side
from tracker.report.charts_style import (
    BLUE,
    FAINT,
    GREEN,
    INK,
    ORANGE,
    VERMILLION,
    new_figure,
    quiet_axis,
    styled,
    write_figure,
)
from tracker.report.path import on_one_clock, picture_times, sampled_path, shade_m
from tracker.report.words import QUANTITIES, mph, plus_minus
from tracker.tracking.points import Path3D, sighted_points

GAP_S = 0.06  # without a sighting, after which the path is drawn as carried on
_VIEWS = (
    ("left camera", BLUE, "o", 4.6, "none"),
    ("right camera", ORANGE, "D", 2.4, ORANGE),
)  # both show where they meet


def delivery_picture(delivery: Delivery, rig: Rig, file: Path, heading: str = "", path: Path3D | None = None) -> None:
    """Write one delivery's picture as PNG or SVG.

    Parameters
    ----------
    delivery : a measured or rejected delivery; a rejected one shows what was seen of it
    rig : the calibrated pair that saw it
    file : the picture to write
    heading : put before the delivery's number (session, bowler)
    path : its flight, sampled; None: sampled here
    """
    with styled():
        write_figure(delivery_figure(delivery, rig, heading, path), file, dpi=120)


def delivery_figure(delivery: Delivery, rig: Rig, heading: str = "", path: Path3D | None = None) -> Figure:
    """The picture as a figure."""
    figure = new_figure(10.5, 7.6, by_itself=False)
    sides = {"left": 0.062, "right": 0.985}
    grid = figure.add_gridspec(2, 1, top=0.925, bottom=0.45, hspace=0.16, **sides)
    side, above = figure.add_subplot(grid[0]), figure.add_subplot(grid[1])
    grid = figure.add_gridspec(3, 2, top=0.365, bottom=0.062, hspace=0.14, wspace=0.05, width_ratios=[2.0, 1], **sides)
    strips = [figure.add_subplot(grid[i, 0]) for i in range(3)]
    figure.suptitle(_title(delivery, heading), x=0.01, ha="left", fontsize=11, fontweight="bold")
    length = rig.pitch_length_m
    lane_from_side(side, length, rig.junior_stumps)
    lane_from_above(above, length, along_x=True, junior=rig.junior_stumps)
    if delivery.flight is not None and delivery.track is not None:
        path = path or sampled_path(delivery.flight, picture_times(delivery))
        track = on_one_clock(delivery.track, delivery.flight)
        point, sd = sighted_points(track, delivery.flight.kept, rig, path)
        point = point - [0.0, 0.0, shade_m(delivery.flight)]
        _draw_flight(side, delivery, delivery.flight, path, track, point, 2)
        _draw_flight(above, delivery, delivery.flight, path, track, point, 0)
        _draw_strips(strips, path, track, point, sd)
    elif delivery.track is not None:
        for ax, axis in ((side, 2), (above, 0)):
            ax.plot(delivery.track.state[:, 1], delivery.track.state[:, axis], ".", color=FAINT, label="filter")
    _frame_views(side, above, strips, length)
    _numbers(figure.add_subplot(grid[:, 1]), delivery)
    return figure


def _title(delivery: Delivery, heading: str) -> str:
    words = {"bounce": "", "full_toss": ", full toss", "": ""}[delivery.kind]
    state = "" if delivery.status == "ok" else f"  [{delivery.status}]"
    return f"{heading + ' · ' if heading else ''}delivery {delivery.number}{words}{state}"


def _draw_flight(
    ax: Axes, delivery: Delivery, flight: Flight, path: Path3D, track: Track, point: Floats, axis: int
) -> None:
    """The path (whole where it was seen, dashed where carried on), its band, sightings, release, bounce and stumps."""
    y, across, sd = path.position_m[:, 1], path.position_m[:, axis], path.sd_m[:, axis]
    shown = y > -1.2
    known_s = [delivery.start_s] if delivery.release_seen else []
    seen = shown & _seen(path.time_s, np.append(track.time_s[flight.kept], known_s))
    ax.fill_between(y[shown], (across - 2 * sd)[shown], (across + 2 * sd)[shown], color=INK, alpha=0.25, linewidth=0)
    ax.plot(y[shown], across[shown], color=INK, linewidth=0.9, linestyle=(0, (4, 3)), zorder=4, label="carried on")
    ax.plot(y, np.where(seen, across, np.nan), color=INK, linewidth=1.3, zorder=4, label="fitted flight")
    for i, (name, colour, marker, size, face) in enumerate(_VIEWS):
        mine = (track.view == i) & np.isfinite(point[:, 1])
        ax.plot(
            point[mine, 1], point[mine, axis], marker, markersize=size, color=colour, markerfacecolor=face,
            markeredgewidth=0.8, linewidth=0, zorder=5, label=f"seen, {name}",
        )  # fmt: skip
    _mark_events(ax, delivery, flight, path, axis)


def _seen(time_s: Floats, sighted_s: Floats) -> Bools:
    """Which times of a path (n,) lie between sightings, or a release that was seen and one, that follow each other."""
    sighted_s = np.sort(sighted_s)
    after = np.clip(np.searchsorted(sighted_s, time_s), 1, len(sighted_s) - 1)
    within = (time_s >= sighted_s[0]) & (time_s <= sighted_s[-1])
    seen: Bools = within & (sighted_s[after] - sighted_s[after - 1] < GAP_S)
    return seen


def _mark_events(ax: Axes, delivery: Delivery, flight: Flight, path: Path3D, axis: int) -> None:
    """Release, bounce and the stumps' plane, each with shape, colour and words."""
    release = "release" if delivery.release_seen else "release (not seen)"
    events = [(delivery.start_s, "s", GREEN, release, delivery.release_seen)]
    if np.isfinite(flight.bounce_s):
        events.append((flight.bounce_s, "v", VERMILLION, "bounce", True))
    reach = np.flatnonzero(np.diff(np.sign(path.position_m[:, 1])) < 0)
    if len(reach):
        words = "stumps (carried on)" if delivery.stumps_projected else "stumps"
        events.append((float(path.time_s[reach[0]]), "X", INK, words, not delivery.stumps_projected))
    for time_s, marker, colour, words, full in events:
        place = path.at(np.array([time_s]))[0]
        face = colour if full else "white"
        ax.plot(
            place[1], place[axis], marker, markersize=8, color=colour, markerfacecolor=face,
            linewidth=0, zorder=6, label=words,
        )  # fmt: skip


def _draw_strips(strips: Sequence[Axes], path: Path3D, track: Track, point: Floats, sd: Floats) -> None:
    """Sightings less the fitted path, millimetres: across, up and along the lane."""
    off_mm = 1000 * (point - path.at(track.time_s))
    order = np.flatnonzero(path.position_m[:, 1] > -0.5)
    for ax, axis in zip(strips, (0, 2, 1), strict=True):
        band = 2000 * path.sd_m[order, axis]
        ax.fill_between(path.position_m[order, 1], -band, band, color=INK, alpha=0.18, linewidth=0)
        for i, (_, colour, marker, size, face) in enumerate(_VIEWS):
            mine = (track.view == i) & np.isfinite(off_mm[:, 0])
            ax.errorbar(
                point[mine, 1], off_mm[mine, axis], 2000 * sd[mine, axis], fmt=marker, markersize=size,
                color=colour, markerfacecolor=face, markeredgewidth=0.8, elinewidth=0.5, alpha=0.85,
            )  # fmt: skip
        found = np.abs(off_mm[np.isfinite(off_mm[:, axis]), axis])
        reach = float(np.quantile(found, 0.98)) if len(found) else 1.0
        near = path.position_m[order, 1] > 0
        ax.set_ylim(*(np.array([-1, 1]) * 1.6 * max(reach, float(np.median(band[near])) if near.any() else 1.0, 1.0)))


def _frame_views(side: Axes, above: Axes, strips: Sequence[Axes], length_m: float) -> None:
    for ax in (side, above, *strips):
        ax.set_xlim(length_m + 1.3, -1.3)
        quiet_axis(ax)
    side.set_ylim(-0.15, 3.0)
    side.set(title="From the side", ylabel="height, m")
    above.set_ylim(-1.9, 1.9)
    above.set(title="From above (+x is a right-hander's off side)", ylabel="x, m")
    above.set_xlabel("distance from the striker's stumps, m  (bowler at the left)")
    for ax, words in zip(strips, ("across", "up", "along"), strict=True):
        ax.set_ylabel(f"{words}, mm")
        ax.axhline(0, color=INK, linewidth=0.7)
    strips[0].set_title("Sightings less the fitted path (bars: 95 % of one sighting; band: 95 % of the path)")
    for ax in (side, *strips[:2]):
        ax.tick_params(labelbottom=False)
    strips[0].figure.align_ylabels(strips)
    strips[2].set_xlabel("distance from the striker's stumps, m")
    handles, labels = side.get_legend_handles_labels()
    if handles:
        side.legend(handles, labels, loc="upper right", ncols=4)


def _numbers(ax: Axes, delivery: Delivery) -> None:
    """The delivery's numbers, each with two sd."""
    ax.axis("off")
    ax.set_title("Measured (± is two standard deviations)")
    rows = []
    for name, (words, _) in QUANTITIES.items():
        if name in delivery.measures and not name.startswith("gate_x") and not name.startswith("gate_z"):
            m = delivery.measures[name]
            extra = f"  ({mph(m.value):.1f} mph)" if m.unit == "m/s" and np.isfinite(m.value) else ""
            rows.append((words, plus_minus(m.value, m.sd, m.unit) + extra))
    if not rows:
        rows = [("not measured", "")]
    rows.append(
        (
            "sightings kept",
            f"{delivery.sightings_left} + {delivery.sightings_right}, rms {delivery.residual_px:.2f} px"
            if np.isfinite(delivery.residual_px)
            else f"{delivery.sightings_left} + {delivery.sightings_right}",
        )
    )
    why = textwrap.wrap(delivery.reason, 62)[:6]
    lines = max(len(rows) + len(why), 14)
    for i, (words, value) in enumerate(rows):
        height = 1 - (i + 0.5) / lines
        ax.text(0.0, height, words, transform=ax.transAxes, va="center", color=FAINT, fontsize=7.5)
        ax.text(1.0, height, value, transform=ax.transAxes, va="center", ha="right", fontsize=7.5)
    for i, words in enumerate(why):
        height = 1 - (len(rows) + i + 0.5) / lines
        ax.text(0.0, height, words, transform=ax.transAxes, va="center", fontsize=7)

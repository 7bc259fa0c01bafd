"""Where the balls went: bounces on the lane, places at the stumps, lengths against the targets."""

from collections.abc import Sequence

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import MaxNLocator

from calibration.lane import BALL_RADIUS_M, wicket_m
from tracker.analysis.zones import Box
from tracker.records import Floats
from tracker.report.charts_lane import lane_from_above, stumps_from_end
from tracker.report.charts_style import (
    GREEN,
    HANDS,
    PURPLE,
    legend_of_hands,
    new_figure,
    pale,
    quiet_axis,
    scatter_hand,
)
from tracker.report.spell import Spell
from tracker.report.words import count, shortened

_BOX_COLOURS = (GREEN, PURPLE)
NAME_CHARACTERS = 26  # of a target over the lengths; the tables give it whole
_BOX_LINES = ("-", "--", ":", "-.")


def _panels(spell: Spell, width_in: float, height_in: float) -> tuple[Figure, dict[str, Axes]]:
    """One panel a hand, side by side, as the bowler sees them: +x to the left."""
    hands = [hand for hand, _ in spell.hands()] or [""]
    figure = new_figure(width_in, height_in)
    axes = figure.subplots(1, len(hands), sharey=True, squeeze=False)[0]
    for ax, hand in zip(axes, hands, strict=True):
        ax.set_title({"right": "to right-handers", "left": "to left-handers", "": "no batter"}[hand])
        ax.set_aspect("equal")
        left, right = {"right": ("off", "leg"), "left": ("leg", "off"), "": ("+x", "−x")}[hand]
        space, size = ("  ", 8.0) if len(hands) < 3 else (" ", 6.2)
        ax.set_xlabel(f"{left}{space}←{space}x, m{space}→{space}{right}", fontsize=size)
    return figure, dict(zip(hands, axes, strict=True))


def bounces(spell: Spell) -> tuple[Figure | None, str]:
    """Plan view of the striker's part of the lane: one panel a hand, bounces, target boxes."""
    x, y = spell.column("bounce_x_m"), spell.column("bounce_y_m")
    there = np.isfinite(x) & np.isfinite(y)
    if not there.any():
        return None, "No bounce was measured."
    reach = min(max(float(y[there].max()) + 0.8, 7.0), spell.pitch_length_m)
    figure, panels = _panels(spell, 3.46, 0.9 + 0.42 * (reach + 1.4) * 2 / max(2, len(dict(spell.hands()))))
    for hand, rows in spell.hands():
        ax, chosen = panels[hand], rows & there
        lane_from_above(ax, spell.pitch_length_m, along_x=False, junior=spell.junior_stumps)
        for i, box in enumerate(spell.boxes_on("pitch")):
            ax.add_patch(_outline(box, -1.0 if hand == "left" else 1.0, i))
        sd = (spell.column("bounce_x_m_sd")[chosen], spell.column("bounce_y_m_sd")[chosen])
        scatter_hand(ax, hand, (x[chosen], y[chosen]), sd, spell.doubtful[chosen], np.zeros(chosen.sum(), bool))
    for i, ax in enumerate(panels.values()):
        ax.set(xlim=(1.75, -1.75), ylim=(reach, -0.9), xticks=[-1, 0, 1])
        quiet_axis(ax)
        if i == 0:
            ax.set_ylabel("distance from the striker's stumps, m")
    legend_of_hands(figure, list(panels), bool(spell.doubtful[there].any()), more=_named(spell.boxes_on("pitch")))
    said = f"Where {count(int(there.sum()), 'ball')} bounced, seen from above with the batter at the top: "
    if there.sum() < 4:
        return figure, said + f"{y[there].min():.1f} to {y[there].max():.1f} m from the stumps."
    low, middle, high = np.quantile(y[there], [0.25, 0.5, 0.75])
    return figure, said + f"half of them {low:.1f} to {high:.1f} m from the stumps, the middle one at {middle:.1f} m."


def _named(boxes: Sequence[Box]) -> list[tuple[Artist, str]]:
    """Legend entries of targets."""
    return [(_outline(box, 1.0, i), shortened(box.name, 20)) for i, box in enumerate(boxes)]


def _outline(box: Box, off: float, number: int) -> Rectangle:
    """A target's outline; `off` is +1 where +x is the batter's off side."""
    left, right = sorted(off * v for v in box.line_m)
    colour, line = _BOX_COLOURS[number % 2], _BOX_LINES[number % 4]
    outline = Rectangle((left, box.along_m[0]), right - left, box.along_m[1] - box.along_m[0])
    outline.set(facecolor="none", edgecolor=colour, linewidth=1.2, linestyle=line, zorder=2)
    return outline


def at_the_stumps(spell: Spell) -> tuple[Figure | None, str]:
    """End view at the striker's stumps as the bowler sees it, one panel a hand."""
    x, z = spell.column("stumps_x_m"), spell.column("stumps_z_m")
    there = np.isfinite(x) & np.isfinite(z)
    if not there.any():
        return None, "No ball was followed to the stumps."
    carried = spell.said("stumps_projected", "true")
    side = float(np.clip(np.abs(x[there]).max() + 0.15, 0.7, 1.8))
    top = float(np.clip(z[there].max() + 0.2, 1.1, 2.8))
    hands = max(2, len(dict(spell.hands())))
    figure, panels = _panels(spell, 3.46, 0.95 + 3.0 / hands * (top + 0.1) / (2 * side))
    for hand, rows in spell.hands():
        ax, chosen = panels[hand], rows & there
        stumps_from_end(ax, spell.junior_stumps)
        for i, box in enumerate(spell.boxes_on("stumps")):
            ax.add_patch(_outline(box, -1.0 if hand == "left" else 1.0, i))
        sd = (spell.column("stumps_x_m_sd")[chosen], spell.column("stumps_z_m_sd")[chosen])
        scatter_hand(ax, hand, (x[chosen], z[chosen]), sd, spell.doubtful[chosen], carried[chosen])
    for i, ax in enumerate(panels.values()):
        ax.set(xlim=(side, -side), ylim=(-0.1, top))
        quiet_axis(ax)
        if i == 0:
            ax.set_ylabel("height, m")
    legend_of_hands(
        figure,
        list(panels),
        bool(spell.doubtful[there].any()),
        "carried on" if carried[there].any() else "",
        _named(spell.boxes_on("stumps")),
    )
    width, high, _ = wicket_m(spell.junior_stumps)
    hitting = there & (np.abs(x) < width / 2 + BALL_RADIUS_M) & (z < high + BALL_RADIUS_M)
    return figure, (
        f"Where {count(int(there.sum()), 'ball')} crossed the plane of the stumps, as the bowler sees it: "
        f"{hitting.sum()} would touch them; {(carried & there).sum()}, hit or lost to view before, were carried on."
    )


def lengths(spell: Spell) -> tuple[Figure | None, str]:
    """How often each length was bowled, half a metre a bar, with the targets' lengths above."""
    y = spell.column("bounce_y_m")
    there = np.isfinite(y)
    if not there.any():
        return None, "No bounce was measured."
    edges = np.arange(0.0, max(float(y[there].max()), 8.0) + 0.5, 0.5)
    figure = new_figure(3.46, 2.7)
    ax = figure.add_subplot()
    bottom: Floats = np.zeros(len(edges) - 1)
    for (hand, rows), hatch in zip(spell.hands(), ("", "////", "...."), strict=False):
        number = np.histogram(y[rows & there], edges)[0]
        _, colour, _ = HANDS[hand]
        face = colour if not hatch else pale(colour, 0.45)
        ax.bar(
            edges[:-1], number, 0.5, bottom, align="edge", color=face, edgecolor="white" if not hatch else colour,
            hatch=hatch, linewidth=0.7, label=HANDS[hand][0],
        )  # fmt: skip
        bottom = bottom + number
    top = max(float(bottom.max()), 1.0)
    levels = _levels(spell.boxes_on("pitch"), float(edges[-1]))
    for box, level in levels:
        height, colour = top * (1.08 + 0.13 * level), _BOX_COLOURS[level % 2]
        ax.plot(box.along_m, [height, height], color=colour, linewidth=2.5, solid_capstyle="butt")
        at, side, _ = _name_place(box, float(edges[-1]))
        ax.text(at, height + 0.02 * top, shortened(box.name, NAME_CHARACTERS), ha=side, va="bottom", fontsize=6.5)
    ax.set(xlim=(edges[0], edges[-1]), ylim=(0, top * (1.24 + 0.13 * max((n for _, n in levels), default=-1))))
    ax.set(xlabel="length: bounce from the striker's stumps, m", ylabel="balls in each half metre")
    ax.yaxis.set_major_locator(MaxNLocator(integer=True))
    quiet_axis(ax, "y")
    figure.legend(loc="outside lower center", ncols=3)
    inside = _share_in(spell, y[there])
    return figure, f"How full or short {count(int(there.sum()), 'ball')} bounced; the full end is at the left.{inside}"


def _name_place(box: Box, span_m: float) -> tuple[float, str, tuple[float, float]]:
    """Where a box's name stands over an axis of so many metres: anchor, alignment, span."""
    wide, middle = 0.025 * span_m * min(len(box.name), NAME_CHARACTERS), box.centre_m[1]
    if middle < wide / 2:
        return 0.0, "left", (0.0, wide)
    if middle > span_m - wide / 2:
        return span_m, "right", (span_m - wide, span_m)
    return middle, "center", (middle - wide / 2, middle + wide / 2)


def _levels(boxes: Sequence[Box], span_m: float) -> list[tuple[Box, int]]:
    """Each target with the lowest level on which neither its length nor its name meets another's."""
    ends: list[list[tuple[float, float]]] = []
    placed = []
    for box in boxes:
        name = _name_place(box, span_m)[2]
        low, high = min(box.along_m[0], name[0]), max(box.along_m[1], name[1])
        level = next((i for i, row in enumerate(ends) if all(high <= a or low >= b for a, b in row)), len(ends))
        ends += [[]] * (level == len(ends))
        ends[level] = [*ends[level], (low, high)]
        placed.append((box, level))
    return placed


def _share_in(spell: Spell, y: Floats) -> str:
    if not spell.boxes_on("pitch"):
        return ""
    box = spell.boxes_on("pitch")[0]
    inside = int(((y >= box.along_m[0]) & (y <= box.along_m[1])).sum())
    have = "has" if inside == 1 else "have"
    return f" {inside} {have} the length of “{box.name}” ({box.along_m[0]:.1f} to {box.along_m[1]:.1f} m)."

"""How fast: speed through the spell, and the two hands against each other."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from tracker.records import Bools, Floats
from tracker.report.charts_style import (
    FAINT,
    HANDS,
    INK,
    legend_of_hands,
    mph_axis,
    new_figure,
    pale,
    quiet_axis,
    scatter_hand,
)
from tracker.report.spell import Spell
from tracker.report.words import count, mph, speed


def through_the_spell(spell: Spell) -> tuple[Figure | None, str]:
    """Speed at release, ball by ball, both hands marked; balls without a speed stand as crosses on the axis."""
    pace = spell.column("release_speed_mps")
    there = np.isfinite(pace)
    if not there.any():
        return None, "No speed at release was measured."
    ball = np.arange(1, len(pace) + 1)
    figure = new_figure(3.46, 2.7)
    ax = figure.add_subplot()
    sd = spell.column("release_speed_mps_sd")
    for hand, rows in spell.hands():
        chosen = rows & there
        if not chosen.any():
            continue
        place, bars = (ball[chosen].astype(float), pace[chosen]), (np.zeros(chosen.sum()), sd[chosen])
        scatter_hand(ax, hand, place, bars, spell.doubtful[chosen], ~spell.said("release_seen", "true")[chosen])
        _, colour, _ = HANDS[hand]
        ax.axhline(
            pace[chosen].mean(), color=colour, linewidth=1.0, linestyle="-" if hand == "right" else "--", zorder=2
        )
    low, high = float(pace[there].min()), float(pace[there].max())
    room = max(0.12 * (high - low), 0.3)
    ax.set(xlim=(0, len(pace) + 1), ylim=(low - 1.6 * room, high + 1.6 * room))
    ax.plot(ball[~there], np.full((~there).sum(), low - 1.2 * room), "x", color=INK, markersize=4.5, zorder=4)
    parted = _mark_spells(ax, spell.words("spell"))
    ax.set(xlabel="ball", ylabel="speed at release, m/s")
    ax.xaxis.set_major_locator(MaxNLocator(integer=True))
    mph_axis(ax, upright=True)
    quiet_axis(ax, "y")
    unseen = there & ~spell.said("release_seen", "true")
    legend_of_hands(
        figure,
        [h for h, _ in spell.hands()],
        bool(spell.doubtful[there].any()),
        "release not seen" if unseen.any() else "",
    )
    lost = f" Crosses: {count(int((~there).sum()), 'ball')} without a speed." if (~there).any() else ""
    lost += " Dotted lines part the spells." if parted else ""
    return figure, (
        f"Speed of {count(int(there.sum()), 'ball')} in the order bowled, {speed(low)} to {speed(high)}; "
        f"the lines are each hand's mean.{lost}"
    )


def _mark_spells(ax: Axes, names: list[str]) -> bool:
    """A faint line and a name where the log says that another spell begins; whether there are lines."""
    starts = [i for i, name in enumerate(names) if i == 0 or name != names[i - 1]]
    if not any(names) or len(starts) > 8:
        return False
    for i in starts:
        if i:
            ax.axvline(i + 0.5, color=FAINT, linewidth=0.7, linestyle=":")
        ax.text(
            i + 0.7,
            0.985,
            f"spell {names[i]}"[:12] if len(starts) < 5 else names[i][:4],
            transform=ax.get_xaxis_transform(),
            va="top",
            color=FAINT,
            fontsize=7,
        )
    return len(starts) > 1


def the_two_hands(spell: Spell) -> tuple[Figure | None, str]:
    """Each ball's speed by hand with the mean's place, and the difference with its 95 % interval below."""
    pace = spell.column("release_speed_mps")
    hands = [(hand, rows & np.isfinite(pace)) for hand, rows in spell.hands() if hand]
    hands = [(hand, rows) for hand, rows in hands if rows.any()]
    if not hands:
        return None, "No ball with a speed was bowled to a batter."
    figure = new_figure(3.46, 3.1 if spell.gaps else 1.9)
    axes = figure.subplots(2 if spell.gaps else 1, 1, squeeze=False, height_ratios=[1.25, 1] if spell.gaps else None)[
        :, 0
    ]
    for level, (hand, rows) in enumerate(hands):
        _strip(axes[0], hand, pace[rows], spell.doubtful[rows], float(level))
    axes[0].set(ylim=(len(hands) - 0.45, -0.6), yticks=range(len(hands)), xlabel="speed at release, m/s")
    axes[0].set_yticklabels([f"{HANDS[h][0]}s\n{count(int(rows.sum()), 'ball')}" for h, rows in hands])
    mph_axis(axes[0], upright=False)
    quiet_axis(axes[0], "x")
    if spell.gaps:
        _differences(axes[1], spell)
    means = "; ".join(f"to {HANDS[h][0]}s {speed(float(pace[r].mean()))}" for h, r in hands)
    band = f" The grey band is {mph(spell.margin_mps):.3g} mph either way." if spell.gaps else ""
    return figure, f"Mean speed {means} (black strokes).{band} {spell.verdict}".strip()


def _strip(ax: Axes, hand: str, pace: Floats, doubtful: Bools, level: float) -> None:
    """Balls of one hand along a line, spread a little so that each shows, and their mean."""
    _, colour, marker = HANDS[hand]
    rank = np.argsort(np.argsort(pace))
    spread = 0.13 * ((rank % 3) - 1)
    ax.scatter(
        pace, level + spread, s=13, marker=marker, c=np.where(doubtful, "white", pale(colour, 0.6)), edgecolors=colour,
        linewidths=0.7,
    )  # fmt: skip
    ax.plot([pace.mean()] * 2, [level - 0.32, level + 0.32], color=INK, linewidth=2.2, zorder=5)


def _differences(ax: Axes, spell: Spell) -> None:
    """Left-handers minus right-handers: intervals, zero, and the band that counts as no difference."""
    ax.axvspan(-spell.margin_mps, spell.margin_mps, color="#e8ebee", linewidth=0, zorder=0)
    ax.axvline(0, color=FAINT, linewidth=0.8, zorder=1)
    for level, gap in enumerate(spell.gaps):
        ax.plot([gap.low, gap.high], [level, level], color=INK, linewidth=1.6, solid_capstyle="butt", zorder=3)
        ax.plot(gap.value, level, "D", color=INK, markersize=5, markerfacecolor="white" if level else INK, zorder=4)
    reach = max(max(abs(g.low), abs(g.high)) for g in spell.gaps)
    reach = 1.15 * max(reach, 2 * spell.margin_mps)
    ax.set(ylim=(len(spell.gaps) - 0.5, -0.5), xlim=(-reach, reach), yticks=range(len(spell.gaps)))
    ax.set_yticklabels([g.label for g in spell.gaps])
    ax.set_xlabel("left- minus right-handers, m/s")
    mph_axis(ax, upright=False)
    quiet_axis(ax, "x")

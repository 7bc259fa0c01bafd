"""How the ball left the hand and what it did: release points, swing against movement off the pitch."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Ellipse
from matplotlib.ticker import MaxNLocator

from calibration.lane import POPPING_CREASE_M, RETURN_CREASE_X_M
from tracker.records import Bools, Floats
from tracker.report.charts_style import FAINT, HANDS, legend_of_hands, new_figure, quiet_axis, scatter_hand
from tracker.report.spell import Spell
from tracker.report.words import count

LEAST_BALLS = 4  # for an ellipse
HALF = float(np.sqrt(2 * np.log(2)))  # an ellipse of this many sd holds half of a two-dimensional Gaussian


def release_points(spell: Spell) -> tuple[Figure | None, str]:
    """Where the ball left the hand, from behind and from the side at one scale, with an ellipse for half the balls."""
    place = np.column_stack([spell.column(f"release_{axis}_m") for axis in "xyz"])
    sd = np.column_stack([spell.column(f"release_{axis}_m_sd") for axis in "xyz"])
    there = np.isfinite(place).all(axis=1)
    if not there.any():
        return None, "No release was measured."
    unseen = ~spell.said("release_seen", "true")
    figure = new_figure(3.46, 2.35)
    behind, side = figure.subplots(1, 2)
    middle = np.median(place[there], axis=0)
    reach = float(np.clip(1.2 * np.abs(place[there] - middle).max(), 0.3, 3.0))
    for ax, across in ((behind, 0), (side, 1)):
        ax.set_aspect("equal")
        for hand, rows in spell.hands():
            chosen = rows & there
            points = (place[chosen, across], place[chosen, 2])
            scatter_hand(ax, hand, points, (sd[chosen, across], sd[chosen, 2]), spell.doubtful[chosen], unseen[chosen])
            _half_ellipse(ax, hand, *points)
        ax.set_xlim(middle[across] + reach, middle[across] - reach)
        ax.set_ylim(middle[2] - reach, middle[2] + reach)
        ax.xaxis.set_major_locator(MaxNLocator(3))
        quiet_axis(ax)
    _reference(behind, "middle stump", 0.0)
    _reference(behind, "return crease", float(np.sign(middle[0]) * RETURN_CREASE_X_M))
    _reference(side, "popping crease", spell.pitch_length_m - POPPING_CREASE_M)
    behind.set(title="from behind", xlabel="x, m", ylabel="height, m")
    side.set(title="from the side", xlabel="from the stumps, m")
    some_unseen = bool((unseen & there).any())
    legend_of_hands(
        figure, [h for h, _ in spell.hands()], bool(spell.doubtful[there].any()), "not seen" if some_unseen else ""
    )
    said = (
        f"Where the ball left the hand: the middle ball {middle[2]:.2f} m high, {abs(middle[0]):.2f} m from the line "
        f"of the middle stumps"
    )
    if there.sum() < 4:
        return figure, f"{said}."
    across, _, up = 100 * np.std(place[there], axis=0, ddof=1)
    drawn = any((rows & there).sum() >= LEAST_BALLS for _, rows in spell.hands())
    return figure, (
        f"{said}; from ball to ball it varies by {across:.0f} cm across and {up:.0f} cm in height (one standard "
        f"deviation).{' An ellipse holds about half the balls to a hand.' if drawn else ''}"
    )


def _half_ellipse(ax: Axes, hand: str, x: Floats, z: Floats) -> None:
    """An ellipse for half of the balls, from their own scatter; nothing where they are few."""
    if len(x) < LEAST_BALLS:
        return
    values, axes = np.linalg.eigh(np.cov(x, z))
    sizes = 2 * HALF * np.sqrt(np.maximum(values, 0))
    angle = np.degrees(np.arctan2(axes[1, 1], axes[0, 1]))
    shape = Ellipse((x.mean(), z.mean()), sizes[1], sizes[0], angle=angle)
    shape.set(
        facecolor="none", edgecolor=HANDS[hand][1], linewidth=1.1, linestyle="-" if hand == "right" else "--", zorder=5
    )
    ax.add_patch(shape)


def _reference(ax: Axes, name: str, at: float) -> None:
    """A named line of the lane, where it is in view."""
    low, high = sorted(ax.get_xlim())
    if low < at < high:
        ax.axvline(at, color=FAINT, linewidth=0.8, linestyle=":", zorder=1)
        right = (at - low) / (high - low) > 0.5  # the axis is turned: large values lie at the left
        ax.text(
            at, ax.get_ylim()[0], f" {name} ", rotation=90, ha="left" if right else "right", va="bottom", color=FAINT,
            fontsize=6.5,
        )  # fmt: skip


def swing_and_turn(spell: Spell) -> tuple[Figure | None, str]:
    """Movement in the air against movement off the pitch, both toward the batter's off (+) or leg (-) side."""
    swing, turn = spell.toward_off("swing_m"), spell.toward_off("deviation_deg")
    there = np.isfinite(swing) & np.isfinite(turn)
    if not there.any():
        return None, "No ball has both swing and movement off the pitch measured."
    figure = new_figure(3.46, 2.85)
    ax = figure.add_subplot()
    for line in (ax.axhline, ax.axvline):
        line(0, color=FAINT, linewidth=0.8, zorder=1)
    for hand, rows in spell.hands():
        chosen: Bools = rows & there
        sd = (spell.column("swing_m_sd")[chosen], spell.column("deviation_deg_sd")[chosen])
        none = np.zeros(chosen.sum(), bool)
        scatter_hand(ax, hand, (swing[chosen], turn[chosen]), sd, spell.doubtful[chosen], none)
    x, y = 1.25 * max(np.abs(swing[there]).max(), 0.1), 1.25 * max(np.abs(turn[there]).max(), 0.5)
    ax.set(xlim=(-x, x), ylim=(-y, y))
    ax.xaxis.set_major_locator(MaxNLocator(6))
    air, pitch = spell.movement
    ax.set_xlabel(f"{air}, m   (− in to the batter, + away)")
    ax.set_ylabel(f"{pitch if 'pitch' in pitch else f'{pitch} off the pitch'}, °   (− in, + away)")
    corners = [(0.02, 0.98, "in, then away"), (0.98, 0.98, "away, then away")]
    corners += [(0.02, 0.02, "in, then in"), (0.98, 0.02, "away, then in")]
    for across, up, words in corners:
        ha, va = "left" if across < 0.5 else "right", "bottom" if up < 0.5 else "top"
        ax.text(across, up, words, transform=ax.transAxes, ha=ha, va=va, color=FAINT, fontsize=7)
    quiet_axis(ax)
    legend_of_hands(figure, [h for h, _ in spell.hands()], bool(spell.doubtful[there].any()))
    clear = np.abs(spell.column("swing_m")) > 2 * spell.column("swing_m_sd")
    turned = np.abs(spell.column("deviation_deg")) > 2 * spell.column("deviation_deg_sd")
    return figure, (
        f"What {count(int(there.sum()), 'ball')} did in the air and off the pitch, as the batter faces them: "
        f"{(clear & there).sum()} moved in the air and {(turned & there).sum()} off the pitch by more than their doubt "
        f"(bars: 95 %)."
    )

"""The charts of a report. To add one: a function of a Spell that returns a figure and a sentence, and a line in CHARTS.

A function returns no figure, and a sentence that says why, where there is nothing to draw.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from matplotlib.figure import Figure

from tracker.report.charts_motion import release_points, swing_and_turn
from tracker.report.charts_pace import the_two_hands, through_the_spell
from tracker.report.charts_pitch import at_the_stumps, bounces, lengths
from tracker.report.charts_style import styled, svg_text, write_figure
from tracker.report.spell import Spell

CHARTS: dict[str, tuple[str, Callable[[Spell], tuple[Figure | None, str]]]] = {  # file name: (title, function)
    "speed": ("Speed through the spell", through_the_spell),
    "hands": ("Right-handers and left-handers", the_two_hands),
    "bounces": ("Where the balls bounced", bounces),
    "release": ("Where the ball left the hand", release_points),
    "swing": ("In the air and off the pitch", swing_and_turn),
    "lengths": ("Lengths", lengths),
    "stumps": ("Where they crossed the stumps", at_the_stumps),
}


@dataclass(frozen=True, slots=True)
class Chart:
    """A chart ready for a page: `svg` is "" where there was nothing to draw and the sentence says why.

    tall  much higher than wide: a page leaves room for two others beside it
    """

    name: str
    title: str
    sentence: str
    svg: str
    tall: bool


def draw_charts(
    spell: Spell, folder: Path | None = None, prefix: str = "", kinds: Sequence[str] = ("png", "svg")
) -> list[Chart]:
    """Every chart of a spell; with a folder, also written there as <prefix><name>.png and .svg."""
    charts = []
    for name, (title, function) in CHARTS.items():
        with styled():
            figure, sentence = function(spell)
            svg = svg_text(figure) if figure is not None else ""
        tall = figure is not None and figure.get_figheight() > 1.2 * figure.get_figwidth()
        charts.append(Chart(name, title, sentence, svg, tall))
        if figure is not None and folder is not None:
            folder.mkdir(parents=True, exist_ok=True)
            with styled():
                figure.suptitle(title, fontsize=9, fontweight="bold")
            for kind in kinds:
                write_figure(figure, folder / f"{prefix}{name}.{kind}", dpi=220)
    return charts

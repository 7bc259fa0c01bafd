"""The charts of compare and agree: nothing runs off the paper, every axis has its unit, odd names are shown as text."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from tests.invented_balls import balls
from tracker.analysis.agreement import agree
from tracker.report.charts_numbers import MOST_ROWS, differences, instruments, write_chart
from tracker.report.charts_style import settle, styled
from tracker.report.spell import Gap


def on_paper(figure: Figure) -> bool:
    """Whether everything that is drawn lies inside the figure, to a hundredth of an inch."""
    with styled():
        settle(figure)
        drawn = figure.get_tightbbox()
    width, height = figure.get_size_inches()
    return bool(drawn.x0 > -0.01 and drawn.y0 > -0.01 and drawn.x1 < width + 0.01 and drawn.y1 < height + 0.01)


@pytest.fixture
def two_bowlers() -> list[tuple[str, list[Gap]]]:
    name = '<b>$x$ Zoë O\'Neil "=1+1"'[:28]
    return [
        (f"{name} (24, 24)", [Gap("raw", -1.0, -1.6, -0.4), Gap("adjusted", -0.9, -1.6, -0.2)]),
        ("Invented B (12, 12)", [Gap("raw", 0.2, -0.9, 1.3)]),
    ]


def test_differences_stay_on_the_paper(two_bowlers: list[tuple[str, list[Gap]]], tmp_path: Path) -> None:
    figure = differences(two_bowlers, 0.447, "left- minus right-handers, m/s")
    assert on_paper(figure)
    ax = figure.axes[0]
    assert "m/s" in ax.get_xlabel()
    assert [t.get_text() for t in ax.get_yticklabels()] == [label for label, _ in two_bowlers]
    write_chart(figure, tmp_path, "comparison")
    assert {p.name for p in tmp_path.iterdir()} == {"comparison.png", "comparison.svg"}


def test_a_squad_of_many_is_cut_at_a_page(two_bowlers: list[tuple[str, list[Gap]]]) -> None:
    figure = differences(two_bowlers * 40, 0.447, "m/s")
    assert len(figure.axes[0].get_yticks()) == MOST_ROWS


def test_the_limits_of_agreement_are_drawn_where_they_are() -> None:
    rng = np.random.default_rng(1)
    table = balls(rng, n=30)
    reference = pd.DataFrame({"delivery": table["delivery"], "reference_mps": table["release_speed_mps"] + 0.5})
    reference["reference_mps"] += rng.normal(0, 0.2, 30)
    found = agree(table, reference, "release_speed_mps", 0.447)
    figure = instruments(found)
    assert on_paper(figure)
    ax = figure.axes[0]
    levels = sorted(float(np.asarray(line.get_ydata())[0]) for line in ax.lines)
    expected = sorted([0.0, found.limits.bias, found.limits.low, found.limits.high])
    assert levels == pytest.approx(expected)
    assert "m/s" in ax.get_ylabel()

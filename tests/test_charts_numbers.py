"""The charts of compare and agree: nothing runs off the paper, every axis has its unit, odd names are shown as text."""

import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from tests.invented_balls import balls, write_out
from tracker.analysis.agreement import agree
from tracker.analysis.measures import with_derived
from tracker.analysis.winter import session_means, trends
from tracker.cli import main
from tracker.report.charts_numbers import MOST_ROWS, differences, instruments, write_chart, write_pages
from tracker.report.charts_season import season
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
    (figure,) = differences(two_bowlers, 0.447, "left- minus right-handers, m/s")
    assert on_paper(figure)
    ax = figure.axes[0]
    assert "m/s" in ax.get_xlabel()
    assert [t.get_text() for t in ax.get_yticklabels()] == [label for label, _ in two_bowlers]
    write_chart(figure, tmp_path, "comparison")
    assert {p.name for p in tmp_path.iterdir()} == {"comparison.png", "comparison.svg"}


@pytest.mark.slow
def test_every_bowler_of_a_large_squad_is_drawn_and_each_page_says_which_it_is(
    two_bowlers: list[tuple[str, list[Gap]]], tmp_path: Path
) -> None:
    squad = [(f"Invented {i}", two_bowlers[i % 2][1]) for i in range(2 * MOST_ROWS + 3)]
    pages = differences(squad, 0.447, "m/s")
    drawn = [tick.get_text() for page in pages for tick in page.axes[0].get_yticklabels()]
    assert drawn == [label for label, _ in squad]
    assert ["(page 3 of 3)" in page.get_suptitle() for page in pages] == [False, False, True]
    assert len({page.axes[0].get_xlim() for page in pages}) == 1  # pages are compared with each other
    assert all(on_paper(page) for page in pages[1:])
    write_pages(pages, tmp_path, "comparison")
    write_pages(pages[:1], tmp_path, "comparison")  # a smaller squad later: no page of the larger one is left
    assert {p.name for p in tmp_path.iterdir()} == {"comparison.png", "comparison.svg"}


def test_a_comparison_of_a_large_squad_has_two_pictures(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    many = [balls(rng, n=6, bowler=f"Invented {i}", first=6 * i + 1) for i in range(MOST_ROWS)]  # and their average
    out = write_out(tmp_path / "out", pd.concat(many))
    assert main(["compare", str(out), "--out", str(tmp_path / "c"), "--measure", "release_speed_mps"]) == 0
    assert sorted(p.name for p in (tmp_path / "c").glob("*.png")) == ["comparison.png", "comparison_2.png"]


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


def sessions() -> pd.DataFrame:
    """Eight weekly sessions in which only the height of release falls, by far more than it scatters."""
    rng = np.random.default_rng(3)
    days = [f"2026-11-{d:02d}" for d in (2, 9, 16, 23, 30)] + [f"2026-12-{d:02d}" for d in (7, 14, 21)]
    tables = [balls(rng, n=24, session=day, date=day) for day in days]
    for week, table in enumerate(tables):
        table["release_z_m"] -= 0.05 * week
    return pd.concat(tables, ignore_index=True)


def test_a_season_shows_every_session_and_a_whole_line_only_where_beyond_chance() -> None:
    means = session_means(with_derived(sessions()))
    moved = trends(means)
    figure = season(means, moved, "=1+1 $x$ " * 6, "2026-12-03", "new run-up, " * 8)
    assert on_paper(figure)
    panels = [ax for ax in figure.axes if ax.get_title(loc="left")]
    for ax, trend in zip(panels, moved, strict=True):
        points, line, change = ax.get_lines()
        assert len(points.get_xdata()) == 8 and len(ax.collections[0].get_segments()) == 8
        assert (line.get_linestyle() == "-") == (trend.measure == "release_z_m") and change.get_linestyle() == ":"
        assert ax.get_ylabel() in ("m", "m/s", "deg")


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("days", [1, 2, 3, 4, 8, 40])
def test_a_short_season_counts_days_and_not_hours(days: int) -> None:
    rng = np.random.default_rng(2)
    tables = [balls(rng, n=12, session=f"s{i}", date=str(dt.date(2026, 11, 10) + dt.timedelta(i))) for i in range(days)]
    means = session_means(with_derived(pd.concat(tables, ignore_index=True)))
    figure = season(means, trends(means), "Invented A")
    assert on_paper(figure)
    dates = [ax for ax in figure.axes if ax.get_title(loc="left")]
    assert dates
    for ax in dates:
        words = [label.get_text() for label in ax.get_xticklabels()]
        assert len(set(words)) >= 2 and not any(":" in word for word in words)


def test_the_seasons_charts_are_written_for_each_bowler(tmp_path: Path) -> None:
    table = sessions()
    for day, part in table.groupby("date"):
        both = pd.concat([part, part.assign(bowler="../x", delivery=part["delivery"] + 50)])
        write_out(tmp_path / "winter" / str(day), both)
    assert main(["season", str(tmp_path / "winter"), "--charts", str(tmp_path / "drawn")]) == 0
    names = {p.name for p in (tmp_path / "drawn").iterdir()}
    assert names == {f"season_{who}.{kind}" for who in ("Invented-A", "x") for kind in ("png", "svg")}

"""The charts of a report on invented balls: units, sentences, nothing on top of anything, nothing dropped."""

import re
from dataclasses import replace
from itertools import combinations
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.collections import PathCollection
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.text import Text
from matplotlib.transforms import Bbox

from tests.invented import invented_table
from tracker.analysis.zones import Box, read_targets, ready_file
from tracker.report.charts import CHARTS, draw_charts
from tracker.report.charts_style import HANDS, settle, styled
from tracker.report.spell import Gap, Spell

UNITS = ("m", "m/s", "mph", "°", "ball", "half metre")


@pytest.fixture
def spell() -> Spell:
    boxes = read_targets(ready_file("pace-club")).boxes
    gaps = (Gap("as bowled", -0.9, -1.4, -0.4), Gap("adjusted", -0.8, -1.2, -0.3))
    table = invented_table(np.random.default_rng(5), ("Invented bowler A",), 48)
    return Spell("Invented bowler A", table, boxes=boxes, gaps=gaps, verdict="Slower to left-handers by 2.0 mph.")


def drawn(name: str, spell: Spell) -> tuple[Figure, str]:
    with styled():
        figure, sentence = CHARTS[name][1](spell)
        assert figure is not None
        settle(figure)
    return figure, sentence


@pytest.mark.parametrize("name", CHARTS)
def test_every_axis_has_a_unit_and_the_chart_a_sentence(name: str, spell: Spell) -> None:
    figure, sentence = drawn(name, spell)
    labels = [label for ax in figure.axes for label in (ax.get_xlabel(), ax.get_ylabel()) if label]
    assert labels and all(any(re.search(rf"\b{re.escape(u)}|{u}", label) for u in UNITS) for label in labels)
    assert len(sentence) > 30 and sentence.rstrip().endswith(".")


@pytest.mark.parametrize("name", CHARTS)
@pytest.mark.parametrize("case", ["whole", "no batter", "few", "three hands", "short pitch"])
def test_no_words_lie_on_others_or_leave_the_picture(
    name: str, case: str, spell: Spell, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = spell.rows.copy()
    if case == "no batter":
        spell = replace(spell, rows=rows.assign(batter_hand="", swing_way="", deviation_way=""), gaps=())
        if name == "hands":
            assert CHARTS[name][1](spell) == (None, "No ball with a speed was bowled to a batter.")
            return
    elif case == "few":
        spell = replace(spell, rows=rows[rows["batter_hand"] == "left"].head(3), gaps=())
    elif case == "three hands":  # a left-armer, some balls to nobody, targets with long names close together
        some = rows.assign(batter_hand=np.where(rows["delivery"] % 5 == 0, "", rows["batter_hand"]), arm="left")
        some["release_x_m"] *= -1
        some["spell"] = [str(1 + i // 6) for i in range(len(some))]
        names = ("full, and well outside the off stump at the death", "into the pitch", "third", "fourth")
        lengths = ((0.0, 2.0), (6.0, 8.0), (4.0, 6.0), (4.5, 5.5))
        boxes = [Box(name, "pitch", length, (0.0, 0.4)) for name, length in zip(names, lengths, strict=True)]
        spell = replace(
            spell, rows=some, boxes=(*boxes, Box("top of off stump, or just over it", "stumps", (0.5, 0.9), (0, 0.3)))
        )
    elif case == "short pitch":
        spell = replace(
            spell,
            rows=invented_table(np.random.default_rng(2), balls=20, pitch_length_m=15.5448),
            pitch_length_m=15.5448,
        )
    figure, _ = drawn(name, spell)
    boxes = drawn_words(figure, monkeypatch)
    width, height = figure.canvas.get_width_height()
    for words, box in boxes:
        assert box.x0 > -1 and box.y0 > -1 and box.x1 < width + 1 and box.y1 < height + 1, words
    for (first, a), (second, b) in combinations(boxes, 2):
        wide = min(a.x1, b.x1) - max(a.x0, b.x0)
        high = min(a.y1, b.y1) - max(a.y0, b.y0)
        assert wide < 1 or high < 1, f"{first!r} lies on {second!r}"
        assert wide < -2 or abs(a.y0 - b.y0) > 2, f"{first!r} runs into {second!r}"


def drawn_words(figure: Figure, monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, Bbox]]:
    """The words that are really drawn, with their places (axes keep tick labels that they do not draw)."""
    found: list[Text] = []
    draw = Text.draw

    def noting(text: Text, renderer: object, *args: object, **kwargs: object) -> None:
        found.append(text)
        draw(text, renderer, *args, **kwargs)

    with monkeypatch.context() as patch:
        patch.setattr(Text, "draw", noting)
        figure.canvas.draw()
    return [(t.get_text(), t.get_window_extent()) for t in found if t.get_text().strip() and t.get_visible()]


@pytest.mark.parametrize("name", CHARTS)
def test_charts_say_why_where_nothing_was_measured(name: str, spell: Spell) -> None:
    numbers = [c for c in spell.rows if c.endswith(("_mps", "_m", "_deg", "_sd"))]
    rows = spell.rows.assign(**dict.fromkeys(numbers, np.nan), status="rejected", reason="the film stops")
    figure, sentence = CHARTS[name][1](replace(spell, rows=rows))
    assert figure is None and sentence.startswith("No ")


def test_every_ball_that_was_measured_is_on_the_chart(spell: Spell) -> None:
    figure, sentence = drawn("bounces", spell)
    marks = [c for ax in figure.axes for c in ax.collections if isinstance(c, PathCollection)]
    wanted = int(np.isfinite(spell.column("bounce_y_m")).sum())
    assert sum(len(c.get_offsets()) for c in marks) == wanted and f"{wanted} balls" in sentence
    hollow = sum(int((c.get_facecolors()[:, :3] == 1).all(axis=1).sum()) for c in marks)
    assert hollow == int((spell.doubtful & np.isfinite(spell.column("bounce_y_m"))).sum()) > 0


def test_a_ball_to_the_off_side_lies_left_for_a_right_hander_seen_from_behind_the_bowler(spell: Spell) -> None:
    """+x is a right-hander's off side and the bowler's left (docs/files.md)."""
    figure, _ = drawn("bounces", spell)
    for ax in figure.axes:
        left, right = ax.get_xlim()
        assert left > 0 > right
        assert ax.get_xlabel().startswith("off" if "right" in ax.get_title(loc="left") else "leg")
        low, high = ax.get_ylim()
        assert low > high  # the batter at the top


def test_swing_away_is_positive_for_both_hands(spell: Spell) -> None:
    """Mirrored balls to the other hand give the same picture."""
    mirrored = spell.rows.copy()
    mirrored["batter_hand"] = mirrored["batter_hand"].map({"right": "left", "left": "right"})
    mirrored["swing_m"] = -mirrored["swing_m"]
    np.testing.assert_array_equal(spell.toward_off("swing_m"), replace(spell, rows=mirrored).toward_off("swing_m"))
    away = spell.rows["swing_way"] == "out"
    there = np.isfinite(spell.column("swing_m"))
    np.testing.assert_array_equal(spell.toward_off("swing_m")[there] > 0, away[there])


@pytest.mark.parametrize(("junior", "touching"), [(False, "1"), (True, "0")])
def test_a_ball_over_a_junior_wicket_touches_a_full_one(spell: Spell, junior: bool, touching: str) -> None:
    """Its lowest point is 0.70 m up: Law 8 has stumps 0.711 m high, its junior clause (2000 code) 0.686 m."""
    table = spell.rows.iloc[:1].assign(stumps_x_m=0.0, stumps_z_m=0.70 + 0.036, status="ok")
    figure, sentence = drawn("stumps", replace(spell, rows=table, junior_stumps=junior))
    assert f"{touching} would touch them" in sentence
    tops = [p.get_height() for p in figure.axes[0].patches if p.get_width() == pytest.approx((0.0381, 0.0349)[junior])]
    assert tops == pytest.approx([(28, 27)[junior] * 0.0254] * 3)


def test_balls_without_a_speed_stand_on_the_axis_as_crosses(spell: Spell) -> None:
    figure, sentence = drawn("speed", spell)
    lost = int((~np.isfinite(spell.column("release_speed_mps"))).sum())
    crosses = [line for ax in figure.axes for line in ax.lines if line.get_marker() == "x"]
    assert lost > 0 and sum(len(line.get_xdata()) for line in crosses) == lost
    assert "without a speed" in sentence


def test_hands_differ_in_shape_as_well_as_colour() -> None:
    assert len({marker for _, _, marker in HANDS.values()}) == len({c for _, c, _ in HANDS.values()}) == 3


def test_colours_of_the_hands_stay_apart_for_colour_blind_readers() -> None:
    """Simulated deuteranopia and protanopia: matrices of Vienot, Brettel & Mollon 1999 (from memory), linear RGB."""
    blind = {
        "protan": np.array([[0.1124, 0.8876, 0], [0.1124, 0.8876, 0], [0.0040, -0.0040, 1]]),
        "deutan": np.array([[0.2928, 0.7072, 0], [0.2928, 0.7072, 0], [-0.0223, 0.0223, 1]]),
    }
    colours = [np.array([int(c[i : i + 2], 16) / 255 for i in (1, 3, 5)]) ** 2.2 for _, c, _ in HANDS.values()]
    for matrix in blind.values():
        for a, b in combinations(colours, 2):
            seen = [np.clip(matrix @ c, 0, 1) ** (1 / 2.2) for c in (a, b)]
            assert np.linalg.norm(seen[0] - seen[1]) > 0.15


def test_charts_are_written_as_png_and_svg_and_repeat_exactly(
    spell: Spell, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    two = {name: CHARTS[name] for name in ("lengths", "hands")}
    monkeypatch.setattr("tracker.report.charts.CHARTS", two)
    few = replace(spell, rows=spell.rows.head(10))
    charts = draw_charts(few, tmp_path, "a_")
    for name in two:
        assert (tmp_path / f"a_{name}.png").read_bytes()[:4] == b"\x89PNG"
        ElementTree.fromstring((tmp_path / f"a_{name}.svg").read_text(encoding="utf-8"))
    assert draw_charts(few) == charts


def test_half_of_the_balls_lie_in_the_release_ellipse() -> None:
    """sqrt(2 ln 2): the radius that holds half of a two-dimensional Gaussian (Rayleigh's median)."""
    from tracker.report.charts_motion import HALF

    points = np.random.default_rng(1).normal(size=(20000, 2))
    inside = np.mean(np.hypot(*points.T) < HALF)
    assert abs(inside - 0.5) < 4 * np.sqrt(0.25 / 20000)


def test_an_ellipse_is_spoken_of_only_where_one_is_drawn(spell: Spell) -> None:
    """Three balls to each hand give none."""
    few = spell.rows.groupby("batter_hand").head(3)
    figure, sentence = drawn("release", replace(spell, rows=few))
    assert "ellipse" not in sentence and not [p for ax in figure.axes for p in ax.patches]
    figure, sentence = drawn("release", spell)
    assert "ellipse" in sentence and [p for ax in figure.axes for p in ax.patches]


def test_targets_are_drawn_once_on_their_own_surface_and_mirrored_for_left_handers(spell: Spell) -> None:
    figure, _ = drawn("bounces", spell)
    good = next(b for b in spell.boxes if b.name == "good length")
    found = {
        ax.get_title(loc="left"): [
            p.get_x() + p.get_width() / 2
            for p in ax.patches
            if isinstance(p, Rectangle) and np.isclose(p.get_y(), good.along_m[0])
        ]
        for ax in figure.axes
    }
    assert found == {
        "to right-handers": [pytest.approx(good.centre_m[0])],
        "to left-handers": [pytest.approx(-good.centre_m[0])],
    }
    stumps, _ = drawn("stumps", spell)
    assert [t.get_text() for t in stumps.legends[0].get_texts()][-1] == "top of off stump"

"""Targets: boxes, mirroring, shares, smallest boxes, ellipse, the scoring game; and what a bad file is told."""

from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.proportion import proportion_confint

from calibration.errors import InputError
from tests.invented_balls import balls, write_out
from tracker.analysis.spread import crease_use, ellipse, smallest_box, spreads
from tracker.analysis.zones import READY, Box, Crease, Targets, hits, read_targets, ready_file, scores
from tracker.cli import main
from tracker.report.assemble import read_spells

GOOD = Box("good length", "pitch", (4.0, 6.0), (0.0, 0.4), 4)


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(30)


def targets(*boxes: Box) -> Targets:
    return Targets(boxes, 20.1168, "pace", Crease())


@pytest.mark.parametrize("name", READY)
def test_ready_files_are_read(name: str) -> None:
    read = read_targets(ready_file(name))
    good = next(box for box in read.boxes if box.name == "good length")
    assert read.style == name.split("-")[0]
    # common practice, no source: 4 to 6 m for professionals, 3 to 5 m for clubs
    assert {"pace-professional": (4.0, 6.0), "pace-club": (3.0, 5.0)}.get(name, good.along_m) == good.along_m
    assert any(box.name.startswith("good length: ") for box in read.boxes)
    assert "common practice, no source" in ready_file(name).read_text()


def test_lengths_are_scaled_to_a_shorter_pitch_and_lines_are_not() -> None:
    stumps = Box("top of off", "stumps", (0.5, 0.8), (0.0, 0.2))
    short = targets(GOOD, stumps).scaled(17.3736)  # 19 yards, under-13
    assert short.boxes[0].along_m == pytest.approx((4 * 19 / 22, 6 * 19 / 22))
    assert short.boxes[0].line_m == GOOD.line_m
    assert short.boxes[1] == stumps


def test_boxes_are_mirrored_for_left_handers(rng: np.random.Generator) -> None:
    right = balls(rng, n=30, batter_hand="right")
    left = right.assign(batter_hand="left", bounce_x_m=-right["bounce_x_m"])
    a, b = (hits(table, targets(GOOD))[0] for table in (right, left))
    assert (a.hits, a.n) == (b.hits, b.n)
    assert 0 < a.hits < 30
    assert hits(right.assign(batter_hand=""), targets(GOOD))[0].hits == a.hits


def test_shares_carry_wilsons_interval(rng: np.random.Generator) -> None:
    found = hits(balls(rng, n=40), targets(GOOD))[0]
    assert (found.low, found.high) == pytest.approx(proportion_confint(found.hits, 40, method="wilson"))


def test_the_mean_miss_is_measured_from_the_middle_of_the_box_aimed_at(rng: np.random.Generator) -> None:
    table = balls(rng, n=20, batter_hand="left", bounce_x_m=-0.5, bounce_y_m=6.2, plan=["good length"] * 12 + [""] * 8)
    found = hits(table, targets(GOOD))[0]
    assert (found.aimed, found.aimed_hits, found.n) == (12, 0, 20)
    assert (found.miss_line_m, found.miss_along_m) == pytest.approx((0.3, 1.2))
    assert found.miss_words == "1.20 m too short, 0.30 m too wide of off on average"


def test_a_divided_box_is_counted_in_halves_too(tmp_path: Path, rng: np.random.Generator) -> None:
    path = tmp_path / "targets.toml"
    path.write_text('[[pitch]]\nname = "good"\nlength_m = [4.0, 6.0]\nline_m = [-0.3, 0.5]\ndivide = "length"\n')
    whole, fuller, shorter = hits(balls(rng, n=50), read_targets(path))
    assert [fuller.box.name, shorter.box.name] == ["good: fuller half", "good: shorter half"]
    assert fuller.box.along_m == (4.0, 5.0)
    assert whole.hits == fuller.hits + shorter.hits


@pytest.mark.parametrize("share", [0.5, 0.8])
def test_the_smallest_box_is_the_smallest(rng: np.random.Generator, share: float) -> None:
    x, y = rng.normal(0, 0.2, 12), rng.normal(5, 0.8, 12)
    need = int(np.ceil(share * 12))
    low_x, high_x, low_y, high_y = smallest_box(x, y, share)
    inside = (x >= low_x) & (x <= high_x) & (y >= low_y) & (y <= high_y)
    assert inside.sum() >= need
    every = [np.ptp(x[list(c)]) * np.ptp(y[list(c)]) for c in combinations(range(12), need)]  # brute force
    assert (high_x - low_x) * (high_y - low_y) == pytest.approx(min(every))


def test_many_balls_give_a_box_near_the_smallest(rng: np.random.Generator) -> None:
    # uniform on a rectangle of 1 x 4: half of the balls need half of its area, less what chance allows
    x, y = rng.uniform(0, 1, 600), rng.uniform(0, 4, 600)
    box = smallest_box(x, y, 0.5)
    assert 1.6 < (box[1] - box[0]) * (box[3] - box[2]) < 2.02


def test_the_ellipse_finds_a_tilted_scatter(rng: np.random.Generator) -> None:
    n = 20_000
    long, across, angle = rng.normal(0, 0.8, n), rng.normal(0, 0.2, n), np.radians(70)
    found = ellipse(long * np.cos(angle) - across * np.sin(angle), long * np.sin(angle) + across * np.cos(angle))
    assert found[0] == pytest.approx(0.8, rel=4 / np.sqrt(2 * n))
    assert found[1] == pytest.approx(0.2, rel=4 / np.sqrt(2 * n))
    assert found[2] == pytest.approx(70, abs=1)


def test_the_scoring_game_gives_the_best_box_and_totals(rng: np.random.Generator) -> None:
    wide = Box("anywhere", "pitch", (2.0, 9.0), (-2.0, 2.0), 1)
    table = balls(rng, n=12, batter_hand="right", bounce_x_m=0.2, bounce_y_m=[5.0, 8.0] * 6)
    table.loc[0, "bounce_y_m"] = np.nan
    game = scores(table, targets(GOOD, wide))
    assert list(game["points"]) == [2 * 4 + 3 * 1, 3 * 4 + 3 * 1]
    assert list(game["total"]) == [11, 26]
    assert list(game["unmeasured"]) == [1, 0]


def test_a_box_may_cost_points(rng: np.random.Generator) -> None:
    leg = Box("down the leg side", "pitch", (2.0, 9.0), (-2.0, -0.2), -1)
    table = balls(rng, n=6, batter_hand="right", bounce_x_m=[-0.5] * 4 + [0.2, 1.9], bounce_y_m=5.0)
    assert list(scores(table, targets(GOOD, leg))["points"]) == [4 * -1 + 4 + 0]


def test_crease_use_goes_by_the_side_of_the_wicket(rng: np.random.Generator) -> None:
    table = balls(rng, n=6, release_x_m=[0.2, 0.5, 0.9, -0.5, -0.9, -1.2], side=["over"] * 3 + ["round"] * 3)
    use = crease_use(table, Crease())
    assert use[["side", "close", "usual", "wide"]].to_numpy().tolist() == [["over", 1, 1, 1], ["round", 1, 1, 1]]


def test_places_that_were_not_measured_count_for_nothing(rng: np.random.Generator) -> None:
    table = balls(rng, n=10, bounce_x_m=np.nan, bounce_y_m=np.nan)
    found = hits(table, targets(GOOD))[0]
    assert (found.n, found.hits) == (0, 0)
    assert np.isnan(found.share)
    assert spreads(table)[0].boxes == ()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "no box"),
        ("[[pitch]]\nlength_m = [4, 6]\nline_m = [0, 1]\n", "no name"),
        ('[[pitch]]\nname = "a"\nlength_m = [6, 4]\nline_m = [0, 1]\n', "two rising numbers"),
        ('[[pitch]]\nname = "a"\nlenth_m = [4, 6]\nline_m = [0, 1]\n', 'did you mean "length_m"'),
        ('[[pitch]]\nname = "a"\nlength_m = [4, 6]\nline_m = [0, 1]\ndivide = "both"\n', '"length" or "line"'),
        ('pitch_length_m = -1\n[[pitch]]\nname = "a"\nlength_m = [4, 6]\nline_m = [0, 1]\n', "above 0"),
        ('[[pitch]]\nname = "a"\nlength_m = [4, 6]\nline_m = [0, 1]\n' * 2, "two boxes are called"),
        ('style = "fast"\n[[pitch]]\nname = "a"\nlength_m = [4, 6]\nline_m = [0, 1]\n', '"pace" or "spin"'),
        ("[[pitch]\n", "not valid TOML"),
    ],
)
def test_a_bad_targets_file_is_refused_in_one_line(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "targets.toml"
    path.write_text(text)
    with pytest.raises(InputError, match=says):
        read_targets(path)


def test_the_command_writes_its_tables(
    tmp_path: Path, rng: np.random.Generator, capsys: pytest.CaptureFixture[str]
) -> None:
    table = balls(rng, n=36, style="spin", plan="good length", over_no=np.repeat([1, 2, 3, 4, 5, 6], 6))
    out = write_out(tmp_path / "out", table)
    assert main(["targets", str(out), "--targets", "spin", "--out", str(tmp_path / "t")]) == 0
    names = {p.name for p in (tmp_path / "t").iterdir()}
    assert names == {"targets.csv", "spread.csv", "grouping.csv", "scores.csv"}
    assert pd.read_csv(tmp_path / "t" / "scores.csv")["over"].tolist() == [1, 2, 3, 4, 5, 6]
    text = capsys.readouterr().out
    assert "drift" in text
    assert "turn" in text
    assert "swing" not in text


def test_page_and_command_count_the_same_balls(tmp_path: Path, rng: np.random.Generator) -> None:
    # 18 bowled, one of them rejected, and 6 thrown: three overs of six, all but the rejected one in the box
    table = balls(rng, n=24, bounce_x_m=0.0, bounce_y_m=4.0, feed=["bowled"] * 18 + ["thrown"] * 6)
    table.loc[3, "status"] = "rejected"
    table.loc[3, ["bounce_x_m", "bounce_y_m", "stumps_x_m", "stumps_z_m", "release_speed_mps"]] = np.nan
    out = write_out(tmp_path / "out", table)
    assert main(["targets", str(out), "--out", str(tmp_path / "t")]) == 0
    good = pd.read_csv(tmp_path / "t" / "targets.csv").set_index("box").loc["good length"]
    assert (good["hits"], good["n"]) == (17, 17)
    game = pd.read_csv(tmp_path / "t" / "scores.csv")
    assert game["balls"].tolist() == [6, 6, 6] and game["unmeasured"].tolist() == [1, 0, 0]
    ((_, sections),) = read_spells(out, None, "", rng)
    boxes = next(section for section in sections if section.title == "Targets")
    assert next(row for row in boxes.rows if row[0] == "good length")[1] == "17 of 17"
    assert boxes.lines[1] == f"Score: {game['total'].iloc[-1]:g} points in 3 overs."


def test_an_example_is_printed_to_be_saved(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert main(["targets", "--example", "pace-club"]) == 0
    path = tmp_path / "mine.toml"
    path.write_text(capsys.readouterr().out)
    assert read_targets(path).boxes


def test_a_plan_that_names_no_box_and_a_failed_rig_are_told(
    tmp_path: Path, rng: np.random.Generator, capsys: pytest.CaptureFixture[str]
) -> None:
    out = write_out(tmp_path / "out", balls(rng, n=12, plan=["good lenght"] * 2 + ["good length"] * 4 + [""] * 6))
    assert main(["targets", str(out)]) == 0
    words = " ".join(capsys.readouterr().out.split())
    assert 'plan "good lenght" (2 balls) is no box; did you mean "good length"?' in words
    assert words.count("is no box") == 1
    (out / "check.json").write_text('[{"name": "gravity", "verdict": "fail"}]')
    assert main(["targets", str(out)]) == 1
    assert "failed its check: gravity" in capsys.readouterr().out


def test_balls_without_a_place_make_no_table_of_zeros(
    tmp_path: Path, rng: np.random.Generator, capsys: pytest.CaptureFixture[str]
) -> None:
    table = balls(rng, n=12)
    columns = ["bounce_x_m", "bounce_y_m", "stumps_x_m", "stumps_z_m"]
    table.loc[:3, columns] = np.nan
    assert main(["targets", str(write_out(tmp_path / "some", table))]) == 0
    assert "balls without a place, which earn nothing: 4" in capsys.readouterr().out
    table[columns] = np.nan
    assert main(["targets", str(write_out(tmp_path / "none", table))]) == 2
    assert "no delivery has a bounce or a place at the stumps" in capsys.readouterr().err

"""Comparing hands: the format's columns, outside statistics, known truths."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from calibration.lane import MPH_MPS
from tests.invented_balls import answer, balls, one, write_out
from tracker.analysis.compare import HAND, SPEED, Choice, compare
from tracker.analysis.design import plan
from tracker.analysis.measures import ACCOMPANYING, kind_of, with_derived
from tracker.analysis.statistics import Sample, welch
from tracker.analysis.tables import read_runs
from tracker.analysis.verdict import verdict
from tracker.analysis.workload import read_limits
from tracker.cli import main

HANDS_HEADING = (  # docs/files.md
    "bowler,arm,side,n_right,n_left,mean_right_mps,mean_left_mps,difference_mps,ci_low_mps,ci_high_mps,"
    "p_value,difference_mph,effect_size,smallest_detectable_mps,verdict"
)
LONG_HEADING = (
    "measure,unit,by,group_a,group_b,bowler,arm,side,n_a,n_b,mean_a,mean_b,difference,ci_low,ci_high,"
    "p_value,p_adjusted,effect_size,smallest_detectable,verdict"
)


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20)


def test_comparison_csv_is_as_the_format_says(tmp_path: Path, rng: np.random.Generator) -> None:
    side = np.where(np.arange(48) % 2 == 0, "over", "round")
    table = pd.concat(
        [
            balls(rng, left_minus_right_mps=-2.0, side=side),
            balls(rng, bowler="Invented B", first=100),
            balls(rng, bowler="Invented C", arm="left", first=200),
        ]
    )
    out = write_out(tmp_path / "out", table)
    assert main(["compare", str(out), "--out", str(tmp_path / "c")]) == 0
    found = pd.read_csv(tmp_path / "c" / "comparison.csv")
    assert ",".join(found.columns) == HANDS_HEADING
    rows = list(found[["bowler", "arm", "side"]].itertuples(index=False, name=None))
    mine = [("Invented A", "right", s) for s in ("all", "over", "round")]
    assert rows[:5] == [*mine, ("Invented B", "right", "all"), ("Invented C", "left", "all")]
    assert ("all", "right", "all") in rows
    assert ("all", "left", "all") in rows
    assert ",".join(pd.read_csv(tmp_path / "c" / "comparison_long.csv").columns) == LONG_HEADING
    text = (tmp_path / "c" / "comparison.csv").read_bytes()
    assert b"\r" not in text
    first = found.iloc[0]
    assert first["difference_mph"] == pytest.approx(first["difference_mps"] / MPH_MPS)
    assert first["verdict"].startswith("slower to left-handers by")


def test_a_bowlers_row_is_scipys_welch(tmp_path: Path, rng: np.random.Generator) -> None:
    table = balls(rng, n=40, left_minus_right_mps=-0.6)
    row = one(answer(table, tmp_path).comparisons, "Invented A")
    right, left = (table.loc[table[HAND] == h, SPEED] for h in ("right", "left"))
    test = stats.ttest_ind(left, right, equal_var=False)
    assert row.found.p_value == pytest.approx(test.pvalue, rel=1e-9)
    assert (row.found.ci_low, row.found.ci_high) == pytest.approx(tuple(test.confidence_interval()), rel=1e-9)
    assert row.found.value == pytest.approx(left.mean() - right.mean())


def test_a_pooled_row_averages_bowlers_and_never_mixes_their_balls(tmp_path: Path, rng: np.random.Generator) -> None:
    # the quick bowler bowls mostly to left-handers: raw balls would say faster to left-handers
    quick = balls(
        rng, n=40, mean_mps=39, left_minus_right_mps=-1.0, sd_mps=0.5, batter_hand=["right"] * 8 + ["left"] * 32
    )
    slow = balls(rng, n=40, bowler="Invented B", mean_mps=31, sd_mps=0.5, first=50, left_minus_right_mps=-1.0)
    slow[HAND] = ["left"] * 8 + ["right"] * 32
    for table in (quick, slow):
        table[SPEED] = (39 if table is quick else 31) + rng.normal(0, 0.5, 40) - 1.0 * (table[HAND] == "left")
    found = answer(pd.concat([quick, slow]), tmp_path).comparisons
    own = [one(found, name).found for name in ("Invented A", "Invented B")]
    pooled = one(found, "all").found
    assert pooled.value == pytest.approx(np.mean([d.value for d in own]))
    assert pooled.se == pytest.approx(np.hypot(own[0].se, own[1].se) / 2)
    assert pooled.ci_low < -1.0 < pooled.ci_high < 0


def test_arms_are_pooled_apart(tmp_path: Path, rng: np.random.Generator) -> None:
    # across the batter alike: the effect has opposite signs by arm and would cancel
    right = balls(rng, n=60, left_minus_right_mps=-2.0)
    left = balls(rng, n=60, bowler="Invented C", arm="left", left_minus_right_mps=2.0, first=100)
    pooled = [r for r in answer(pd.concat([right, left]), tmp_path).comparisons if r.bowler == "all"]
    assert [(r.arm, r.found.value < -1, r.found.value > 1) for r in pooled] == [
        ("right", True, False),
        ("left", False, True),
    ]


def test_only_stock_balls_bowled_to_a_batter_count(tmp_path: Path, rng: np.random.Generator) -> None:
    table = balls(rng, n=24, variation="stock", feed="bowled")
    table.loc[0, "variation"] = "slower"
    table.loc[1, "feed"] = "machine"
    table.loc[2, "feed"] = "thrown"
    table.loc[3, "status"] = "rejected"
    table.loc[4, HAND] = ""
    table.loc[5, SPEED] = np.nan
    table.loc[6, ["variation", "feed"]] = ""
    table.loc[7, "status"] = "partial"
    found = answer(table, tmp_path)
    assert one(found.comparisons, "Invented A").n == (9, 9)
    assert found.left_out == {
        "another variation": 1,
        "thrown or machine-fed": 2,
        "rejected": 1,
        "no batter_hand": 1,
    }
    everything = answer(table, tmp_path, variations=())
    assert one(everything.comparisons, "Invented A").n == (10, 9)


def test_a_mirrored_ball_has_the_same_line_from_off(rng: np.random.Generator) -> None:
    right = balls(rng, n=12, batter_hand="right")
    mirrored = right.assign(batter_hand="left")
    for column in ("release_x_m", "release_azimuth_deg", "bounce_x_m", "swing_m"):
        mirrored[column] = -right[column]
    a, b = with_derived(right), with_derived(mirrored)
    for name in ("line_from_off_m", "aim_from_off_m"):
        np.testing.assert_allclose(a[name], b[name])
    np.testing.assert_allclose(a["swing_for_length_m"], -b["swing_for_length_m"])


def test_swing_for_length_takes_out_the_square_of_the_distance() -> None:
    # the same side force over different lengths: swing = half k d^2
    length = np.array([3.0, 5.0, 8.0])
    rows = pd.DataFrame({"batter_hand": "right", "release_y_m": 18.5, "bounce_y_m": length})
    rows["swing_m"] = 0.5 * 0.002 * (18.5 - length) ** 2
    swing = with_derived(rows)["swing_for_length_m"]
    np.testing.assert_allclose(swing, swing[0])


def test_what_goes_with_it_is_corrected_by_holm(tmp_path: Path, rng: np.random.Generator) -> None:
    table = balls(rng, n=60)
    table["release_x_m"] += 0.05 * (table[HAND] == "left")
    found = answer(table, tmp_path, (SPEED, *ACCOMPANYING)).comparisons
    beside = [one(found, "Invented A", measure=m) for m in ACCOMPANYING]
    expected = multipletests([r.found.p_value for r in beside], method="holm")[1]
    np.testing.assert_allclose([r.p_adjusted for r in beside], expected)
    speed = one(found, "Invented A")
    assert speed.p_adjusted == speed.found.p_value


@pytest.mark.parametrize(
    ("a", "b", "starts"),
    [
        (Sample(30, 35.0, 1.0), Sample(30, 33.9, 1.0), "slower to left-handers by 2.5 mph, 95 % interval 1.3 to 3.6"),
        (Sample(30, 33.9, 1.0), Sample(30, 35.0, 1.0), "faster to left-handers by 2.5 mph"),
        (Sample(200, 34.0, 1.0), Sample(200, 34.05, 1.0), "no difference larger than 1 mph"),
        (Sample(10, 34.0, 1.2), Sample(10, 33.8, 1.2), "cannot tell yet: bowl 20 more to each hand"),
        (Sample(10, 34.0, 0.1), Sample(4, 33.8, 0.9), "cannot tell yet: bowl 1 more to each hand to judge the scatter"),
        (Sample(2, 34.0, 0.4), Sample(2, 33.8, 0.1), "cannot tell yet: bowl 3 more to each hand to judge the scatter"),
        (Sample(30, 34.0, 1.0), Sample(0, float("nan"), float("nan")), "cannot tell: no balls to left-handers"),
        (Sample(30, 34.0, 1.0), Sample(1, 33.0, float("nan")), "cannot tell: too few balls"),
        (Sample(5, 34.0, 0.0), Sample(5, 33.0, 0.0), "no scatter in these values"),
        (Sample(3, 36.0, 0.3), Sample(30, 33.0, 0.5), "slower to left-handers by"),
    ],
)
def test_verdicts(a: Sample, b: Sample, starts: str) -> None:
    words = verdict(kind_of(SPEED), HAND, ("right", "left"), [(a, b)], welch(a, b), MPH_MPS, 2 * MPH_MPS)
    assert words.startswith(starts)
    assert ("a hint only: 3 balls" in words) == (a.n == 3)
    if "judge the scatter" in words:  # Welch's interval stands beside it, but no number of balls is made of it
        assert "95 % interval" in words and "a hint only" in words


def test_more_balls_asked_for_are_enough(rng: np.random.Generator) -> None:
    a, b = Sample(10, 34.0, 1.2), Sample(10, 33.8, 1.2)
    words = verdict(kind_of(SPEED), HAND, ("right", "left"), [(a, b)], welch(a, b), MPH_MPS, 2 * MPH_MPS)
    n = 10 + int(words.split("bowl ")[1].split()[0])
    shown = sum(
        stats.ttest_ind(rng.normal(0, 1.2, n), rng.normal(2 * MPH_MPS, 1.2, n), equal_var=False).pvalue < 0.05
        for _ in range(2000)
    )
    assert shown / 2000 == pytest.approx(0.8, abs=0.02 + 3 * np.sqrt(0.16 / 2000))  # a whole ball more is up to 0.02


def test_another_column_and_several_groups(tmp_path: Path, rng: np.random.Generator) -> None:
    table = balls(rng, n=90, ball_type=np.tile(["new", "old", "worn"], 30))
    table[SPEED] -= 2.0 * (table["ball_type"] == "worn")
    rows = [r for r in answer(table, tmp_path, by="ball_type").comparisons if r.bowler == "Invented A"]
    assert [(r.group_a, r.group_b) for r in rows] == [("new", "old"), ("new", "worn"), ("old", "worn")]
    assert rows[1].verdict.startswith("slower with ball_type worn than with ball_type new by")
    np.testing.assert_allclose(
        [r.p_adjusted for r in rows], multipletests([r.found.p_value for r in rows], method="holm")[1]
    )


def test_variations_are_compared_where_stock_is_left_empty(tmp_path: Path, rng: np.random.Generator) -> None:
    table = balls(rng, n=40, variation=np.tile(["", "Stock", "slower", "Slower"], 10))  # docs/files.md: empty is stock
    table[SPEED] -= 4.0 * (table["variation"].str.lower() == "slower")
    (row,) = [r for r in answer(table, tmp_path, by="variation").comparisons if r.bowler == "Invented A"]
    assert {row.group_a: row.n[0], row.group_b: row.n[1]} == {"stock": 20, "slower": 20}
    assert row.found.p_value < 1e-3


def test_clips_are_compared_by_their_numbers(tmp_path: Path, rng: np.random.Generator) -> None:
    table = balls(rng, n=40, clip=np.tile([1, 1, 2, 2], 10))
    (row,) = [r for r in answer(table, tmp_path, by="clip").comparisons if r.bowler == "Invented A"]
    assert {row.group_a: row.n[0], row.group_b: row.n[1]} == {"1": 20, "2": 20}
    assert np.isfinite(row.found.p_value)


def test_a_design_alternates_and_warns_for_the_young() -> None:
    design = plan(2 * MPH_MPS, 1.0, read_limits(), ["A", "B"])
    assert design.per_hand == 21  # as Cohen's formula gives, already a multiple of the block
    for bowler, first in (("A", "right"), ("B", "left")):
        hands = design.order.loc[design.order["bowler"] == bowler, "batter_hand"].to_numpy()
        assert (hands == "right").sum() == (hands == "left").sum() == 21
        assert hands[0] == first
        # each over has both hands, and a steady tiring cancels to within one block
        assert all(set(hands[i : i + 6]) == {"right", "left"} for i in range(0, 42, 6))
        place = np.arange(42)
        assert abs(place[hands == "left"].mean() - place[hands == "right"].mean()) <= 3 / 7 * 3
    assert any("up to U13" in words and "2010" in words for words in design.cautions)
    assert "qualified staff decide" in design.cautions[-1]


def test_a_paired_order_lets_tiring_cancel() -> None:
    # 24 to each hand: an even number of block pairs, so a straight decline adds nothing at all
    design = plan(1.25, 1.5, (), block=3)
    hands = design.order["batter_hand"].to_numpy()
    assert design.per_hand % 6 == 0
    tired = -0.1 * np.arange(len(hands))
    assert tired[hands == "left"].mean() == pytest.approx(tired[hands == "right"].mean())


def test_compare_is_the_same_from_python(tmp_path: Path, rng: np.random.Generator) -> None:
    out = write_out(tmp_path / "out", balls(rng, left_minus_right_mps=-1.0))
    main(["compare", str(out), "--out", str(tmp_path / "c")])
    table = pd.read_csv(tmp_path / "c" / "comparison.csv")
    rows = with_derived(read_runs([out]).rows)
    found = compare(rows, [SPEED], Choice())[0]
    assert table["difference_mps"][0] == pytest.approx(found.found.value, rel=1e-8)


def test_the_manuals_python_example_says_what_the_command_says(
    tmp_path: Path, rng: np.random.Generator, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    write_out(tmp_path / "OUT", balls(rng, n=12))
    monkeypatch.chdir(tmp_path)
    manual = (Path(__file__).parent.parent / "docs" / "statistics.md").read_text(encoding="utf-8")
    exec(manual.split("```python\n")[1].split("```")[0], {})
    printed = capsys.readouterr().out.splitlines()
    assert main(["compare", "OUT", "--out", "c"]) == 0
    verdicts = pd.read_csv("c/comparison.csv")["verdict"]
    assert len(printed) == len(verdicts)
    assert all(line.endswith(words) for line, words in zip(printed, verdicts, strict=True))


def test_arms_are_compared_by_bowlers_means(tmp_path: Path, rng: np.random.Generator) -> None:
    levels = [
        ("R1", "right", 36.0),
        ("R2", "right", 35.0),
        ("R3", "right", 34.0),
        ("L1", "left", 33.0),
        ("L2", "left", 32.0),
    ]
    tables = [balls(rng, n=12, bowler=b, arm=a, mean_mps=m, first=20 * i + 1) for i, (b, a, m) in enumerate(levels)]
    table = pd.concat(tables)
    (row,) = answer(table, tmp_path, by="arm").comparisons
    means = [table.loc[table["bowler"] == b, SPEED].mean() for b, _, _ in levels]
    test = stats.ttest_ind(means[3:], means[:3], equal_var=False)
    assert row.n == (3, 2)
    assert row.found.p_value == pytest.approx(test.pvalue, rel=1e-9)
    assert "3 bowlers" in row.verdict or "2 bowlers" in row.verdict


@pytest.mark.parametrize("each", [1, 2])
def test_bowlers_means_are_shown_on_the_screen(
    tmp_path: Path, rng: np.random.Generator, capsys: pytest.CaptureFixture[str], each: int
) -> None:
    who = [(f"{arm} {i}", arm) for arm in ("right", "left") for i in range(each)]
    tables = [balls(rng, n=12, bowler=b, arm=a, first=20 * i + 1) for i, (b, a) in enumerate(who)]
    main(["compare", str(write_out(tmp_path / "out", pd.concat(tables))), "--by", "arm", "--shuffles", "99"])
    shown = " ".join(capsys.readouterr().out.split())
    assert "bowlers' means: " in shown and f"{each}/{each}" in shown
    assert ("bowlers' means: cannot tell: too few bowlers" in shown) == (each == 1)

"""Comparing hands: the contract's columns, outside statistics, known truths, and every refusal."""

import json
import re
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.regression.linear_model import OLS
from statsmodels.regression.mixed_linear_model import MixedLM
from statsmodels.stats.multitest import multipletests

from calibration.errors import InputError, LanepairError
from calibration.lane import MPH_MPS
from tests.invented_balls import balls, write_out
from tracker.analysis.adjust import with_order
from tracker.analysis.bias import seeing_bias
from tracker.analysis.compare import HAND, SPEED, Choice, Comparison, compare
from tracker.analysis.design import plan
from tracker.analysis.linear import Balls, dummies, fixed_blocks, random_blocks
from tracker.analysis.measures import ACCOMPANYING, kind_of, with_derived
from tracker.analysis.statistics import Sample, summarise, welch
from tracker.analysis.study import Study, study
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


def answer(table: pd.DataFrame, tmp_path: Path, measures: tuple[str, ...] = (SPEED,), **kwargs: object) -> Study:
    runs = read_runs([write_out(tmp_path / "out", table)], needed=[SPEED])
    return study(runs, list(measures), Choice(**kwargs), np.random.default_rng(1), shuffles=199)  # type: ignore[arg-type]


def one(rows: tuple[Comparison, ...], bowler: str, side: str = "all", measure: str = SPEED) -> Comparison:
    return next(r for r in rows if (r.bowler, r.side, r.measure) == (bowler, side, measure))


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


def test_more_balls_asked_for_are_enough(rng: np.random.Generator) -> None:
    a, b = Sample(10, 34.0, 1.2), Sample(10, 33.8, 1.2)
    words = verdict(kind_of(SPEED), HAND, ("right", "left"), [(a, b)], welch(a, b), MPH_MPS, 2 * MPH_MPS)
    n = 10 + int(words.split("bowl ")[1].split()[0])
    shown = sum(
        stats.ttest_ind(rng.normal(0, 1.2, n), rng.normal(2 * MPH_MPS, 1.2, n), equal_var=False).pvalue < 0.05
        for _ in range(2000)
    )
    assert shown / 2000 == pytest.approx(0.8, abs=0.02 + 3 * np.sqrt(0.16 / 2000))  # a whole ball more is up to 0.02


def test_linear_model_without_terms_is_welch(rng: np.random.Generator) -> None:
    a, b = rng.normal(0, 1, 12), rng.normal(1, 3, 7)
    group = np.repeat([0, 1], [12, 7])
    y = np.concatenate([a, b])
    found, share = fixed_blocks(Balls(y, group[:, None].astype(float), group, np.zeros(19, int), np.ones(19)))
    expected = welch(summarise(a), summarise(b))
    assert [found.value, found.se, found.df, found.p_value] == pytest.approx(
        [expected.value, expected.se, expected.df, expected.p_value], rel=1e-9
    )
    assert share.sum() == pytest.approx(0, abs=1e-12)


def spelled(rng: np.random.Generator, spells: int = 8, size: int = 9) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    block = np.repeat(np.arange(spells), size)
    hand = rng.integers(0, 2, len(block))
    order = np.tile(np.arange(size), spells).astype(float)
    return block, hand, order


def test_blocked_least_squares_agrees_with_statsmodels(rng: np.random.Generator) -> None:
    block, hand, order = spelled(rng)
    y = 34 - 0.5 * hand - 0.05 * order + rng.normal(0, 1, len(block)) + rng.normal(0, 1, 8)[block]
    x = np.column_stack([hand, order])
    found, _ = fixed_blocks(Balls(y, x, hand, block, np.ones(len(y))))
    assert found.value == pytest.approx(OLS(y, np.column_stack([x, dummies(block)])).fit().params[0], rel=1e-9)


def test_random_spells_agree_with_statsmodels(rng: np.random.Generator) -> None:
    block, hand, order = spelled(rng, spells=12)
    y = 34 - 0.5 * hand - 0.05 * order + rng.normal(0, 1, len(block)) + rng.normal(0, 1, 12)[block]
    x = np.column_stack([hand, order])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its optimiser stops short of its own tolerance now and then
        fit = MixedLM(y, np.column_stack([x, np.ones(len(y))]), groups=block).fit(reml=True)
    between, within = float(np.asarray(fit.cov_re)[0, 0]), float(fit.scale)
    found, _ = random_blocks(Balls(y, x, hand, block, np.ones(len(y))), np.ones((len(y), 1)), between, within)
    assert found.value == pytest.approx(fit.params[0], rel=1e-4)
    assert found.se == pytest.approx(fit.bse[0], rel=0.1)  # statsmodels takes one scatter for both hands


def test_tiring_is_taken_out(tmp_path: Path, rng: np.random.Generator) -> None:
    # left-handers come late in every spell and the bowler tires: no true difference
    hand = np.tile(["right"] * 8 + ["right", "left"] * 4 + ["left"] * 8, 3)
    table = balls(rng, n=72, batter_hand=hand, spell=np.repeat(["1", "2", "3"], 24), sd_mps=0.6)
    table[SPEED] = 34 - 0.12 * np.tile(np.arange(24), 3) + rng.normal(0, 0.6, 72)
    twin = answer(table, tmp_path).adjusted[0]
    assert twin.raw.ci_high < 0
    assert twin.adjusted.ci_low < 0 < twin.adjusted.ci_high
    assert twin.terms == ("order", "spell")


def test_hand_and_side_that_cannot_be_told_apart_are_named(tmp_path: Path, rng: np.random.Generator) -> None:
    table = balls(rng, n=48, left_minus_right_mps=-2.0)
    table["side"] = np.where(table[HAND] == "left", "round", "over")
    found = answer(table, tmp_path)
    words = one(found.comparisons, "Invented A").verdict
    assert "the batter's hand and side cannot be told apart" in words
    assert "all balls to left-handers were bowled round the wicket" in words
    assert "side" not in found.adjusted[0].terms
    assert one(found.comparisons, "Invented A", side="round").verdict.startswith(
        "cannot tell: no balls to right-handers"
    )


def test_one_hand_a_spell_is_named_and_not_adjusted(tmp_path: Path, rng: np.random.Generator) -> None:
    hand = np.repeat(["right", "left"], 12)
    table = balls(rng, n=24, batter_hand=hand, spell=np.repeat(["1", "2"], 12))
    found = answer(table, tmp_path)
    assert found.adjusted[0].method == ""
    assert "spell cannot be told apart" in one(found.comparisons, "Invented A").verdict


def test_many_spells_of_one_hand_each_are_judged_between_spells(tmp_path: Path, rng: np.random.Generator) -> None:
    spell = np.repeat(np.arange(12), 6)
    hand = np.where(spell % 2 == 0, "right", "left")
    table = balls(rng, n=72, batter_hand=hand, spell=spell.astype(str))
    table[SPEED] = 34 + rng.normal(0, 1.0, 12)[spell] + rng.normal(0, 0.5, 72)
    twin = answer(table, tmp_path).adjusted[0]
    assert twin.method == "mixed model"
    assert twin.adjusted.se > 1.5 * twin.raw.se  # the raw test takes 72 balls for independent
    assert twin.adjusted.df < 20


def test_the_rigs_common_error_widens_what_is_compared_across_rigs(tmp_path: Path, rng: np.random.Generator) -> None:
    # left-handers on one day, right-handers on another, each day its own rig
    tables = [
        balls(rng, n=24, batter_hand=h, session=h, date=d) for h, d in (("right", "2026-11-12"), ("left", "2026-11-19"))
    ]
    outs = [write_out(tmp_path / t["session"][0], t, common_sd={SPEED: 0.3}) for t in tables]
    found = study(read_runs(outs), [SPEED], Choice(), np.random.default_rng(1), shuffles=199)
    assert found.adjusted[0].rig_sd == pytest.approx(0.3 * np.sqrt(2))
    mixed = [balls(rng, n=24, session=s, date=d) for s, d in (("a", "2026-11-12"), ("b", "2026-11-19"))]
    outs = [write_out(tmp_path / t["session"][0], t, common_sd={SPEED: 0.3}) for t in mixed]
    found = study(read_runs(outs), [SPEED], Choice(), np.random.default_rng(1), shuffles=199)
    assert found.adjusted[0].rig_sd == pytest.approx(0, abs=1e-9)


def test_a_badly_measured_ball_weighs_less(tmp_path: Path, rng: np.random.Generator) -> None:
    table = balls(rng, n=24, sd_mps=0.5)
    table.loc[3, [SPEED, "release_speed_mps_sd"]] = [28.0, 3.0]
    twin = answer(table, tmp_path).adjusted[0]
    without = answer(table.drop(index=3), tmp_path).adjusted[0]
    assert abs(twin.adjusted.value - without.adjusted.value) < 0.3 * abs(twin.raw.value - without.raw.value)


def test_a_batter_who_hides_the_ball_is_reported(tmp_path: Path, rng: np.random.Generator) -> None:
    table = balls(rng, n=48, left_minus_right_mps=-0.5)
    table["sightings_right"] -= 15 * (table[HAND] == "left")
    table["release_speed_mps_sd"] = np.where(table[HAND] == "left", 0.5, 0.05)
    found = answer(table, tmp_path)
    assert {s.label for s in found.bias.unequal} == {"sightings in the right camera"}
    assert any("could move the difference by up to 1.12 mph" in note for note in found.notes)
    assert "not seen equally well" in one(found.comparisons, "Invented A").verdict


def test_balls_seen_alike_raise_no_alarm(rng: np.random.Generator) -> None:
    # 5 % of honest tables may; a slower ball is seen a little more often by that alone
    alarms = 0
    for _ in range(100):
        table = balls(rng, n=48, left_minus_right_mps=-1.0)
        table["sightings_left"] = np.round(60 * 34 / table[SPEED] + rng.normal(0, 2, 48))
        alarms += bool(seeing_bias(table, HAND, ("right", "left")).unequal)
    assert alarms <= 10  # 2 sd above 5


def test_order_counts_every_ball_of_the_spell(rng: np.random.Generator) -> None:
    table = balls(rng, n=8, spell=["1"] * 4 + ["2"] * 4, status=["ok", "rejected"] * 4)
    assert list(with_order(table)["order"]) == [1, 2, 3, 4, 1, 2, 3, 4]


def test_another_column_and_several_groups(tmp_path: Path, rng: np.random.Generator) -> None:
    table = balls(rng, n=90, ball_type=np.tile(["new", "old", "worn"], 30))
    table[SPEED] -= 2.0 * (table["ball_type"] == "worn")
    rows = [r for r in answer(table, tmp_path, by="ball_type").comparisons if r.bowler == "Invented A"]
    assert [(r.group_a, r.group_b) for r in rows] == [("new", "old"), ("new", "worn"), ("old", "worn")]
    assert rows[1].verdict.startswith("slower with ball_type worn than with ball_type new by")
    np.testing.assert_allclose(
        [r.p_adjusted for r in rows], multipletests([r.found.p_value for r in rows], method="holm")[1]
    )


def test_names_travel_untouched(tmp_path: Path, rng: np.random.Generator) -> None:
    name = '=1+1, "Zoë" <b>O\'Neil</b>'
    out = write_out(tmp_path / "out", balls(rng, bowler=name))
    assert main(["compare", str(out), "--out", str(tmp_path / "c")]) == 0
    assert pd.read_csv(tmp_path / "c" / "comparison.csv")["bowler"][0] == name


def test_columns_may_stand_in_any_order_with_others_between(tmp_path: Path, rng: np.random.Generator) -> None:
    table = balls(rng, n=30)
    plain = answer(table, tmp_path).comparisons[0].found
    turned = table[table.columns[::-1]].assign(anything="x, y")
    assert answer(turned, tmp_path).comparisons[0].found == plain


@pytest.mark.parametrize("column", ["session", "date", "delivery", "bowler", "arm", HAND, "side", "status", SPEED])
def test_a_missing_column_is_named(tmp_path: Path, rng: np.random.Generator, column: str) -> None:
    out = write_out(tmp_path / "out", balls(rng).drop(columns=column))
    with pytest.raises(InputError, match=f'no column "{column}"'):
        read_runs([out], needed=[SPEED])


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({SPEED: "quick"}, 'line 2: release_speed_mps is "quick"'),
        ({"batter_hand": "R"}, 'line 2: batter_hand is "R"'),
        ({"date": "12/11/2026"}, "ISO date"),
        ({"delivery": 1}, "line 3: delivery 1 is there twice"),
        ({SPEED: ""}, "none of the 48 deliveries can be compared"),
        ({"status": "rejected"}, "none of the 48 deliveries can be compared .48 rejected."),
        ({"feed": "machine"}, "48 thrown or machine-fed"),
        ({"bowler": "all"}, 'a bowler is called "all"'),
    ],
)
def test_bad_cells_are_refused_in_one_line(
    tmp_path: Path,
    rng: np.random.Generator,
    capsys: pytest.CaptureFixture[str],
    change: dict[str, object],
    says: str,
) -> None:
    out = write_out(tmp_path / "out", balls(rng).assign(**change))
    assert main(["compare", str(out), "--out", str(tmp_path / "c")]) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert re.search(says, err)
    assert not (tmp_path / "c").exists()


@pytest.mark.parametrize("text", ["", "session,date\n", "a,b\n1,2,3\n", 'a,"b\n'])
def test_damaged_files_are_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "deliveries.csv").write_text(text)
    with pytest.raises(InputError):
        read_runs([tmp_path])


def test_a_session_given_twice_is_refused(tmp_path: Path, rng: np.random.Generator) -> None:
    table = balls(rng)
    a, b = write_out(tmp_path / "a", table), write_out(tmp_path / "b", table)
    c = write_out(tmp_path / "c", table.assign(session="another name"))
    d = write_out(tmp_path / "d", balls(rng))
    for pair, says in (
        ((a, a), "given twice"),
        ((a, b), "as .*a does"),
        ((a, c), "the same speeds"),
        ((a, d), "session"),
    ):
        with pytest.raises(InputError, match=says):
            read_runs(list(pair), needed=[SPEED])


def test_mixed_pitch_lengths_are_refused(tmp_path: Path, rng: np.random.Generator) -> None:
    a = write_out(tmp_path / "a", balls(rng))
    b = write_out(tmp_path / "b", balls(rng, session="juniors"), pitch_length_m=17.3736)
    with pytest.raises(InputError, match=r"a pitch of 17\.37 m, but .* has 20\.12 m"):
        read_runs([a, b])


def test_a_rig_that_failed_its_check_marks_the_result(tmp_path: Path, rng: np.random.Generator) -> None:
    out = write_out(tmp_path / "out", balls(rng))
    (out / "check.json").write_text(
        json.dumps([{"name": "knock", "verdict": "fail"}, {"name": "g", "verdict": "pass"}])
    )
    assert main(["compare", str(out), "--out", str(tmp_path / "c")]) == 1
    verdicts = pd.read_csv(tmp_path / "c" / "comparison.csv")["verdict"]
    assert verdicts.str.contains("failed its check .knock.").all()


def test_one_hand_missing_is_marked_and_not_numbered(tmp_path: Path, rng: np.random.Generator) -> None:
    out = write_out(tmp_path / "out", balls(rng, batter_hand="right"))
    assert main(["compare", str(out), "--out", str(tmp_path / "c")]) == 0
    row = pd.read_csv(tmp_path / "c" / "comparison.csv").iloc[0]
    assert (row["n_right"], row["n_left"]) == (48, 0)
    assert row[["difference_mps", "ci_low_mps", "p_value", "effect_size"]].isna().all()
    assert row["verdict"].startswith("cannot tell: no balls to left-handers")


def test_a_bowler_without_a_measured_ball_still_has_a_row(tmp_path: Path, rng: np.random.Generator) -> None:
    table = pd.concat([balls(rng), balls(rng, n=6, bowler="Invented B", first=90, status="rejected")])
    row = one(answer(table, tmp_path).comparisons, "Invented B")
    assert row.n == (0, 0)
    assert row.verdict.startswith("cannot tell: no balls with this measure")


def test_unknown_words_name_the_nearest(tmp_path: Path, rng: np.random.Generator) -> None:
    table = balls(rng)
    with pytest.raises(LanepairError, match='did you mean "side"'):
        answer(table, tmp_path, by="sid")
    with pytest.raises(LanepairError, match='did you mean "release_z_m"'):
        answer(table, tmp_path, ("release_zm",))
    with pytest.raises(LanepairError, match="different values"):
        answer(table, tmp_path, by="start_s")


def test_a_written_comparison_survives_a_failed_one(tmp_path: Path, rng: np.random.Generator) -> None:
    out = write_out(tmp_path / "out", balls(rng))
    assert main(["compare", str(out), "--out", str(tmp_path / "c")]) == 0
    before = (tmp_path / "c" / "comparison.csv").read_bytes()
    write_out(tmp_path / "out", balls(rng).assign(status="rejected"))
    assert main(["compare", str(out), "--out", str(tmp_path / "c")]) == 2
    assert (tmp_path / "c" / "comparison.csv").read_bytes() == before
    assert sorted(p.name for p in (tmp_path / "c").iterdir()) == sorted(
        ["comparison.csv", "comparison_long.csv", "comparison_adjusted.csv"]
    )


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

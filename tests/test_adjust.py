"""Adjusting: agreement with other libraries, known truths, what cannot be told apart, unequal seeing."""

import warnings
from itertools import combinations, product
from math import comb
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.regression.linear_model import OLS
from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMParams

from tests.invented_balls import answer, balls, one, write_out
from tracker.analysis.adjust import ORDER, with_order
from tracker.analysis.bias import _p_without_scatter, seeing_bias
from tracker.analysis.compare import HAND, SPEED, Choice
from tracker.analysis.linear import Balls, _Blocks, _scatters, dummies, fixed_blocks, random_blocks, spell_scatter
from tracker.analysis.statistics import Sample, summarise, welch
from tracker.analysis.study import study
from tracker.analysis.tables import read_runs


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20)


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


def test_scatters_are_what_whole_matrices_give(rng: np.random.Generator) -> None:
    # Rao's MINQUE by brute force: M = I - X X+, E_h selects a group, D holds the scatters
    n = 40
    group, block, weight = rng.integers(0, 2, n), rng.integers(0, 5, n), rng.uniform(0.5, 1.5, n)
    data = Balls(rng.normal(0, 1 + group, n), np.column_stack([group, rng.normal(size=n)]), group, block, weight)
    found, spread = _scatters(data, _Blocks(data))
    root = np.sqrt(weight)
    x = root[:, None] * np.column_stack([data.x, dummies(block)])
    m, e = np.eye(n) - x @ np.linalg.pinv(x), [np.diag((group == h).astype(float)) for h in (0, 1)]
    rest = m @ (root * data.y)
    back = np.linalg.inv([[np.sum((e[h] @ m @ e[k]) ** 2) for k in (0, 1)] for h in (0, 1)])
    np.testing.assert_allclose(found, back @ [rest @ e[h] @ rest for h in (0, 1)])
    mdm = m @ np.diag(found[group]) @ m
    cov = [[2 * np.trace(e[h] @ mdm @ e[k] @ mdm) for k in (0, 1)] for h in (0, 1)]
    np.testing.assert_allclose(spread, back @ cov @ back.T)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("level_sd", [0.0, 0.3, 0.7, 2.0])
def test_random_spells_agree_with_statsmodels(seed: int, level_sd: float) -> None:
    rng = np.random.default_rng(seed)
    block, hand, order = spelled(rng, spells=12)
    y = 34 - 0.5 * hand - 0.05 * order + rng.normal(0, 1, len(block)) + rng.normal(0, level_sd, 12)[block]
    x, one = np.column_stack([hand, order]), np.ones((len(y), 1))
    balls_ = Balls(y, x, hand, block, np.ones(len(y)))
    between, within = spell_scatter(balls_, one)
    model = MixedLM(y, np.column_stack([x, one]), groups=block)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its optimiser stops short of the best fit now and then
        fit = model.fit(reml=True)
    # judged by statsmodels' own likelihood, ours is never the worse fit
    best = model.loglike(MixedLMParams.from_components(cov_re=np.array([[between / within]])), profile_fe=True)
    assert best >= fit.llf - 1e-6
    if best < fit.llf + 1e-4:  # it came to the same place
        theirs = float(np.asarray(fit.cov_re)[0, 0])
        assert (between, within) == pytest.approx((theirs, fit.scale), rel=0.02, abs=0.02)
        found, _ = random_blocks(balls_, one, between, within)
        assert found.value == pytest.approx(fit.params[0], abs=1e-3)
        assert found.se == pytest.approx(fit.bse[0], rel=0.15)  # statsmodels takes one scatter for both hands


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


def test_what_cannot_be_told_apart_is_said_of_the_average_too(tmp_path: Path, rng: np.random.Generator) -> None:
    tied, mixed = balls(rng, n=48), balls(rng, n=48, bowler="Invented B", first=100, side=["over", "round"] * 24)
    tied["side"] = np.where(tied[HAND] == "left", "round", "over")
    words = one(answer(pd.concat([tied, mixed]), tmp_path).comparisons, "all").verdict
    assert "of Invented A: the batter's hand and side cannot be told apart" in words and "Invented B" not in words


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
    told = {"sightings in the right camera", "measuring sd of the speed at release"}
    assert {s.label for s in found.bias.unequal} == told
    assert any("could move the difference by up to 1.12 mph" in note for note in found.notes)
    assert "not seen equally well" in one(found.comparisons, "Invented A").verdict


def test_a_release_that_one_hand_never_shows_is_reported(rng: np.random.Generator) -> None:
    # neither group scatters, so Welch's test is silent: 2 of the C(24, 12) ways are as far apart
    table = balls(rng, n=24)
    table["release_seen"] = np.where(table[HAND] == "left", "false", "true")
    (sign,) = seeing_bias(table, HAND, ("right", "left")).unequal
    assert (sign.label, sign.relative) == ("share of balls whose release was seen", -1.0)
    assert sign.p_adjusted == pytest.approx(3 * 2 / comb(24, 12))  # Holm over the three signs that differ at all
    few = table.iloc[[0, 1, 3, 4]]  # two to each hand: chance does it once in three
    assert not seeing_bias(few, HAND, ("right", "left")).unequal


def test_a_release_that_the_first_hand_never_shows_is_reported_too(rng: np.random.Generator) -> None:
    table = balls(rng, n=24)
    table["release_seen"] = np.where(table[HAND] == "left", "true", "false")
    (sign,) = seeing_bias(table, HAND, ("right", "left")).unequal
    assert sign.relative == 1.0  # of the left-handers' share: the right-handers' is 0


@pytest.mark.parametrize(("n_a", "n_b"), [(2, 2), (2, 3), (3, 2), (5, 5), (4, 12)])
def test_without_scatter_one_bowlers_p_is_fishers(n_a: int, n_b: int) -> None:
    table = [[n_a, 0], [0, n_b]]  # seen and not seen, by hand
    found = _p_without_scatter([(Sample(n_a, 1.0, 0.0), Sample(n_b, 0.0, 0.0))])
    assert found == pytest.approx(stats.fisher_exact(table).pvalue, rel=1e-9)


@pytest.mark.parametrize("gaps", [(1, 1), (1, -1, -1), (1, 1, -1), (1, 0, 1)])
def test_without_scatter_several_bowlers_p_counts_all_ways_to_share_out_their_balls(gaps: tuple[int, ...]) -> None:
    """Bowlers of opposite ways make no case together: all ways one by one, by itertools."""
    sizes = [(2, 3), (3, 3), (2, 2)][: len(gaps)]
    pairs = [(Sample(a, 0.0, 0.0), Sample(b, float(g), 0.0)) for (a, b), g in zip(sizes, gaps, strict=True)]
    ways = []
    for (a, b), gap in zip(sizes, gaps, strict=True):
        value = np.array([0.0] * a + [float(gap)] * b)
        own = [list(c) for c in combinations(range(a + b), a)]
        ways.append([np.delete(value, c).mean() - value[c].mean() for c in own])
    sums = np.array([sum(way) for way in product(*ways)])
    expected = np.mean(np.abs(sums) >= abs(sum(gaps)) - 1e-9)
    assert _p_without_scatter(pairs) == pytest.approx(expected, rel=1e-9)


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
    assert list(with_order(table)[ORDER]) == [1, 2, 3, 4, 1, 2, 3, 4]

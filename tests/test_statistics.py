"""Elementary statistics against published worked examples; each check names its source."""

from fractions import Fraction
from math import isnan
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.power import TTestIndPower
from statsmodels.stats.proportion import proportion_confint

from tracker.analysis.agreement import fit_line
from tracker.analysis.gauge import gauge_anova
from tracker.analysis.statistics import (
    Sample,
    average_difference,
    balls_needed,
    contrast,
    equivalence_p,
    hedges_g,
    holm,
    mean_interval,
    more_balls,
    permutation_p,
    pooled_sd,
    power_of,
    sd_interval,
    smallest_detectable,
    summarise,
    welch,
    wilson,
)

HERE = Path(__file__).parent
STRD = HERE / "data" / "nist_strd"


def strd(name: str) -> tuple[str, np.ndarray]:
    """The text and the data of a NIST set; the header says on which lines the data lie."""
    text = (STRD / f"{name}.dat").read_text()
    first = int(
        next(line for line in text.splitlines() if "Data  " in line and "lines" in line).split("lines")[1].split()[0]
    )
    return text, np.array([[float(v) for v in line.split()] for line in text.splitlines()[first - 1 :] if line.strip()])


def test_welch_agrees_with_the_car_mileage_of_the_nist_handbook() -> None:
    # NIST/SEMATECH e-Handbook 1.3.5.3: t -12.94627, df 136.875 (R prints -12.946, 136.87)
    found = welch(Sample(249, 20.14458, 6.41470), Sample(79, 30.48101, 6.10771))
    assert found.value / found.se == pytest.approx(12.94627, abs=1e-4)
    assert found.df == pytest.approx(136.875, abs=1e-3)


def test_welch_agrees_with_students_sleep_data() -> None:
    # Student 1908, Biometrika 6, 1-25: t -1.860813, df 17.776474, p 0.079394, interval -3.365483 to 0.205483
    sleep = pd.read_csv(HERE / "reference" / "student_sleep.csv", comment="#")
    found = welch(*(summarise(sleep[c].to_numpy(float)) for c in ("group2", "group1")))
    assert found.value / found.se == pytest.approx(-1.860813, abs=1e-6)
    assert found.df == pytest.approx(17.776474, abs=1e-6)
    assert found.p_value == pytest.approx(0.079394, abs=1e-6)
    assert (found.ci_low, found.ci_high) == pytest.approx((-3.365483, 0.205483), abs=1e-6)


def test_an_average_of_equal_pairs_is_what_one_pair_gives_with_a_smaller_error() -> None:
    pair = (Sample(20, 34.0, 1.0), Sample(20, 33.0, 1.5))
    one, four = welch(*pair), average_difference([pair] * 4)
    assert four.value == pytest.approx(one.value)
    assert four.se == pytest.approx(one.se / 2)
    assert four.df == pytest.approx(4 * one.df)


def test_a_contrast_with_weights_one_and_minus_one_is_welch() -> None:
    a, b = Sample(9, 1.0, 2.0), Sample(14, 3.0, 1.0)
    assert contrast((-1, 1), (a, b)) == welch(a, b)


def test_hedges_g_agrees_with_borenstein() -> None:
    # Borenstein et al. 2009, Introduction to Meta-Analysis, ch. 4: g 0.5924, S pooled 5.0249
    samples = [Sample(50, 100.0, 4.5), Sample(50, 103.0, 5.5)]
    assert hedges_g(3.0, samples) == pytest.approx(0.5924, abs=5e-5)
    assert pooled_sd(samples)[0] == pytest.approx(5.0249, abs=5e-5)


@pytest.mark.parametrize(("d", "n"), [(0.2, 394), (0.5, 64), (0.8, 26)])
def test_sample_sizes_agree_with_cohen(d: float, n: int) -> None:
    assert balls_needed(d, 1.0) == n  # Cohen 1988, tables for two-sided 5 %, power 0.80 (prints 393 for 0.2: rounding)


@pytest.mark.parametrize(("sd", "two_mph", "three_mph"), [(1.0, 21, 10), (1.5, 46, 21), (2.0, 80, 36)])
def test_balls_needed_for_two_and_three_mph(sd: float, two_mph: int, three_mph: int) -> None:
    # computed for the project from Cohen's formula
    assert (balls_needed(2 * 0.44704, sd), balls_needed(3 * 0.44704, sd)) == (two_mph, three_mph)


@pytest.mark.parametrize("n", [5, 20, 200])
def test_smallest_detectable_agrees_with_statsmodels(n: int) -> None:
    expected = TTestIndPower().solve_power(None, n, 0.05, 0.8)
    assert smallest_detectable(np.sqrt(2 / n), 2 * n - 2) == pytest.approx(expected, rel=1e-6)


def test_power_has_both_tails_and_no_cracks() -> None:
    assert power_of(0.0, 1.0, 12) == pytest.approx(0.05)
    for df in (1.0, 1.5, 3.0, 30.0, 1000.0):
        powers = np.array([power_of(d, 1.0, df) for d in np.linspace(0, 60, 200)])
        assert np.all(np.diff(powers) > -1e-7)
        assert np.isfinite(powers).all()


def test_more_balls_are_none_once_there_are_enough() -> None:
    pair = [(Sample(64, 0.0, 1.0), Sample(64, 0.0, 1.0))]
    assert more_balls(pair, 0.5) == 0
    assert more_balls(pair, 0.2) == 394 - 64
    assert more_balls(pair, 1e-4) is None


def test_as_many_balls_as_are_allowed_are_looked_at() -> None:
    assert balls_needed(0.5, 1.0, most=64) == 64  # Cohen 1988, table 2.4.1
    assert balls_needed(0.5, 1.0, most=63) is None
    assert balls_needed(0.5, 1.0, most=100) == 64


def test_holm_agrees_with_statsmodels(rng_numbers: np.random.Generator) -> None:
    p = rng_numbers.uniform(0, 0.2, 9)
    np.testing.assert_allclose(holm(list(p)), multipletests(p, method="holm")[1])


def test_holm_passes_over_what_was_not_tested() -> None:
    assert holm([0.01, float("nan"), 0.03])[::2] == [0.02, 0.03]
    assert isnan(holm([float("nan")])[0])


@pytest.mark.parametrize(("hits", "n"), [(0, 10), (3, 10), (10, 10), (81, 263)])
def test_wilson_agrees_with_statsmodels(hits: int, n: int) -> None:
    assert wilson(hits, n) == pytest.approx(proportion_confint(hits, n, method="wilson"), abs=1e-12)


def test_intervals_agree_with_scipy(rng_numbers: np.random.Generator) -> None:
    x = rng_numbers.normal(3, 2, 15)
    sample = summarise(x)
    assert mean_interval(sample) == pytest.approx(stats.ttest_1samp(x, 0).confidence_interval(), rel=1e-9)
    low, high = sd_interval(sample.sd, 14)
    assert stats.chi2.cdf(14 * sample.sd**2 / low**2, 14) == pytest.approx(0.975)
    assert stats.chi2.cdf(14 * sample.sd**2 / high**2, 14) == pytest.approx(0.025)


def test_equivalence_is_two_one_sided_tests(rng_numbers: np.random.Generator) -> None:
    a, b = rng_numbers.normal(0, 1, 40), rng_numbers.normal(0.1, 1.4, 30)
    over = stats.ttest_ind(b - 0.8, a, equal_var=False, alternative="less").pvalue
    under = stats.ttest_ind(b + 0.8, a, equal_var=False, alternative="greater").pvalue
    assert equivalence_p(welch(summarise(a), summarise(b)), 0.8) == pytest.approx(max(over, under), rel=1e-9)


def test_permutation_agrees_with_scipy_and_has_no_zero(rng_numbers: np.random.Generator) -> None:
    # unequal sds and numbers: shuffles differ in their degrees of freedom
    a, b = rng_numbers.normal(0, 1, 20), rng_numbers.normal(1.2, 2, 7)

    def welch_p(x: np.ndarray, y: np.ndarray) -> float:
        return float(stats.ttest_ind(x, y, equal_var=False).pvalue)

    theirs = stats.permutation_test((a, b), welch_p, n_resamples=4000, alternative="less", rng=np.random.default_rng(5))
    ours = permutation_p(a, b, rng=np.random.default_rng(6), size=20000)
    # binomial sd of the two estimates, four times
    assert ours == pytest.approx(theirs.pvalue, abs=4 * np.sqrt(ours * (1 - ours) * (1 / 4000 + 1 / 20000)))
    assert 0.01 < ours < 0.5
    assert permutation_p(a, a + 50, rng=np.random.default_rng(7), size=99) == pytest.approx(0.01)


def test_shuffling_within_strata_never_crosses_them(rng_numbers: np.random.Generator) -> None:
    # all of one group in one stratum: every shuffle is the data itself
    a, b = rng_numbers.normal(0, 1, 10), rng_numbers.normal(5, 1, 10)
    strata = np.repeat([0, 1], 10)
    assert permutation_p(a, b, rng=np.random.default_rng(1), size=199, strata=strata) == 1.0


def test_a_large_offset_costs_no_digits() -> None:
    # NIST StRD NumAcc4 (from memory): 1001 values, mean 10000000.2, sd 0.1
    values = np.array([10000000.2] + [10000000.1, 10000000.3] * 500)
    sample = summarise(values)
    assert sample.mean == pytest.approx(10000000.2, rel=1e-15)
    assert sample.sd == pytest.approx(0.1, rel=1e-7)


@pytest.mark.parametrize(
    ("name", "f", "residual_sd", "digits"),
    [  # certified by NIST
        ("SiRstv", 1.18046237440255, 1.04076068334656e-01, 1e-9),
        ("SmLs01", 2.1e01, 1e-01, 1e-9),
        ("SmLs04", 2.1e01, 1e-01, 1e-9),
    ],
)
def test_variance_components_agree_with_nist(name: str, f: float, residual_sd: float, digits: float) -> None:
    text, data = strd(name)
    assert f"{f:.14E}" in text.replace("1.00000000000000E-01", f"{1e-1:.14E}")
    groups = np.array([data[data[:, 0] == g, 1] for g in np.unique(data[:, 0])])[None]
    gauge = gauge_anova(groups)
    trials = groups.shape[2]
    assert gauge.repeatability == pytest.approx(residual_sd, rel=digits)
    assert 1 + trials * gauge.parts**2 / gauge.repeatability**2 == pytest.approx(f, rel=digits)


def test_thirteen_constant_digits_cost_only_what_doubles_cannot_hold() -> None:
    # SmLs07: read as doubles its F is 21.0008, not the certified 21; no digit beyond that may be lost
    _, data = strd("SmLs07")
    groups = [[Fraction(value) for value in data[data[:, 0] == g, 1]] for g in np.unique(data[:, 0])]
    means = [sum(group) / len(group) for group in groups]
    trials, middle = len(groups[0]), sum(means) / len(means)
    within = sum((v - mean) ** 2 for group, mean in zip(groups, means, strict=True) for v in group)
    between = trials * sum((mean - middle) ** 2 for mean in means) / (len(groups) - 1)
    exact = between / (within / (len(groups) * (trials - 1)))
    gauge = gauge_anova(np.array(groups, dtype=float)[None])
    assert 1 + trials * gauge.parts**2 / gauge.repeatability**2 == pytest.approx(float(exact), rel=1e-9)
    assert float(exact) == pytest.approx(21.0, rel=1e-3)


def test_welch_squared_is_the_certified_f_of_two_equal_groups() -> None:
    _, data = strd("AtmWtAg")  # NIST: F 15.9467335677930, two groups of 24
    found = welch(*(summarise(data[data[:, 0] == g, 1]) for g in (1, 2)))
    assert (found.value / found.se) ** 2 == pytest.approx(15.9467335677930, rel=1e-8)


def test_a_straight_line_agrees_with_norris() -> None:
    _, data = strd("Norris")  # NIST StRD, certified values
    line = fit_line(data[:, 1], data[:, 0])
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.intercept_sd == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.slope_sd == pytest.approx(0.429796848199937e-03, rel=1e-9)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)


@pytest.fixture
def rng_numbers() -> np.random.Generator:
    return np.random.default_rng(11)

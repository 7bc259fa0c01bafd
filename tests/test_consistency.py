"""Grouping: the observed scatter, the measuring part, what is left."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.invented_balls import balls
from tracker.analysis.consistency import Grouping, grouping, grouping_table
from tracker.analysis.measures import with_derived
from tracker.analysis.tables import RUN, Run


def invented_run(measure: str, common_sd: float) -> Run:
    return Run(Path("invented"), "Invented nets", "2026-11-12", 20.12, {measure: common_sd}, ())


def grouped(table: pd.DataFrame, measure: str = "release_speed_mps", common_sd: float = 0.0) -> Grouping:
    rows = with_derived(table).assign(**{RUN: 0})
    return grouping(rows, [invented_run(measure, common_sd)], [measure])[0]


def test_measuring_error_is_taken_out_of_the_scatter() -> None:
    rng = np.random.default_rng(1)
    n = 4000
    table = balls(rng, n=n, sd_mps=np.hypot(1.0, 0.5), release_speed_mps_sd=0.5)
    speed = grouped(table)
    assert speed.observed_sd == pytest.approx(np.hypot(1.0, 0.5), rel=4 / np.sqrt(2 * n))
    assert speed.measuring_sd == 0.5
    assert speed.own_sd == pytest.approx(1.0, rel=5 / np.sqrt(2 * n) * 1.25)  # the sd's error, times observed / own
    assert speed.own_ci[0] < 1.0 < speed.own_ci[1]
    assert "measuring error makes 20%" in speed.words


def test_an_error_that_all_balls_share_is_no_part_of_the_scatter() -> None:
    rng = np.random.default_rng(8)
    n, shared, single = 4000, 2.0, 0.5
    both = float(np.hypot(shared, single))
    table = balls(rng, n=n, sd_mps=np.hypot(1.0, single), mean_mps=34 + shared, release_speed_mps_sd=both)
    speed = grouped(table, common_sd=shared)
    assert speed.measuring_sd == pytest.approx(single)
    assert speed.own_sd == pytest.approx(1.0, rel=5 / np.sqrt(2 * n) * 1.25)
    assert grouped(table).own_sd == 0  # all of the sd taken for scatter leaves the bowler none of his own


def test_a_planned_difference_and_a_days_level_are_no_looseness() -> None:
    rng = np.random.default_rng(2)
    days = [
        balls(rng, n=600, mean_mps=m, sd_mps=1.0, left_minus_right_mps=-3.0, date=f"2026-11-{d}", first=1)
        for m, d in ((32, 12), (36, 19))
    ]
    speed = grouped(pd.concat(days, ignore_index=True))
    assert speed.observed_sd == pytest.approx(1.0, rel=4 / np.sqrt(2 * 1200))


def test_over_and_round_the_wicket_are_no_looseness() -> None:
    table = balls(np.random.default_rng(7), n=900, sd_mps=1.0)
    round_it = np.arange(len(table)) % 3 == 0
    table = table.assign(
        side=np.where(round_it, "round", "over"), release_speed_mps=table["release_speed_mps"] - 4.0 * round_it
    )
    speed = grouped(table)
    assert speed.observed_sd == pytest.approx(1.0, rel=4 / np.sqrt(2 * 900))


def test_scatter_no_larger_than_measuring_leaves_nothing() -> None:
    table = balls(np.random.default_rng(3), n=30, sd_mps=0.1, release_speed_mps_sd=0.4)
    speed = grouped(table)
    assert speed.own_sd == 0
    assert "no more than the measuring error alone would make" in speed.words


def test_what_is_not_known_is_said() -> None:
    height = grouped(balls(np.random.default_rng(4), n=30).drop(columns="release_z_m_sd"), "release_z_m")
    assert np.isnan(height.measuring_sd)
    assert np.isnan(height.own_sd)
    assert "is not known" in height.words
    one = grouped(balls(np.random.default_rng(5), n=1))
    assert "too few balls" in one.words


def test_the_interval_covers() -> None:
    rng = np.random.default_rng(6)
    inside = 0
    for _ in range(400):
        table = balls(rng, n=24, sd_mps=1.0, release_speed_mps_sd=0.0)
        low, high = grouped(table).observed_ci
        inside += low < 1.0 < high
    assert inside / 400 == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / 400))


def test_the_table_has_one_row_a_bowler_and_measure() -> None:
    rng = np.random.default_rng(7)
    both = pd.concat([balls(rng), balls(rng, bowler="Invented B", first=100), balls(rng, bowler="", first=200)])
    rows = with_derived(both).assign(**{RUN: 0})
    runs = [invented_run("bounce_y_m", 0.0)]
    table = grouping_table(grouping(rows, runs, ["release_speed_mps", "bounce_y_m"]))
    assert len(table) == 4
    assert list(table["unit"]) == ["m/s", "m"] * 2

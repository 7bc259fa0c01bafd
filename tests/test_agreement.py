"""Agreement and repeatability against Bland & Altman 1986, AIAG 2010, ISO 5725-6 and plain geometry."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from calibration.errors import InputError, LanepairError
from calibration.lane import MPH_MPS
from tests.invented_balls import balls, write_out
from tracker.analysis.agreement import (
    agree,
    corrected_sd,
    doubles,
    gun_angles_deg,
    limits_of_agreement,
    read_reference,
)
from tracker.analysis.gauge import LIMIT, cube, distinct_categories, gauge_anova, gauge_ranges
from tracker.analysis.statistics import summarise
from tracker.cli import main

REFERENCE = Path(__file__).parent / "reference"


@pytest.fixture
def flow() -> pd.DataFrame:
    """Peak expiratory flow by two meters, twice: Bland & Altman 1986, Lancet 327, 307-310, table I."""
    return pd.read_csv(REFERENCE / "bland_altman_1986_pefr.csv", comment="#")


def test_limits_of_agreement_agree_with_bland_and_altman(flow: pd.DataFrame) -> None:
    gap = (flow["wright_1"] - flow["mini_1"]).to_numpy(float)
    two = limits_of_agreement(gap, times_sd=2.0)
    assert (two.bias, two.sd) == pytest.approx((-2.117647, 38.765130), abs=1e-6)
    assert (two.low, two.high) == pytest.approx((-79.6479, 75.4126), abs=1e-4)  # printed -79.7 and 75.5
    assert two.bias_ci == pytest.approx((-22.049, 17.814), abs=1e-3)
    assert two.low_ci == pytest.approx((-114.3, -45.1), abs=0.2)  # as printed, from rounded values
    assert two.high_ci == pytest.approx((40.9, 110.1), abs=0.2)
    usual = limits_of_agreement(gap)
    assert (usual.low, usual.high) == pytest.approx((-78.0973, 73.8620), abs=1e-4)


def test_repeatability_agrees_with_bland_and_altman(flow: pd.DataFrame) -> None:
    pairs = [doubles(*(flow[f"{m}_{i}"].to_numpy(float) for i in (1, 2))) for m in ("wright", "mini")]
    assert [p.difference_sd for p in pairs] == pytest.approx([21.724, 28.872], abs=1e-3)
    assert [p.coefficient for p in pairs] == pytest.approx([43.29, 56.32], abs=1e-2)
    means = (flow[["wright_1", "wright_2"]].mean(axis=1) - flow[["mini_1", "mini_2"]].mean(axis=1)).to_numpy(float)
    assert summarise(means).sd == pytest.approx(33.204, abs=1e-3)
    assert corrected_sd(summarise(means), *pairs) == pytest.approx(37.80, abs=1e-2)


@pytest.fixture
def parts() -> np.ndarray:
    """AIAG, Measurement Systems Analysis, 4th ed. 2010, ch. III sec. B: 10 parts, 3 appraisers, 3 trials."""
    table = pd.read_csv(REFERENCE / "gauge_rr_aiag.csv", comment="#")
    values, left = cube(table[["appraiser", "part", "value"]])
    assert left == 0
    return values


def test_average_and_range_agrees_with_aiag(parts: np.ndarray) -> None:
    gauge = gauge_ranges(parts)
    found = (gauge.repeatability, gauge.reproducibility, gauge.together, gauge.parts)
    assert found == pytest.approx((0.2019, 0.2297, 0.3058, 1.1046), abs=1e-4)
    assert gauge.share == pytest.approx(0.2668, abs=1e-4)
    assert distinct_categories(gauge) == 5


def test_analysis_of_variance_agrees_with_aiag(parts: np.ndarray) -> None:
    gauge = gauge_anova(parts)
    found = (gauge.repeatability, gauge.reproducibility, gauge.together, gauge.parts)
    assert found == pytest.approx((0.199933, 0.226838, 0.302372, 1.042327), abs=1e-6)
    assert gauge.share == pytest.approx(0.2786, abs=1e-4)
    assert gauge.interaction_f == pytest.approx(0.4337, abs=1e-4)


@pytest.mark.parametrize(("sd", "limit"), [(0.021, 0.059), (0.042, 0.118), (0.047, 0.131)])
def test_the_repeatability_limit_agrees_with_iso_5725(sd: float, limit: float) -> None:
    assert LIMIT * sd == pytest.approx(limit, rel=0.03)  # ISO 5725-6; BRE's table for sulphur in aggregates, rounded


def test_a_gauge_study_recovers_known_components() -> None:
    rng = np.random.default_rng(2)
    a, p, r = 40, 40, 8
    appraiser, part = rng.normal(0, 0.3, (a, 1, 1)), rng.normal(0, 2.0, (1, p, 1))
    gauge = gauge_anova(appraiser + part + rng.normal(0, 0.1, (a, p, r)))
    assert gauge.repeatability == pytest.approx(0.1, rel=4 / np.sqrt(2 * a * p * (r - 1)))
    assert gauge.reproducibility == pytest.approx(0.3, rel=4 / np.sqrt(2 * (a - 1)))  # sd of an sd: 1/sqrt(2 df)
    assert gauge.parts == pytest.approx(2.0, rel=4 / np.sqrt(2 * (p - 1)))


def test_a_setting_that_a_session_lacks_is_refused() -> None:
    table = pd.DataFrame({"appraiser": ["a", "a", "b"], "part": ["1", "2", "1"], "value": [1.0, 2.0, 3.0]})
    with pytest.raises(LanepairError, match='setting "2" was not measured in "b"'):
        cube(table)


def straight_ball(x_m: float, y_m: float, z_m: float) -> pd.DataFrame:
    place = {"release_x_m": [x_m], "release_y_m": [y_m], "release_z_m": [z_m]}
    return pd.DataFrame({**place, "release_azimuth_deg": [0.0], "release_elevation_deg": [0.0]})


@pytest.mark.parametrize(
    ("gun", "angle", "loss"),
    [  # geometry: 5 m behind, 1 m aside, 0.7 m low; 25 m, 1.5 m, 1.9 m
        ((1.0, 5.0, -0.7), 13.719, 0.02853),
        ((1.5, 25.0, -1.9), 5.531, 0.00466),
    ],
)
def test_the_guns_cosine_error_follows_from_its_place(
    gun: tuple[float, float, float], angle: float, loss: float
) -> None:
    ball = straight_ball(0.0, 0.0, 0.0)
    found = gun_angles_deg(ball, gun)
    assert found[0] == pytest.approx(angle, abs=1e-3)
    assert 1 - np.cos(np.radians(found[0])) == pytest.approx(loss, abs=1e-5)
    mirrored = gun_angles_deg(ball, (-gun[0], -gun[1], gun[2]))  # in front of the ball it reads the same
    assert mirrored == pytest.approx(found)


def test_a_gun_off_the_line_agrees_once_its_place_is_known() -> None:
    rng = np.random.default_rng(8)
    table = balls(rng, n=60)
    gun = (2.0, 23.0, 1.0)
    reading = table["release_speed_mps"] * np.cos(np.radians(gun_angles_deg(table, gun))) + rng.normal(0, 0.1, 60)
    reference = pd.DataFrame({"delivery": table["delivery"], "reference_mps": reading})
    raw = agree(table, reference, "release_speed_mps", MPH_MPS)
    right = agree(table, reference, "release_speed_mps", MPH_MPS, gun)
    assert raw.verdict.startswith("they do not agree within 1 mph")
    assert right.verdict.startswith("they agree within 1 mph")
    assert right.limits.bias_ci[0] < 0 < right.limits.bias_ci[1]


def test_the_command_reads_a_gun_in_mph(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(9)
    table = balls(rng, n=30)
    out = write_out(tmp_path / "out", table)
    speeds = (table["release_speed_mps"] / MPH_MPS + 3.0).round(1)
    pd.DataFrame({"delivery": table["delivery"], "speed_mph": speeds}).to_csv(tmp_path / "gun.csv", index=False)
    assert main(["agree", str(out), str(tmp_path / "gun.csv"), "--out", str(tmp_path / "a")]) == 0
    summary = pd.read_csv(tmp_path / "a" / "agreement.csv")
    assert summary["bias_mps"][0] == pytest.approx(-3.0 * MPH_MPS, abs=0.05 * MPH_MPS)  # readings are rounded to 0.1
    assert "we read lower by 3.0 mph" in " ".join(capsys.readouterr().out.split())


def test_balls_of_several_sessions_can_be_told_apart(tmp_path: Path) -> None:
    rng = np.random.default_rng(9)
    tables = [balls(rng, n=6, session=f"net {i}", date=f"2026-11-1{i}") for i in (1, 2)]
    outs = [write_out(tmp_path / f"{i}", table) for i, table in enumerate(tables)]
    gun = pd.concat(tables)[["session", "delivery"]].assign(speed_mps=30.0)
    gun.sample(frac=1, random_state=1).to_csv(tmp_path / "gun.csv", index=False)
    assert main(["agree", *map(str, outs), str(tmp_path / "gun.csv"), "--out", str(tmp_path / "a")]) == 0
    found = pd.read_csv(tmp_path / "a" / "agreement_balls.csv").set_index(["session", "delivery"])["ours_mps"]
    truth = pd.concat(tables).set_index(["session", "delivery"])["release_speed_mps"]
    assert found.index.is_unique and found.sort_index().tolist() == pytest.approx(truth.sort_index().tolist())


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("delivery,speed\n1,30\n", "one of the columns speed_mps, .* is needed; here: none"),
        ("delivery,speed_mps,speed_mph\n1,30,67\n", "here: speed_mps and speed_mph"),
        ("no,speed_mps\n1,30\n", 'no column "delivery"'),
        ("delivery,speed_mps\n1,fast\n", "not a number"),
        ("delivery,speed_mps\n1,inf\n", "not a number"),
        ("delivery,speed_mps\n1.5,30\n", "delivery 1.5 is not a whole number"),
        ("delivery,speed_mps\n1,30\n2,0\n", "line 3: a speed of 0"),  # what some guns show for a ball they missed
        ("delivery,speed_mps\n1,30\n1,31\n", "there twice"),
        ("", "is empty"),
    ],
)
def test_a_bad_reference_is_refused_in_one_line(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "gun.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=says):
        read_reference(path)


def test_readings_of_one_day_are_not_taken_for_another_of_the_same_name(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    days = [balls(rng, n=12, date=date) for date in ("2026-11-12", "2026-11-19")]
    readings = days[0][["session", "delivery"]].assign(speed_mps=days[0]["release_speed_mps"])
    for columns in (["session", "delivery", "speed_mps"], ["delivery", "speed_mps"]):
        readings[columns].to_csv(tmp_path / "gun.csv", index=False)
        with pytest.raises(LanepairError, match="one day's run at a time"):
            agree(pd.concat(days), read_reference(tmp_path / "gun.csv"), "release_speed_mps", MPH_MPS)


def test_a_reference_that_was_forgotten_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is a folder, not a CSV file"):  # the last output folder stands in its place
        read_reference(tmp_path)


def test_three_balls_are_the_least() -> None:
    with pytest.raises(LanepairError, match="three or more"):
        limits_of_agreement(np.array([0.1, 0.2]))


def test_machine_balls_give_the_repeatability(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(4)
    table = balls(rng, n=60, bowler="", sd_mps=0.2, feed="machine", setting=np.repeat(["slow", "fast"], 30))
    table["release_speed_mps"] += np.repeat([0.0, 5.0], 30)
    out = write_out(tmp_path / "out", table)
    assert main(["repeat", str(out), "--setting", "setting", "--out", str(tmp_path / "r")]) == 0
    found = pd.read_csv(tmp_path / "r" / "repeatability.csv").iloc[0]
    assert found["sd_low"] < 0.2 < found["sd_high"]
    assert found["parts_sd"] == pytest.approx(5 / np.sqrt(2), rel=0.1)
    assert "in 95 % of cases" in " ".join(capsys.readouterr().out.split())


def test_too_few_machine_balls_and_a_failed_rig_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = write_out(tmp_path / "out", balls(np.random.default_rng(4), n=12, bowler="", feed="bowled"))
    assert main(["repeat", str(out)]) == 2
    error = capsys.readouterr().err
    assert f'{out}: 0 balls of feed "machine"' in error and "say --feed any" in error and error.count("\n") == 1
    bare = write_out(tmp_path / "bare", balls(np.random.default_rng(4), n=12))
    assert main(["repeat", str(bare)]) == 2
    assert 'no column "feed"; say --feed any' in capsys.readouterr().err
    (out / "check.json").write_text('[{"name": "gravity", "verdict": "fail"}]')
    assert main(["repeat", str(out), "--feed", "any"]) == 1
    assert "failed its check: gravity" in capsys.readouterr().out

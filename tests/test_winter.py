"""A season: trends and changes by session, how much was bowled, and the time that 200 sessions take."""

import datetime as dt
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from calibration.errors import InputError, LanepairError
from tests.invented_balls import balls, write_out
from tracker.analysis.measures import with_derived
from tracker.analysis.tables import read_runs
from tracker.analysis.winter import changes, find_runs, session_means, trends
from tracker.analysis.workload import EXAMPLE, daily_counts, limit_notes, passed_limits, read_limits
from tracker.cli import main

START = dt.date(2026, 10, 1)


def day(i: int) -> str:
    return (START + dt.timedelta(days=7 * i)).isoformat()


def season(
    rng: np.random.Generator, sessions: int, day_sd: float, slope_a_week: float, step: float = 0.0
) -> pd.DataFrame:
    """Weekly sessions of one bowler: each day has its own level."""
    tables = [
        balls(
            rng,
            n=24,
            mean_mps=33 + slope_a_week * i + rng.normal(0, day_sd) + (step if i >= sessions // 2 else 0),
            session=f"Invented {i}",
            date=day(i),
        )
        for i in range(sessions)
    ]
    return with_derived(pd.concat(tables, ignore_index=True))


def test_a_trend_is_the_line_through_session_means() -> None:
    rng = np.random.default_rng(1)
    table = season(rng, 10, 0.2, 0.1)
    means = session_means(table, ["release_speed_mps"])
    found = trends(means, ["release_speed_mps"])[0]
    line = stats.linregress(np.arange(10) * 7 / 30, means["release_speed_mps:mean"])
    assert found.slope == pytest.approx(line.slope)
    assert found.p_value == pytest.approx(line.pvalue, rel=1e-6)
    assert found.ci_low < 0.1 * 30 / 7 < found.ci_high
    assert "faster with time" in found.words


def test_days_that_differ_make_no_trend_out_of_many_balls() -> None:
    # ball by ball the test would find a "trend" in most such winters; by session at most about 1 in 20
    rng = np.random.default_rng(2)
    alarms = 0
    for _ in range(100):
        found = trends(session_means(season(rng, 6, 0.8, 0.0), ["release_speed_mps"]), ["release_speed_mps"])[0]
        alarms += found.p_value < 0.05
    assert alarms <= 5 + 2 * np.sqrt(100 * 0.05 * 0.95)


def test_a_change_is_welch_on_session_means() -> None:
    rng = np.random.default_rng(3)
    means = session_means(season(rng, 12, 0.2, 0.0, step=1.5), ["release_speed_mps"])
    found = changes(means, day(6), ["release_speed_mps"])[0]
    values = means["release_speed_mps:mean"].to_numpy()
    test = stats.ttest_ind(values[6:], values[:6], equal_var=False)
    assert found.sessions == (6, 6)
    assert found.balls == (144, 144)
    assert found.found.p_value == pytest.approx(test.pvalue, rel=1e-9)
    assert found.found.ci_low < 1.5 < found.found.ci_high
    assert "faster after the change by" in found.words
    assert found.ball_sd == pytest.approx(1.2, rel=0.1)


def test_a_day_may_be_written_without_hyphens() -> None:
    means = session_means(season(np.random.default_rng(3), 12, 0.2, 0.0), ["release_speed_mps"])
    found = changes(means, day(6).replace("-", ""), ["release_speed_mps"])[0]
    assert found.sessions == (6, 6)


def test_sessions_of_one_day_are_one_day() -> None:
    """What a day has of its own they share: the answers are those of the days' means, however often one began anew."""
    table = season(np.random.default_rng(5), 8, 0.5, 0.0)
    whole = session_means(table, ["release_speed_mps"])
    parted = table.assign(session=table["session"] + np.where(np.arange(len(table)) % 2 == 0, " a", " b"))
    halves = session_means(parted, ["release_speed_mps"])
    assert len(halves) == 2 * len(whole)
    one, other = (trends(means, ["release_speed_mps"])[0] for means in (whole, halves))
    assert (other.slope, other.p_value) == pytest.approx((one.slope, one.p_value))
    one, other = (changes(means, day(4), ["release_speed_mps"])[0] for means in (whole, halves))
    assert other.found.p_value == pytest.approx(one.found.p_value)
    assert other.sessions == (8, 8)


def test_one_session_after_is_not_called_a_change() -> None:
    means = session_means(season(np.random.default_rng(4), 5, 0.1, 0.0), ["release_speed_mps"])
    found = changes(means, day(4), ["release_speed_mps"])[0]
    assert np.isnan(found.found.p_value)
    assert "cannot tell, sessions before: 4, after: 1" in found.words


def test_a_date_that_is_none_is_refused() -> None:
    with pytest.raises(LanepairError, match="ISO date"):
        changes(session_means(season(np.random.default_rng(4), 3, 0.1, 0.0)), "3 December")


LIMITS = """band,bowlers,balls_per_session,balls_per_day,balls_per_week,days_per_week,source,edition,note
my under-15s,A; Bo Invented,36,,72,2,coach,2026,
"""


@pytest.fixture
def limits(tmp_path: Path) -> Path:
    path = tmp_path / "limits.csv"
    path.write_text(LIMITS)
    return path


def counts(rows: list[tuple[str, str, int]]) -> pd.DataFrame:
    return pd.DataFrame([{"bowler": b, "date": d, "session": d, "balls": n} for b, d, n in rows])


def test_limits_that_the_coach_fills_in_are_counted(limits: Path) -> None:
    table = counts(
        [("A", "2026-11-02", 36), ("A", "2026-11-05", 37), ("A", "2026-11-20", 10), ("C", "2026-11-02", 300)]
    )
    found = [(p.bowler, p.what, p.start, p.count, p.limit) for p in passed_limits(table, read_limits(limits))]
    assert found == [("A", "session", "2026-11-05", 37, 36), ("A", "week", "2026-10-30", 73, 72)]


def test_seven_days_roll_and_do_not_wait_for_monday(limits: Path) -> None:
    # Saturday, Sunday, Monday: three days of seven although in two calendar weeks
    table = counts([("Bo Invented", d, 5) for d in ("2026-11-07", "2026-11-08", "2026-11-09")])
    found = [(p.what, p.count) for p in passed_limits(table, read_limits(limits))]
    assert found == [("days in a week", 3)]
    eight_days = counts([("Bo Invented", d, 5) for d in ("2026-11-07", "2026-11-08", "2026-11-14")])
    assert passed_limits(eight_days, read_limits(limits)) == []


def test_whom_the_limits_do_not_reach_is_told(limits: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table = counts([("A", "2026-11-02", 5), ("Bo Inventd", "2026-11-02", 300)])
    unheard, unlisted = limit_notes(table, read_limits(limits))
    assert unheard.startswith('limits: "Bo Invented" (my under-15s) bowled nothing here; did you mean "Bo Inventd"?')
    assert unlisted == "limits: no band lists Bo Inventd"
    assert limit_notes(table, ()) == []
    write_out(tmp_path / "s" / "out", balls(np.random.default_rng(1), bowler="Bo Invented"))
    assert main(["season", str(tmp_path / "s"), "--limits", str(limits)]) == 1
    told = " ".join(capsys.readouterr().out.split())
    assert "limit passed: Bo Invented (my under-15s), session: 48 against 36" in told
    assert 'limits: "A" (my under-15s) bowled nothing here' in told


@pytest.mark.parametrize(("most", "code"), [(48, 0), (47, 1)])
def test_a_passed_limit_needs_a_look(tmp_path: Path, most: int, code: int) -> None:
    """As every other command: 0 is fine, 1 something to look at, so that a script that counts sees it too."""
    write_out(tmp_path / "s" / "out", balls(np.random.default_rng(1), bowler="Bo Invented"))  # 48 balls
    (tmp_path / "limits.csv").write_text(f"band,bowlers,balls_per_day\nmy under-15s,Bo Invented,{most}\n")
    assert main(["season", str(tmp_path / "s"), "--limits", str(tmp_path / "limits.csv")]) == code


def test_thrown_balls_load_nobody_and_unmeasured_ones_do() -> None:
    table = balls(np.random.default_rng(1), n=6, feed=["bowled"] * 3 + ["thrown", "machine", ""], status="rejected")
    assert daily_counts(table)["balls"].tolist() == [4]


def test_the_example_agrees_with_the_published_guidance() -> None:
    # the reference table lists what was read in club copies of the English directives and the Australian guidelines
    reference = pd.read_csv(Path(__file__).parent / "reference" / "youth_workload_guidance.csv", comment="#")
    english = [limit for limit in read_limits() if limit.band.startswith("England")]
    table = reference.iloc[:4]
    assert [limit.balls_per_session for limit in english] == table["practice_balls_per_session"].tolist()
    assert [limit.balls_per_day for limit in english] == (6 * table["max_overs_per_day"]).tolist()
    weekly = table["practice_balls_per_session"] * table["practice_sessions_per_week"]
    assert [limit.balls_per_week for limit in english] == weekly.tolist()
    assert [limit.days_per_week for limit in english] == table["max_bowling_days_per_week"].tolist()
    australian = [limit for limit in read_limits() if limit.band.startswith("Australia")]
    assert [limit.balls_per_day for limit in australian] == (6 * reference["max_overs_per_day"].iloc[5:]).tolist()
    assert [limit.balls_per_week for limit in australian] == [108, 132, 204, 246]  # table in Br. J. Sports Med.
    assert all(limit.source and limit.edition and not limit.bowlers for limit in read_limits())
    assert "qualified staff decide" in EXAMPLE.read_text()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("band,bowlers,balls_per_weak\n", 'did you mean "balls_per_week"'),
        ("band\nx\n", 'no column "bowlers"'),
        ("band,bowlers,balls_per_day\nx,A,many\n", 'balls_per_day is "many"'),
    ],
)
def test_a_bad_limits_file_is_refused(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "limits.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=says):
        read_limits(path)


def test_the_command_reads_a_folder_of_folders(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(5)
    for i in range(4):
        write_out(tmp_path / "outs" / f"block{i // 2}" / f"s{i}", balls(rng, bowler="A", session=f"s{i}", date=day(i)))
    write_out(tmp_path / "outs" / "short", balls(rng, session="juniors", date=day(9)), pitch_length_m=17.4)
    (tmp_path / "limits.csv").write_text(LIMITS)
    out = tmp_path / "season"
    words = ["--change", day(2), "--called", "new run-up", "--limits", str(tmp_path / "limits.csv"), "--out", str(out)]
    assert main(["season", str(tmp_path / "outs"), *words]) == 1  # a limit was passed
    assert {p.name for p in out.iterdir()} == {"trends.csv", "change.csv", "sessions.csv", "workload.csv"}
    text = " ".join(capsys.readouterr().out.split())
    assert text.startswith("5 sessions, 240 deliveries")
    assert f"new run-up ({day(2)}): 2 sessions after less 2 before" in text
    assert "limit passed: A (my under-15s), session: 48 against 36" in text
    assert "left out of means and trends, not on a pitch of 20.12 m: juniors (17.40 m)" in text
    bowled = pd.read_csv(out / "workload.csv")
    assert bowled.loc[bowled["session"] == "juniors", "balls"].tolist() == [48]  # they tire all the same
    assert "qualified staff decide" in text


def test_exports_and_a_simulators_truth_are_no_sessions(tmp_path: Path) -> None:
    for place in ("one", "one/export", "two", "rehearsal/truth"):
        (tmp_path / place).mkdir(parents=True)
        (tmp_path / place / "deliveries.csv").write_text("")
    assert find_runs(tmp_path) == [tmp_path / "one", tmp_path / "two"]
    assert find_runs(tmp_path / "one") == [tmp_path / "one"]


def test_one_session_makes_no_trend_and_says_so_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_out(tmp_path / "one", balls(np.random.default_rng(1), n=12))
    assert main(["season", str(tmp_path)]) == 0
    shown = capsys.readouterr().out
    assert shown.startswith("1 session, 12 deliveries") and shown.count("no trend") == 1
    assert main(["season", str(tmp_path), "--bowler", "invented a"]) == 2
    assert 'did you mean "Invented A"?' in capsys.readouterr().err


def test_an_empty_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"no deliveries\.csv"):
        find_runs(tmp_path)


@pytest.mark.slow
def test_200_sessions_and_30000_deliveries_take_less_than_3_seconds(tmp_path: Path) -> None:
    rng = np.random.default_rng(6)
    for i in range(200):
        date = (START + dt.timedelta(days=i)).isoformat()
        parts = [balls(rng, n=50, bowler=b, session=f"s{i}", date=date, first=50 * k + 1) for k, b in enumerate("ABC")]
        write_out(tmp_path / f"s{i:03d}", pd.concat(parts))
    started = time.process_time()
    runs = read_runs(find_runs(tmp_path), one_length=False)
    found = trends(session_means(with_derived(runs.rows)))
    assert len(runs.rows) == 30_000
    assert len(found) == 18
    assert time.process_time() - started < 2.0  # a second is left for starting Python and the libraries


def test_the_screen_marks_what_is_beyond_chance_and_nothing_else(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Twelve weekly sessions: the height of release falls by 3 cm a month, nothing else moves; half a year of it."""
    rng = np.random.default_rng(5)
    for week in range(12):
        day = (dt.date(2026, 11, 2) + dt.timedelta(days=7 * week)).isoformat()
        table = balls(rng, n=24, session=f"net {week}", date=day)
        table["release_z_m"] -= 0.03 * 7 * week / 30
        write_out(tmp_path / f"{week:02d}", table)
    assert main(["season", str(tmp_path), "--change", "2026-12-14", "--called", "new shoes"]) == 0
    shown = capsys.readouterr().out
    marked = [line.split("  ")[0] for line in shown.splitlines() if line.rstrip().endswith("*")]
    assert marked == ["release height", "release height"]  # by time, and after the change
    assert "release height: released lower with time" in shown and "released lower after the change" in shown
    assert "new shoes (2026-12-14): 6 sessions after less 6 before" in shown
    assert max(len(line) for line in shown.splitlines() if "  " in line) <= 80  # tables; sentences may be long


def test_a_bowlers_two_arms_are_two_tables(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(5)
    for i in range(4):
        write_out(tmp_path / f"{i}", balls(rng, n=24, session=f"s{i}", date=day(i), arm=["right", "left"] * 12))
    assert main(["season", str(tmp_path)]) == 0
    shown = capsys.readouterr().out
    assert [shown.count(f"Invented A ({arm} arm): by time") for arm in ("left", "right")] == [1, 1]
    assert sum(line.startswith("release height") for line in shown.splitlines()) == 2

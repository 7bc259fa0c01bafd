"""What goes into a comparison: columns in any order, odd names, and every refusal."""

import json
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from calibration.errors import InputError, LanepairError
from tests.invented_balls import answer, balls, one, write_out
from tracker.analysis.compare import HAND, SPEED, Choice
from tracker.analysis.study import Study, study
from tracker.analysis.tables import read_runs
from tracker.cli import main


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20)


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
        ({"date": "20261112"}, "ISO date"),  # ISO too, but it does not sort beside the others
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
    both = pd.concat([balls(rng, bowler=a, arm=a, first=50 * i + 1) for i, a in enumerate(("right", "left"))])
    write_out(out, both)
    assert main(["compare", str(out), "--by", "arm", "--out", str(tmp_path / "c")]) == 1
    verdicts = pd.read_csv(tmp_path / "c" / "comparison_long.csv")["verdict"]
    assert verdicts.str.contains("1 with the right arm").all()
    assert verdicts.str.contains("failed its check .knock.").all()


def test_every_rig_that_failed_its_check_is_named(tmp_path: Path, rng: np.random.Generator) -> None:
    outs = []
    for i, verdict in enumerate(("fail", "pass", "fail")):
        there = ("A", "B") if i < 2 else ("A",)
        parts = [balls(rng, n=12, bowler=b, session=f"net {i}", first=20 * k + 1) for k, b in enumerate(there)]
        outs.append(write_out(tmp_path / f"{i}", pd.concat(parts)))
        (outs[-1] / "check.json").write_text(json.dumps([{"name": ("knock", "g", "floor")[i], "verdict": verdict}]))
    assert main(["compare", *map(str, outs), "--out", str(tmp_path / "c")]) == 1
    table = pd.read_csv(tmp_path / "c" / "comparison.csv")
    table = table[table["side"] == "all"].set_index("bowler")["verdict"]
    both = 'the rigs of 2 sessions, "net 0", "net 2", failed their checks (knock, floor)'
    assert {who: both in words for who, words in table.items()} == {"A": True, "B": False, "all": True}
    assert 'the rig of session "net 0" failed its check (knock)' in table["B"]
    assert table.str.contains("\n").sum() == 0


def test_a_hand_a_session_names_no_difference(tmp_path: Path, rng: np.random.Generator) -> None:
    """Left-handers on another evening, 2 m/s slower: that may be the evening's."""
    for apart in (True, False):
        outs = []
        for i, hand in enumerate(("right", "left")):
            table = balls(rng, n=30, session=f"net {i}", **({"batter_hand": hand} if apart else {}))
            table[SPEED] -= 2.0 * (table[HAND] == "left")
            outs.append(write_out(tmp_path / f"{apart}{i}", table))
        assert main(["compare", *map(str, outs), "--out", str(tmp_path / "c")]) == 0
        verdict = pd.read_csv(tmp_path / "c" / "comparison.csv")["verdict"][0]
        assert verdict.startswith("cannot tell the hands from the few sessions" if apart else "slower to left-handers")


def two_days(rng: np.random.Generator) -> list[pd.DataFrame]:
    """Right-handers one day, left-handers the other, when all was slower and lower."""
    days = [balls(rng, n=30, session=f"Invented {i}", batter_hand=("right", "left")[i]) for i in range(2)]
    days[1] = days[1].assign(**{name: days[1][name] - less for name, less in ((SPEED, 2.0), ("release_z_m", 0.2))})
    return days


def asked(tmp_path: Path, days: list[pd.DataFrame], **choice: str) -> Study:
    runs = read_runs([write_out(tmp_path / f"day{i}", day) for i, day in enumerate(days)], needed=[SPEED])
    return study(runs, [SPEED, "release_z_m"], Choice(**choice), np.random.default_rng(1), shuffles=199)


def test_one_stray_ball_does_not_tell_a_hand_from_a_session(tmp_path: Path, rng: np.random.Generator) -> None:
    days = two_days(rng)
    days[0].loc[0, HAND] = "left"
    row = one(asked(tmp_path, days).comparisons, "Invented A")
    assert row.verdict.startswith("cannot tell the hands from the few sessions: the two hardly ever met in one")


def test_no_measure_and_no_other_question_takes_a_session_for_a_hand(tmp_path: Path, rng: np.random.Generator) -> None:
    found = asked(tmp_path / "hands", two_days(rng))
    height = one(found.comparisons, "Invented A", measure="release_z_m")
    assert height.p_adjusted < 0.05 and not height.beyond_chance
    sides = [day.assign(side=np.where(np.arange(len(day)) % 2, "over", "round")) for day in two_days(rng)]
    beside = asked(tmp_path / "sides", sides, by="side").hands
    assert "never met in one" in one(beside, "Invented A").verdict


def test_a_side_of_the_wicket_is_judged_by_its_own_balls(tmp_path: Path, rng: np.random.Generator) -> None:
    """Over the wicket the hands had a day each; round it both came on the first."""
    days = two_days(rng)
    days[0] = pd.concat([days[0], balls(rng, n=30, session="Invented 0", first=100, side="round")], ignore_index=True)
    found = asked(tmp_path, days).comparisons
    assert [one(found, "Invented A", side).of_sessions for side in ("over", "round")] == [True, False]


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
    with pytest.raises(LanepairError, match=r'no column "colour" .*: known here: session, date, .*residual_px$'):
        answer(table, tmp_path, by="colour")
    with pytest.raises(LanepairError, match='did you mean "release_z_m"'):
        answer(table, tmp_path, ("release_zm",))
    with pytest.raises(LanepairError, match='"bowler" is what a comparison stays within'):
        answer(table, tmp_path, by="bowler")
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
        ["comparison.csv", "comparison_long.csv", "comparison_adjusted.csv", "comparison.png", "comparison.svg"]
    )


def test_files_are_written_even_where_nobody_reads_the_screen(tmp_path: Path, rng: np.random.Generator) -> None:
    out = write_out(tmp_path / "out", balls(rng))
    command = f"{sys.executable} -m tracker compare {out} --out {tmp_path / 'c'} | head -1"
    subprocess.run(command, shell=True, check=True, capture_output=True)
    assert (tmp_path / "c" / "comparison.csv").is_file()


def test_the_screens_table_fits_eighty_columns(
    tmp_path: Path, rng: np.random.Generator, capsys: pytest.CaptureFixture[str]
) -> None:
    few = balls(rng, n=4, batter_hand=["right", "right", "left", "left"], sd_mps=9.0)
    some = balls(rng, n=24, bowler="Invented B", first=50, side=["over", "round"] * 12)
    assert main(["compare", str(write_out(tmp_path / "out", pd.concat([few, some])))]) == 0
    shown = capsys.readouterr().out.split("Invented A (right arm):")[0]
    assert max(map(len, shown.splitlines())) <= 80 and "…" not in shown
    rows = [line.split() for line in shown.splitlines() if line.strip().startswith(("over", "round"))]
    # B's two, and the average over the wicket; an average of one bowler is not shown again
    assert [row[0] for row in rows] == ["over", "round", "over"] and all("/" in row[1] for row in rows)


def test_a_measure_asked_for_has_its_verdict_whatever_it_is(
    tmp_path: Path, rng: np.random.Generator, capsys: pytest.CaptureFixture[str]
) -> None:
    out = write_out(tmp_path / "out", balls(rng, n=24))
    assert main(["compare", str(out), "--measure", "release_z_m"]) == 0
    words = " ".join(capsys.readouterr().out.split())
    assert "release height: not beyond chance (" in words and "m to left-handers, 95 % interval" in words


@pytest.mark.parametrize("words", ["--seed -1", "--margin-mph inf", "--detect-mph nan", "--shuffles 3", "--where x"])
def test_wrong_options_get_one_line(
    tmp_path: Path, rng: np.random.Generator, capsys: pytest.CaptureFixture[str], words: str
) -> None:
    out = write_out(tmp_path / "out", balls(rng, n=12))
    assert main(["compare", str(out), *words.split()]) == 2
    error = capsys.readouterr().err
    assert words.split()[0] in error and error.count("\n") == 1


def test_a_log_may_have_columns_named_as_ours_are(tmp_path: Path, rng: np.random.Generator) -> None:
    table = balls(rng, n=48, left_minus_right_mps=-1.0)
    plain = answer(table, tmp_path)
    named = table.assign(run=["first", "second"] * 24, order="late", spell_key="x", group="g", value="v")
    other = answer(named, tmp_path)
    assert other.adjusted[0].adjusted == plain.adjusted[0].adjusted and "order" in other.adjusted[0].terms
    assert [(r.group_a, r.group_b) for r in answer(named, tmp_path, by="run").comparisons[:1]] == [("first", "second")]

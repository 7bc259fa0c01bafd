"""session.toml and log.csv: read as the format says, refused with a line that names file, fault and remedy."""

import datetime as dt
from pathlib import Path

import pytest

from calibration.errors import InputError
from calibration.rig import Rig
from tracker.session.folder import read_session
from tracker.session.log import attach_log, read_log

CLIP = '\n[[clips]]\nleft = "one_left.mp4"\nright = "one_right.mp4"\n'
HEAD = 'name = "Invented"\ndate = 2026-11-12\nrig = "rig.toml"\n'
LOG_HEAD = "delivery,bowler,arm,batter_hand,side"


def refused(folder: Path, session: str) -> str:
    """The line that refuses a session.toml."""
    (folder / "session.toml").write_text(session, encoding="utf-8")
    with pytest.raises(InputError) as refusal:
        read_session(folder)
    assert "\n" not in str(refusal.value)
    return str(refusal.value)


def test_a_session_is_read_as_it_stands(session_folder: Path, rig: Rig) -> None:
    session = read_session(session_folder)
    assert (session.name, session.date) == ("Invented net session", dt.date(2026, 11, 12))
    assert [c.left.name for c in session.clips] == ["one_left.mp4", "two_left.mp4"]
    first = session.clips[0]
    assert (first.left_fps, first.left_offset_s, first.right_offset_s, first.time_scale) == (None, 0.0, None, 1.0)
    assert (session.ball.radius_m, session.ball.mass_kg, session.ball.colour) == (0.036, 0.1595, "red")
    assert (session.air.temperature_c, session.air.pressure_pa, session.air.humidity) == (20.0, 101325.0, 0.5)
    assert session.rig.pitch_length_m == rig.pitch_length_m
    assert session.log is not None and session.log["note"].tolist() == ["", '=1+1, "quoted" é', ""]


def test_one_film_copied_under_two_names_is_refused(session_folder: Path) -> None:
    for view in ("left", "right"):
        (session_folder / f"one_{view}.mp4").write_bytes(b"the same")
    assert "one_left.mp4 and one_right.mp4 are copies of one film" in refused(session_folder, HEAD + CLIP)
    (session_folder / "one_right.mp4").write_bytes(b"the sane")
    assert read_session(session_folder).name == "Invented"


def test_a_mark_of_byte_order_before_a_session_does_no_harm(session_folder: Path) -> None:
    """Editors of Windows put one before a text saved as "UTF-8 with BOM"."""
    (session_folder / "session.toml").write_text(HEAD + CLIP, encoding="utf-8-sig")
    assert read_session(session_folder).name == "Invented"


def test_every_optional_key_is_taken(session_folder: Path) -> None:
    clip = "left_fps = 240\nright_fps = 120.0\nleft_offset_s = 0.5\nright_offset_s = -0.25\n"
    ball = '[ball]\nradius_m = 0.0355\nmass_kg = 0.15\ncolour = "orange"\n'
    more = ball + "[air]\ntemperature_c = 12\npressure_pa = 99000\nhumidity = 0.8\n"
    (session_folder / "session.toml").write_text(HEAD + CLIP + clip + more)
    session = read_session(session_folder)
    first = session.clips[0]
    assert (first.left_fps, first.right_fps, first.left_offset_s, first.right_offset_s) == (240.0, 120.0, 0.5, -0.25)
    assert (session.ball.radius_m, session.ball.colour) == (0.0355, "orange")
    assert (session.air.temperature_c, session.air.humidity) == (12.0, 0.8)
    assert session.log is None


def test_a_slowed_film_carries_its_scale(session_folder: Path) -> None:
    (session_folder / "session.toml").write_text(HEAD + CLIP + "fps = 240\ntime_scale = 0.125\n")
    first = read_session(session_folder).clips[0]
    assert (first.left_fps, first.right_fps, first.time_scale) == (240.0, 240.0, 0.125)


def test_folders_of_images_need_true_rates(session_folder: Path) -> None:
    for view in ("left", "right"):
        (session_folder / view).mkdir()
        (session_folder / view / "0001.png").write_bytes(b"")
    clip = '\n[[clips]]\nleft = "left"\nright = "right"\n'
    (session_folder / "session.toml").write_text(HEAD + clip + "fps = 240\n")
    assert read_session(session_folder).clips[0].left_fps == 240.0
    assert "left is a folder of images and fps is missing" in refused(session_folder, HEAD + clip)
    assert "right is a folder of images and fps is missing" in refused(session_folder, HEAD + clip + "left_fps = 240\n")
    scaled = refused(session_folder, HEAD + clip + "fps = 240\ntime_scale = 0.5\n")
    assert "clip 1: time_scale is given for a folder of images; leave it out" in scaled
    (session_folder / "left" / "0001.png").rename(session_folder / "left" / "notes.txt")
    assert "no picture in this folder" in refused(session_folder, HEAD + clip + "fps = 240\n")


@pytest.mark.parametrize(
    ("session", "line"),
    [
        ("name = \n", "session.toml: is not valid TOML: Invalid value (at line 1"),
        (HEAD + CLIP + "fps = 240\nfps = 120\n", "line 9"),
        (HEAD.replace("rig =", "rigg ="), 'unknown key "rigg"; did you mean "rig"?'),
        (HEAD + CLIP + "frames = 240\n", 'unknown key "clip 1: frames"'),
        (HEAD + CLIP + "left_offset = 1\n", 'did you mean "left_offset_s"?'),
        (HEAD + CLIP + '[ball]\ncolor = "red"\n', 'unknown key "ball.color"; did you mean "colour"?'),
        (HEAD + CLIP + "[air]\ntemperature = 12\n", 'did you mean "temperature_c"?'),
        (HEAD.replace('name = "Invented"', "") + CLIP, 'the key "name" is missing'),
        (HEAD.replace("date = 2026-11-12", "") + CLIP, 'the key "date" is missing'),
        (HEAD.replace('rig = "rig.toml"', "") + CLIP, 'the key "rig" is missing'),
        (HEAD + '[[clips]]\nleft = "one_left.mp4"\n', 'the key "right" is missing in clip 1'),
        (HEAD, "no clip is named; add [[clips]]"),
        (HEAD + CLIP.replace("[[clips]]", "[clips]"), "[clips] is written as one table; write [[clips]]"),
        (HEAD.replace("2026-11-12", "2026-13-12") + CLIP, "line 2"),
        (HEAD.replace("2026-11-12", '"12 November"') + CLIP, "date is '12 November'; write year, month, day"),
        (HEAD.replace("2026-11-12", "20261112") + CLIP, "date is '20261112'; write year, month, day"),
        (HEAD.replace("2026-11-12", "2026-11-12T10:00:00Z") + CLIP, "write year, month, day"),
        (HEAD.replace('"Invented"', "7") + CLIP, "name is 7; a text in quotes is needed"),
        (HEAD.replace('"Invented"', '"a\\u0000b"') + CLIP, "name is 'a\\x00b'"),
        (HEAD + CLIP.replace("one_left", "films\\clip"), "(at line 6, column 16); in paths write / for \\"),
        (
            HEAD + CLIP.replace("one_left", "films\\new"),
            "left is 'films\\new.mp4'; a text in quotes is needed, in paths",
        ),
        (HEAD + CLIP + "fps = -240\n", "clip 1: fps is -240; it is true frames a second, more than 0"),
        (HEAD + CLIP + "left_fps = 0\n", "left_fps is 0"),
        (HEAD + CLIP + "fps = nan\n", "fps is nan; a number is needed"),
        (HEAD + CLIP + 'fps = "240"\n', "fps is '240'; a number is needed"),
        (HEAD + CLIP + "fps = true\n", "fps is True; a number is needed"),
        (HEAD + CLIP + "fps = 240\nleft_fps = 240\n", "both fps and left_fps are given"),
        (HEAD + CLIP + "time_scale = 0\n", "time_scale is 0; it is true seconds per stored second"),
        (HEAD + CLIP.replace("one_left.mp4", "none.mp4"), "none.mp4: no such file; clip 1 of"),
        (HEAD + CLIP.replace("one_right", "one_left"), "left and right are the same film"),
        (HEAD + CLIP + "[ball]\nradius_m = 36\n", "[ball]: radius_m is 36; it is in metres"),
        (HEAD + CLIP + "[ball]\nmass_kg = 159.5\n", "it is in kilograms"),
        (HEAD + CLIP + "[air]\npressure_pa = 1013.25\n", "it is in pascals"),
        (HEAD + CLIP + "[air]\nhumidity = 50\n", "a fraction: 0.5 is 50 %"),
        ("ball = 3\n" + HEAD + CLIP, "ball is 3; it is a table: [ball]"),
        ("clips = [3]\n" + HEAD, "clip 1 is 3; it is a table"),
        (HEAD.replace("rig.toml", "other.toml") + CLIP, "other.toml: no such file; session.toml names it as the rig"),
        ('log = "none.csv"\n' + HEAD + CLIP, "none.csv: no such file; session.toml names it as the log"),
    ],
)
def test_a_wrong_session_is_refused(session_folder: Path, session: str, line: str) -> None:
    assert line in refused(session_folder, session)


def test_a_wrong_place_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such folder"):
        read_session(tmp_path / "nowhere")
    with pytest.raises(InputError, match=r"session\.toml: no such file; `lanepair new"):
        read_session(tmp_path)
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="is not a folder"):
        read_session(tmp_path / "file")
    (tmp_path / "session.toml").write_bytes(b'name = "\xff"')
    with pytest.raises(InputError, match="is not a text file in UTF-8"):
        read_session(tmp_path)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("", "is empty; its first row names the columns"),
        ("delivery,bowler,arm,hand,side\n", 'the column "batter_hand" is missing'),
        ("delivery;bowler;arm;batter_hand;side\n1;A;right;right;over\n", "not separated by commas"),
        (f"{LOG_HEAD},side\n", 'the column "side" is there twice'),
        (f"{LOG_HEAD},release_speed_mps\n", '"release_speed_mps" clashes with one of deliveries.csv; rename it'),
        (f"{LOG_HEAD},date\n", '"date" clashes'),
        (f"{LOG_HEAD},,x\n1,A,right,right,over,5,6\n", "column 6 has no name"),
        (f"{LOG_HEAD}\n1,A,r,right,over\n", 'line 2: arm is "r"; write right or left'),
        (f"{LOG_HEAD}\n1,A,right,Left,over\n", 'line 2: batter_hand is "Left"; write right or left'),
        (f"{LOG_HEAD}\n1,A,right,left,around\n", 'line 2: side is "around"; write over or round'),
        (f"{LOG_HEAD},feed\n1,A,right,left,over,gun\n", 'feed is "gun"; write bowled or thrown or machine'),
        (f"{LOG_HEAD}\none,A,right,left,over\n", 'line 2: delivery is "one"; write a whole number'),
        (f"{LOG_HEAD}\n1.5,A,right,left,over\n", 'delivery is "1.5"'),
        (f"{LOG_HEAD}\n0,A,right,left,over\n", 'delivery is "0"'),
        (f"{LOG_HEAD}\n1,A,right,left,over\n1,A,right,left,over\n", "line 3: delivery 1 is there twice"),
        (f"{LOG_HEAD}\n2,A,right,left,over\n1,A,right,left,over\n", "line 3: delivery 1 comes after 2"),
        (f"{LOG_HEAD}\n1,A,right,left,over,x\n", "line 2: 6 cells under 5 column names"),
        (f'{LOG_HEAD}\n1,"A"B,right,left,over\n', "line 2: "),
        (f"{LOG_HEAD},clip\n1,A,right,left,over,3\n", "line 2: clip is 3; session.toml has 2 clip(s)"),
        (f"{LOG_HEAD},clip\n1,A,right,left,over,1\n2,A,right,left,over,\n", 'line 3: clip is ""'),
        (f"{LOG_HEAD},clip\n1,A,right,left,over,2\n2,A,right,left,over,1\n", "line 3: clip 1 comes after 2"),
        (f"{LOG_HEAD}\n1,A\0B,right,left,over\n", "line 2: a character that is no text (NUL)"),
    ],
)
def test_a_wrong_log_is_refused(tmp_path: Path, text: str, line: str) -> None:
    (tmp_path / "log.csv").write_text(text, encoding="utf-8", newline="")
    with pytest.raises(InputError) as refusal:
        read_log(tmp_path / "log.csv", 2)
    assert str(refusal.value).startswith(f"{tmp_path / 'log.csv'}: ")
    assert line in str(refusal.value) and "\n" not in str(refusal.value)


def test_a_log_that_is_not_text_is_refused(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_bytes(LOG_HEAD.encode() + b"\n1,Andr\xe9,right,left,over\n")
    with pytest.raises(InputError, match="is not a text file in UTF-8; save it as CSV, UTF-8"):
        read_log(tmp_path / "log.csv", 1)


def test_what_spreadsheets_leave_behind_does_no_harm(tmp_path: Path) -> None:
    text = f"\ufeff{LOG_HEAD},,\r\n1,A,right,left,over,,\r\n\r\n2,B,left,,round\r\n,,,,,,\r\n"
    (tmp_path / "log.csv").write_text(text, encoding="utf-8", newline="")
    log = read_log(tmp_path / "log.csv", 1)
    assert list(log.columns) == LOG_HEAD.split(",")
    assert log.to_numpy().tolist() == [["1", "A", "right", "left", "over"], ["2", "B", "left", "", "round"]]


@pytest.fixture
def log(session_folder: Path):
    """Two balls of Invented A in clip 1, one of Invented B in clip 2."""
    return read_log(session_folder / "log.csv", 2)


def test_rows_belong_to_deliveries_in_order_within_their_clip(log) -> None:
    attached = attach_log(log, [1, 1, 2], 2)
    assert attached.disagreements == ()
    assert attached.rows["bowler"].tolist() == ["Invented A", "Invented A", "Invented B"]
    assert attached.rows["plan"].tolist() == ["good", "good", "full"]


@pytest.mark.parametrize(
    ("clip_of", "bowlers", "line"),
    [
        ([1, 1, 1, 2], ["", "", "", "Invented B"], "clip 1: 3 deliveries found, 2 in the log, 1 more than logged"),
        ([1, 2], ["", "Invented B"], "clip 1: 1 delivery found, 2 in the log, 1 fewer than logged"),
        ([1, 1], ["Invented A", "Invented A"], "clip 2: 0 deliveries found, 1 in the log, 1 fewer than logged"),
        ([1, 1, 2, 2, 2], ["Invented A", "Invented A", "", "", ""], "clip 2: 3 deliveries found, 1 in the log, 2 more"),
    ],
)
def test_a_clip_that_disagrees_stays_empty_and_is_named(log, clip_of: list[int], bowlers: list[str], line: str) -> None:
    attached = attach_log(log, clip_of, 2)
    assert attached.rows["bowler"].tolist() == bowlers
    assert len(attached.disagreements) == 1 and line in attached.disagreements[0]
    empty = attached.rows["bowler"] == ""
    assert (attached.rows[empty] == "").all(axis=None)


def test_without_a_clip_column_the_whole_session_counts(log) -> None:
    whole = log.drop(columns="clip")
    assert attach_log(whole, [1, 2, 2], 2).rows["bowler"].tolist() == ["Invented A", "Invented A", "Invented B"]
    attached = attach_log(whole, [1, 2, 2, 2], 2)
    assert (attached.rows == "").all(axis=None)
    assert "the session (the log has no column clip): 4 deliveries found, 3 in the log" in attached.disagreements[0]


def test_a_log_that_skips_a_number_is_taken_in_order_and_said_so(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text(f"{LOG_HEAD}\n1,A,right,left,over\n3,B,left,left,over\n")
    attached = attach_log(read_log(tmp_path / "log.csv", 1), [1, 1], 1)
    assert attached.rows["bowler"].tolist() == ["A", "B"]
    assert attached.disagreements == ("the log has no row for delivery 2; its rows are taken in order",)


def test_without_a_log_every_label_is_empty() -> None:
    attached = attach_log(None, [1, 1], 1)
    assert attached.rows.columns.tolist() == ["bowler", "arm", "batter_hand", "side"]
    assert (attached.rows == "").all(axis=None) and attached.disagreements == ()

"""The report's page: safe, whole, legible, and the command that writes it."""

import html
import json
import re
import shutil
import subprocess
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.invented import invented_table, write_invented_out
from tests.invented_balls import write_out
from tracker.cli import main
from tracker.report import charts_style
from tracker.report.assemble import read_spells
from tracker.report.charts import CHARTS

NASTY = '=1+1 <script>alert("x")</script> O\'Néill & $a$'


@pytest.fixture(scope="module")
def table() -> pd.DataFrame:
    return invented_table(np.random.default_rng(8), (NASTY, "Invented bowler B"), 20)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory, table: pd.DataFrame) -> Path:
    return write_invented_out(tmp_path_factory.mktemp("run") / "out", table)


@pytest.fixture(scope="module")
def page(run: Path) -> str:
    file = run.parent / "nasty.html"
    assert main(["report", str(run), "--bowler", NASTY, "--out", str(file)]) == 0
    return file.read_text(encoding="utf-8")


@pytest.fixture
def one_chart(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pages of one chart, where the charts are not what is tested."""
    monkeypatch.setattr("tracker.report.charts.CHARTS", {"lengths": CHARTS["lengths"]})


class Reading(HTMLParser):
    """What a browser would take the page for: tags, attributes, text by tag."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str | None]] = []
        self.text: list[tuple[str, str]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attrs]

    def handle_data(self, data: str) -> None:
        if data.strip():
            self.text.append((self.tags[-1], data.strip()))


def test_a_nasty_name_is_text_and_nothing_else(page: str) -> None:
    read = Reading(page)
    assert ("h1", NASTY) in read.text
    assert "script" not in read.tags
    assert not [a for a in read.attributes if a[1].startswith("on")]
    assert any("the right film <lost> 3 frames" in words for _, words in read.text)


def test_the_page_needs_nothing_from_elsewhere(page: str) -> None:
    read = Reading(page)
    sources = [value for _, name, value in read.attributes if name in ("src", "href", "srcset", "action")]
    assert len(sources) == len(CHARTS) and all(s and s.startswith("data:image/svg+xml;base64,") for s in sources)
    assert "link" not in read.tags and "@import" not in page and "url(" not in page
    assert ("meta", "content", "default-src 'none'; img-src data:; style-src 'unsafe-inline'") in read.attributes


def test_every_delivery_stands_in_the_table_and_doubtful_ones_are_marked(page: str, table: pd.DataFrame) -> None:
    mine = table[table["bowler"] == NASTY]
    balls = page[page.index('id="balls"') : page.index('id="trust"')]
    rows = re.findall(r"<tr( class=\"mark\")?><td>(\d+)</td>", balls)
    assert [int(number) for _, number in rows] == list(mine["delivery"])
    assert [bool(mark) for mark, _ in rows] == list(mine["status"] != "ok")
    for number in mine["delivery"][mine["status"] != "ok"]:
        assert re.search(rf"Marked, not dropped:.*\b{number}\b", page)


def test_speeds_are_given_in_both_units(page: str, table: pd.DataFrame) -> None:
    mine = table[(table["bowler"] == NASTY)]
    mean = mine["release_speed_mps"].mean()
    assert f"{mean:.1f} m/s ({mean / 0.44704:.1f} mph)" in page  # the international mile: 0.44704 m/s, exact
    first = mine.iloc[0]
    assert re.search(rf">{first['release_speed_mps']:.2f}</td><td class=\"n\">{first['release_speed_mph']:.1f}<", page)


def test_each_chart_has_its_picture_and_sentence(page: str) -> None:
    read = Reading(page)
    for title, _ in CHARTS.values():
        assert ("h3", title) in read.text and ("img", "alt", f"Chart: {title}") in read.attributes
    assert sum(tag == "figcaption" for tag, _ in read.text) == len(CHARTS)


def test_the_page_is_built_for_screen_readers(page: str) -> None:
    """Language, one first heading and no level left out, named pictures, tables and headings of columns (WCAG 2.1)."""
    read = Reading(page)
    assert ("html", "lang", "en") in read.attributes
    levels = [int(tag[1]) for tag in read.tags if re.fullmatch(r"h\d", tag)]
    assert levels.count(1) == 1 and levels[0] == 1
    assert all(b <= a + 1 for a, b in pairwise(levels))
    for tag, name in (("img", "alt"), ("th", "scope"), ("section", "aria-labelledby")):
        named = [value for t, n, value in read.attributes if (t, n) == (tag, name)]
        assert len(named) == read.tags.count(tag) > 0 and all(named)
    ids = {value for _, name, value in read.attributes if name == "id"}
    assert {value for _, name, value in read.attributes if name == "aria-labelledby"} <= ids
    regions = [value for _, name, value in read.attributes if name == "aria-label"]
    assert len(regions) == read.tags.count("table") == len(set(regions))


def test_cautions_defer_to_local_guidance(page: str) -> None:
    """England and Wales board, Fast Bowling Directives: practice balls of reference/youth_workload_guidance.csv."""
    file = Path(__file__).parent / "reference" / "youth_workload_guidance.csv"
    youth = pd.read_csv(file, comment="#")["practice_balls_per_session"]
    youth = youth[youth > 0]
    assert f"{youth.min()} to {youth.max()} balls in a practice session" in page
    assert "current local guidance and qualified staff decide" in page
    assert "cannot judge a no-ball" in page


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.1 (from memory)."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: str, b: str) -> float:
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_formula_on_known_pairs() -> None:
    """Black on white 21:1; #767676 is the lightest grey that passes AA on white, 4.54:1 (WCAG lore, from memory)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)
    assert contrast("#777777", "#ffffff") < 4.5


def test_text_has_the_contrast_of_wcag_aa(page: str) -> None:
    """4.5:1 for text, 3:1 for marks (WCAG 2.1, 1.4.3 and 1.4.11, from memory)."""
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", page))
    marked = re.search(r"\.mark td, \.mark th \{ background: (#[0-9a-f]{6})", page)
    assert marked is not None
    papers = [colours["paper"], colours["wash"], marked.group(1)]
    for text in ("ink", "faint"):
        assert all(contrast(colours[text], paper) >= 4.5 for paper in papers), text
    for text in ("accent", "pass", "doubtful", "fail"):
        assert contrast(colours[text], colours["paper"]) >= 4.5, text
    for text in (charts_style.INK, charts_style.FAINT):
        assert contrast(text, charts_style.PAPER) >= 4.5 and contrast(text, charts_style.GROUND) >= 4.5
    for _, colour, _ in charts_style.HANDS.values():
        assert contrast(colour, charts_style.PAPER) >= 3 and contrast(colour, charts_style.GROUND) >= 3


@pytest.mark.usefixtures("one_chart")
def test_a_page_for_each_bowler(run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", str(run), "--out", str(tmp_path / "evening.html")]) == 0
    pages = sorted(p.name for p in tmp_path.iterdir())
    assert len(pages) == 2 and "evening_Invented-bowler-B.html" in pages
    assert NASTY in capsys.readouterr().out
    other = (tmp_path / "evening_Invented-bowler-B.html").read_text(encoding="utf-8")
    assert "alert" not in other


@pytest.mark.usefixtures("one_chart")
def test_a_failed_check_is_said_at_the_top_and_by_the_exit_code(table: pd.DataFrame, tmp_path: Path) -> None:
    out = write_invented_out(tmp_path / "out", table.head(6), ("fail", "pass"))
    assert main(["report", str(out)]) == 1
    page = (tmp_path / "out_report.html").read_text(encoding="utf-8")
    assert page.index("Failed: gravity. Do not rely on these numbers") < page.index('id="charts"')


@pytest.mark.usefixtures("one_chart")
def test_checks_are_printed_to_a_hundredth_of_their_limit(table: pd.DataFrame, tmp_path: Path) -> None:
    out = write_invented_out(tmp_path / "out", table.head(3), ())
    checks = [
        {"name": "frames even", "verdict": "pass", "value": 1.4e-12, "limit": 0.4, "unit": "ms", "advice": ""},
        {"name": "gravity", "verdict": "doubtful", "value": -21.456, "limit": 12.0, "unit": "%", "advice": "level it"},
        {
            "name": "in place",
            "verdict": "doubtful",
            "value": None,
            "limit": 0.02,
            "unit": "deg",
            "advice": "no picture",
        },
    ]
    (out / "check.json").write_text(json.dumps(checks), encoding="utf-8")
    assert main(["report", str(out)]) == 0
    page = (tmp_path / "out_report.html").read_text(encoding="utf-8")
    assert "frames even 0.000 ms (0.4 ms)." in page
    assert "doubtful: gravity</b> −21.5 % (limit 12 %). Level it." in page
    assert "doubtful: in place</b>. No picture." in page


def test_a_junior_wicket_comes_from_the_run(tmp_path: Path) -> None:
    table = invented_table(np.random.default_rng(5), balls=6)
    for facts in ({}, {"junior_stumps": False}, {"junior_stumps": True}):
        out = write_out(tmp_path / str(len(list(tmp_path.iterdir()))), table, **facts)
        ((spell, _),) = read_spells(out, None, "pace-club", np.random.default_rng(1))
        assert spell.junior_stumps is facts.get("junior_stumps", False)


def test_the_words_fit_a_pace_bowler(page: str) -> None:
    assert ">swing m<" in page and ">seam °<" in page and ">drift m<" not in page


def test_the_way_stands_before_the_number(page: str, table: pd.DataFrame) -> None:
    """ "0.12 in" under a heading in metres could be read as inches."""
    balls = page[page.index('id="balls"') : page.index('id="trust"')]
    assert re.search(r">(in|out) \d\.\d\d<", balls) and not re.search(r"\d (in|out|straight)<", balls)


@pytest.mark.usefixtures("one_chart")
def test_a_run_without_checks_says_so(table: pd.DataFrame, tmp_path: Path) -> None:
    out = write_invented_out(tmp_path / "out", table.head(3), ())
    assert main(["report", str(out)]) == 0
    assert (tmp_path / "out_report.html").read_text(encoding="utf-8").count("no checks of its rig") == 2


@pytest.mark.usefixtures("one_chart")
def test_a_session_without_a_log_or_without_a_measured_ball_is_still_reported(
    table: pd.DataFrame, tmp_path: Path
) -> None:
    numbers = [c for c in table if c.endswith(("_mps", "_m", "_deg", "_sd", "_mph", "_px"))]
    rows = table.head(4).assign(bowler="", arm="", batter_hand="", side="", swing_way="", deviation_way="")
    rows = rows.assign(**dict.fromkeys(numbers, np.nan), status="rejected", reason="the film stops", spell="")
    out = write_invented_out(tmp_path / "out", rows)
    assert main(["report", str(out)]) == 0
    page = (tmp_path / "out_report.html").read_text(encoding="utf-8")
    assert "Bowler not named in the log" in page and "0 of 4 fully" in page and page.count("the film stops") >= 4


@pytest.mark.usefixtures("one_chart")
def test_rows_without_a_number_are_not_called_measured(table: pd.DataFrame, tmp_path: Path) -> None:
    numbers = [c for c in table if c.endswith(("_mps", "_m", "_deg", "_sd", "_mph", "_px"))]
    rows = table.head(4).assign(status="ok", reason="")
    rows.loc[1:, numbers] = np.nan
    assert main(["report", str(write_invented_out(tmp_path / "out", rows))]) == 0
    page = (tmp_path / "out_report.html").read_text(encoding="utf-8")
    assert "1 of 4 fully" in page and "3 not at all" in page and page.count('<tr class="mark">') == 3


@pytest.mark.usefixtures("one_chart")
@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--bowler", "Invented bowler"], 'did you mean "Invented bowler B"?'),
        (["--out", "page.pdf"], "end it in .html"),
        (["--charts", __file__], "is not a folder"),
        (["--out", "/proc/none/page.html"], "cannot be written"),
    ],
)
def test_wrong_arguments_get_one_line(
    arguments: list[str], said: str, run: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["report", str(run), *arguments]) == 2
    error = capsys.readouterr().err
    assert said in error and error.count("\n") == 1


@pytest.mark.usefixtures("one_chart")
def test_damaged_files_get_one_line(table: pd.DataFrame, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = write_invented_out(tmp_path / "out", table.head(2))
    for name, text in (("check.json", "{"), ("check.json", "{}"), ("check.json", json.dumps([{"name": "x"}]))):
        (out / name).write_text(text, encoding="utf-8")
        assert main(["report", str(out)]) == 2
        error = capsys.readouterr().err
        assert "check" in error and error.count("\n") == 1
    assert main(["report", str(tmp_path / "nowhere")]) == 2
    assert not (tmp_path / "out_report.html").exists()


def test_nothing_is_wider_than_a_phone_and_no_table_than_a_screen(page: str, tmp_path: Path) -> None:
    """In headless Chromium: at 390 px the page does not scroll sideways, at 1100 px neither does any table."""
    browser = shutil.which("chromium")
    if browser is None:
        pytest.skip("no chromium on this machine")
    bare = html.escape(re.sub(r"<meta http-equiv[^>]*>", "", page))
    frames = "".join(
        f'<iframe width="{wide}" height="800" style="border:0" srcdoc="{bare}"></iframe>' for wide in (390, 1100)
    )
    probe = (
        "document.title = 'wide ' + frames[0].document.documentElement.scrollWidth + ' cut ' +"
        "[...frames[1].document.querySelectorAll('.wide')].filter(e => e.scrollWidth > e.clientWidth).length"
    )
    (tmp_path / "phone.html").write_text(f'<title></title><body onload="{probe}">{frames}</body>', encoding="utf-8")
    flags = ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
    flags += [f"--user-data-dir={tmp_path / 'profile'}", "--dump-dom"]
    asked = [browser, *flags, (tmp_path / "phone.html").as_uri()]
    seen = subprocess.run(asked, capture_output=True, text=True, timeout=120, check=True).stdout
    wide = re.search(r"<title>wide (\d+) cut (\d+)</title>", seen)
    assert wide is not None and 300 < int(wide.group(1)) <= 390
    assert wide.group(2) == "0"


@pytest.mark.usefixtures("one_chart")
def test_targets_of_the_bowlers_style_or_of_a_file(
    table: pd.DataFrame, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = write_invented_out(tmp_path / "out", table[table["bowler"] != NASTY].assign(style="spin"))
    assert main(["report", str(out)]) == 0
    page = (tmp_path / "out_report.html").read_text(encoding="utf-8")
    assert "the ready file “spin”" in page and "points in 4 overs" in page
    assert ">drift m<" in page and ">turn °<" in page and ">swing m<" not in page
    own = '[[pitch]]\nname = "<b>yard</b>"\nlength_m = [4.0, 5.0]\nline_m = [-0.2, 0.3]\n'
    (tmp_path / "own.toml").write_text(own, encoding="utf-8")
    assert main(["report", str(out), "--targets", str(tmp_path / "own.toml")]) == 0
    page = (tmp_path / "out_report.html").read_text(encoding="utf-8")
    assert "Targets of own.toml" in page and "&lt;b&gt;yard&lt;/b&gt;" in page
    assert main(["report", str(out), "--targets", str(tmp_path / "none.toml")]) == 2
    assert capsys.readouterr().err.count("\n") == 1

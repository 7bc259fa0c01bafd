"""The documents tell what the program does: their examples are read, their tables are the code's, their links lead."""

import re
import tomllib
from pathlib import Path

import pytest

from calibration.rig import read_rig
from tracker.cli import COMMANDS
from tracker.session.folder import read_session
from tracker.session.layout import GROUPS
from tracker.session.tables import FIELDS

ROOT = Path(__file__).parents[1]
PAGES = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").rglob("*.md")])
FILES_MD = (ROOT / "docs" / "files.md").read_text(encoding="utf-8")


def example(heading: str) -> str:
    """The first TOML block below a heading of docs/files.md."""
    return FILES_MD.split(f"# {heading}\n", 1)[1].split("```toml\n", 1)[1].split("```", 1)[0]


def test_the_session_and_rig_examples_are_read(session_folder: Path) -> None:
    rig = example("The rig")
    right = rig.split("[left]", 1)[1].split("[covariance]", 1)[0]
    (session_folder / "rig.toml").write_text(f"{rig}\n[right]{right}", encoding="utf-8")
    assert read_rig(session_folder / "rig.toml").names == ("left.fx", "left.fy")
    for view in ("left", "right"):
        (session_folder / f"one_{view}.mp4").rename(session_folder / f"clip01_{view}.mp4")
    (session_folder / "log.csv").write_text("delivery,bowler,arm,batter_hand,side\n")
    (session_folder / "session.toml").write_text(example("session.toml"), encoding="utf-8")
    session = read_session(session_folder)
    assert (session.name, session.air.temperature_c) == ("Net 3, second winter block", 12.0)
    loose = re.sub(r"^# (pressure_pa|humidity) ", r"\1 ", example("session.toml"), flags=re.MULTILINE)
    (session_folder / "session.toml").write_text(loose, encoding="utf-8")
    assert read_session(session_folder).air.humidity == 0.5


def test_the_calibration_example_is_valid() -> None:
    assert set(tomllib.loads(example("calibration.toml"))) == {"board", "images", "marks", "lane_pictures", "left"}


@pytest.mark.parametrize("group", GROUPS)
def test_every_column_of_tracks_h5_is_told(group: str) -> None:
    title, fields = GROUPS[group]
    section = FILES_MD.split(f"\n`/{group}`: {title}.\n", 1)
    assert len(section) == 2, f"/{group} is not told"
    table = section[1].split("\n`/", 1)[0].split("\n## ", 1)[0]
    rows = [line for line in table.splitlines() if line.startswith("| `") and "deliveries.csv" not in line]
    mine = [f for f in fields if group != "deliveries" or f not in FIELDS]
    assert rows == [f"| `{f.name}` | {f.type} | {f.unit} | {f.meaning} |" for f in mine]


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_links_lead_somewhere(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", text):
        if not target.startswith(("http://", "https://")):
            assert (page.parent / target).exists(), f"{page.name} links to {target}"
    headings = {
        re.sub(r"[^\w\- ]", "", h.lower()).replace(" ", "-") for h in re.findall(r"^#+ (.*)$", text, re.MULTILINE)
    }
    for anchor in re.findall(r"\]\(#([^)]+)\)", text):
        assert anchor in headings, f"{page.name} links to its own #{anchor}"


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_commands_that_are_named_exist(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    named = set(re.findall(r"(?:`|^ {4}|/)lanepair ([a-z]+)", text, re.MULTILINE))
    assert named <= set(COMMANDS), f"{page.name} names {sorted(named - set(COMMANDS))}"


def test_the_tree_names_every_room() -> None:
    told = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("## The tree", 1)[1].split("## The arrows", 1)[0]
    rooms = [p.name for p in (ROOT / "calibration").glob("*.py") if p.name != "__init__.py"]
    for path in (ROOT / "tracker").iterdir():
        if (path / "__init__.py").exists():
            rooms.append(f"{path.name}/")
        elif path.suffix == ".py" and not path.name.startswith("__"):
            rooms.append(path.name)
    missing = [room for room in rooms if room not in told]
    assert not missing, f"DEVELOPERS.md does not name {missing}"

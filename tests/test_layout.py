"""The house keeps its order: which room may know which, which door a library comes in by, how long a file may be."""

import ast
import re
import sys
import tomllib
from functools import cache
from importlib import import_module
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

from tracker.cli import COMMANDS

ROOT = Path(__file__).parents[1]
PYPROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))

# A room may import rooms of an earlier line, and its own. DEVELOPERS.md draws the same.
FLOORS = (
    ("calibration",),
    ("tracker.records",),
    ("tracker.settings",),
    ("tracker.vision", "tracker.tracking", "tracker.flight"),  # these three never know each other
    ("tracker.session", "tracker.simulation"),
    ("tracker.joint",),
    ("tracker.clocks",),
    ("tracker.clip", "tracker.passing"),
    ("tracker.letgo",),
    ("tracker.outcome",),
    ("tracker.trust",),
    ("tracker.pipeline",),
    ("tracker.analysis",),
    ("tracker.report",),
    ("tracker.web",),
    ("tracker.commands",),
    ("tracker.cli",),
    ("tracker.__main__",),
)
DOORS = {  # library: the only places that may import it
    "filterpy": ("tracker/tracking/kalman.py",),
    "h5py": ("tracker/session/store.py",),
    "matplotlib": ("tracker/report/charts",),
    "mpl_toolkits": ("tracker/report/charts",),
    "av": ("tracker/vision/video.py", "tracker/simulation/films.py"),
    "starlette": ("tracker/web/",),
    "uvicorn": ("tracker/web/",),
    "numba": ("tracker/vision/compiled.py", "tracker/flight/physics.py", "tracker/simulation/compiled.py"),
    "statsmodels": (),  # tests only: it judges our statistics
}
CALIBRATION_ORDER = (
    "errors",
    "lane",
    "camera",
    "triangulate",
    "rig",
    "adjust",
    "doubt",
    "rehearse",
    "board",
    "marks",
    "lenses",
    "start",
    "place",
    "suspect",
    "solve",
    "refine",
    "verdict",
    "advice",
    "exchange",
    "folder",
    "gather",
)
LONGEST_FILE, LONGEST_FUNCTION = 400, 60


@cache
def sources() -> tuple[Path, ...]:
    return tuple(sorted(p for top in ("calibration", "tracker") for p in (ROOT / top).rglob("*.py")))


def named(path: Path) -> str:
    """The module's dotted name."""
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


@cache
def imports(path: Path) -> tuple[str, ...]:
    """Every module a file imports; `from a import b` counts as a.b where that is a module."""
    found: list[str] = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are written in full"
            whole = [f"{node.module}.{alias.name}" for alias in node.names]
            found += [w if w in modules() else str(node.module) for w in whole]
    return tuple(found)


@cache
def modules() -> frozenset[str]:
    return frozenset(named(p) for p in sources())


def room(module: str) -> str:
    parts = module.split(".")
    return parts[0] if parts[0] != "tracker" else ".".join(parts[:2])


def floor(module: str) -> int:
    for level, rooms in enumerate(FLOORS):
        if room(module) in rooms:
            return level
    raise AssertionError(f"{module} has no place in FLOORS: give it one here and in DEVELOPERS.md")


@pytest.mark.parametrize("path", sources(), ids=named)
def test_imports_point_one_way(path: Path) -> None:
    me = named(path)
    if me == "tracker":
        assert not imports(path)
        return
    for other in imports(path):
        if room(other) in ("calibration", "tracker") or other.startswith("tracker."):
            assert room(other) == room(me) or floor(other) < floor(me), f"{me} may not know {other}"


def test_no_two_modules_need_each_other() -> None:
    needs = {named(p): {m for m in imports(p) if m in modules()} for p in sources()}
    while needs:
        free = {m for m, others in needs.items() if not others & needs.keys() - {m}}
        assert free, f"a circle among {sorted(needs)}"
        needs = {m: others for m, others in needs.items() if m not in free}


def test_calibration_keeps_its_order() -> None:
    for place, name in enumerate(CALIBRATION_ORDER):
        later = {f"calibration.{other}" for other in CALIBRATION_ORDER[place + 1 :]}
        assert not later & set(imports(ROOT / "calibration" / f"{name}.py")), name


def test_analysis_knows_tables_only() -> None:
    for path in (ROOT / "tracker" / "analysis").glob("*.py"):
        ours = {m for m in imports(path) if m.startswith("tracker.") and room(m) != "tracker.analysis"}
        assert ours <= {"tracker.session.tables", "tracker.session.cells"}, f"{path.name} imports {ours}"


def test_the_simulator_shares_nothing_with_what_it_tests() -> None:
    for path in (ROOT / "tracker" / "simulation").glob("*.py"):
        rooms = {room(m) for m in imports(path)}
        assert not rooms & {"tracker.vision", "tracker.tracking", "tracker.flight"}, path.name


@pytest.mark.parametrize("library", DOORS)
def test_each_library_has_its_door(library: str) -> None:
    for path in sources():
        if any(m.split(".")[0] == library for m in imports(path)):
            place = path.relative_to(ROOT).as_posix()
            assert place.startswith(DOORS[library]), f"{place} imports {library}; only {DOORS[library]} may"


@pytest.mark.parametrize("path", [*sources(), *sorted((ROOT / "tests").rglob("*.py"))], ids=lambda p: p.name)
def test_no_file_and_no_function_is_too_long(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count("\n") <= LONGEST_FILE
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef) and node.end_lineno is not None:
            start = node.body[1].lineno if ast.get_docstring(node) and len(node.body) > 1 else node.body[0].lineno
            assert node.end_lineno - start < LONGEST_FUNCTION, f"{node.name} is too long"


def test_every_package_is_installed() -> None:
    there = {named(p) for p in sources() if p.name == "__init__.py"}
    assert set(PYPROJECT["tool"]["setuptools"]["packages"]) == there


def test_every_library_is_declared() -> None:
    """What is imported at run time is a dependency, or an extra that the code asks for by name."""
    wanted = [*PYPROJECT["project"]["dependencies"], *PYPROJECT["project"]["optional-dependencies"]["parquet"]]
    declared = {re.split(r"[\[<>=~! ]", line)[0].lower() for line in wanted}
    known = packages_distributions()
    for path in sources():
        for top in {m.split(".")[0] for m in imports(path)}:
            if top not in sys.stdlib_module_names and top not in ("calibration", "tracker"):
                owners = {name.lower() for name in known.get(top, [top])}
                assert owners & declared, f"{path.relative_to(ROOT)} imports {top}, which pyproject.toml does not name"


def test_every_command_is_listed_and_whole() -> None:
    listed = {module for module, _ in COMMANDS.values()}
    for name in listed:
        module = import_module(f"tracker.commands.{name}")
        assert callable(module.add_arguments) and callable(module.run)
    for path in (ROOT / "tracker" / "commands").glob("*.py"):
        defines = {n.name for n in ast.parse(path.read_text(encoding="utf-8")).body if isinstance(n, ast.FunctionDef)}
        assert not {"add_arguments", "run"} <= defines or path.stem in listed, f"{path.name} is not in COMMANDS"


def test_heavy_libraries_wait_until_a_command_needs_them() -> None:
    """`lanepair --version` and help answer at once: the command table imports none of the slow libraries."""
    import subprocess

    look = "import sys, tracker.cli; print(sorted({'numpy','cv2','pandas','filterpy','numba'} & set(sys.modules)))"
    told = subprocess.run([sys.executable, "-c", look], capture_output=True, text=True, check=True, cwd=ROOT)
    assert told.stdout.strip() == "[]"

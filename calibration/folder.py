"""A calibration folder: calibration.toml, marks.csv, and the pictures it names (docs/files.md).

Everything is checked here, with the file and the remedy in each refusal. The board is then looked for in every picture;
pictures of one name in both folders are of one instant.
"""

import csv
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from calibration import lane
from calibration.adjust import NO_MARKS, BoardView, Bools, MarkSightings
from calibration.board import KINDS, Board, Gray, dictionaries, find_corners, settle_layout, why_none
from calibration.camera import Floats
from calibration.errors import InputError, LanepairError, nearest
from calibration.marks import USUAL_SD_M, named_mark
from calibration.rig import VIEWS, read_toml

PICTURES = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp")
CLICK_SD_PX = 0.5  # of a mark whose sd is not stated, until the residuals speak
HALL_M = (30.0, 40.0, 15.0)  # marks further than this from the pitch's middle are taken for a mistake of units
ROUGH_SD_PX = 3.0  # of a rough click that is not refined
SEEN_ALIKE, ALIKE_SHARE = 4, 0.6  # pictures, and the share of them that show the same part of a board
_TABLES = {
    "board": ("kind", "columns", "rows", "square_m", "marker_m", "dictionary"),
    "images": VIEWS,
    "marks": ("file",),
    "lane_pictures": VIEWS,
    "lenses": ("file",),
    "left": ("row_time_s", "exposure_s", "time_offset_s"),
    "right": ("row_time_s", "exposure_s", "time_offset_s"),
}
_MARK_COLUMNS = ("camera", "mark", "u_px", "v_px", "x_m", "y_m", "z_m", "sd_px", "sd_x_m", "sd_y_m", "sd_z_m")
Size = tuple[int, int]


@dataclass(frozen=True)
class Clock:
    """What pictures cannot tell of a camera: seconds; an offset of None is estimated from the balls later."""

    time_offset_s: float | None = None
    row_time_s: float = 0.0
    exposure_s: float = 0.0


@dataclass(frozen=True, eq=False)
class Folder:
    """What a calibration folder holds, checked.

    pictures     for each camera: file stem -> picture of the board
    stated, rough  (n,) which mark sightings have their own sd, which are rough clicks
    lane         the empty lane's pictures, where given
    lenses       file of known lenses
    """

    path: Path
    board: Board | None
    pictures: tuple[Mapping[str, Path], Mapping[str, Path]]
    marks_path: Path | None
    marks: MarkSightings
    stated: Bools
    rough: Bools
    lane: tuple[Path | None, Path | None]
    lenses: Path | None
    clocks: tuple[Clock, Clock]


def read_folder(path: Path, pitch_length_m: float = lane.PITCH_LENGTH_M, junior_stumps: bool = False) -> Folder:
    """Read and check everything but the pictures. Raises InputError for the first thing that is wrong."""
    file = path / "calibration.toml"
    if not path.is_dir():
        raise InputError(path, "no such folder", "give the folder that holds calibration.toml")
    if not file.exists():
        raise InputError(
            file, "no such file", "give a calibration folder; `lanepair new` lays one in a session's folder"
        )
    table = read_toml(file)
    for name, own in table.items():
        if name not in _TABLES or not isinstance(own, dict):
            raise InputError(file, f'unknown table or key "{name}"', nearest(name, list(_TABLES)))
        for key in own:
            if key not in _TABLES[name]:
                raise InputError(file, f'unknown key "{name}.{key}"', nearest(key, _TABLES[name]))
    if "board" not in table and "lenses" not in table:
        raise InputError(file, "has neither [board] nor [lenses]", "describe the board, or name a file of known lenses")
    board = _board(file, table["board"]) if "board" in table else None
    folders = {view: table.get("images", {}).get(view, f"{view}_board") for view in VIEWS}
    pictures = [_pictures(file, path / str(folders[v]), "images" in table) if board else {} for v in VIEWS]
    lanes = [_named(file, path, table.get("lane_pictures", {}), v, f"lane_{v}.png", "lane_pictures.") for v in VIEWS]
    marks_path = _named(file, path, table.get("marks", {}), "file", "marks.csv", "marks.")
    marks, stated, rough = _no_marks()
    if marks_path is not None:
        marks, stated, rough = read_marks(marks_path, pitch_length_m, junior_stumps)
    lenses = _named(file, path, table["lenses"], "file", "", "lenses.") if "lenses" in table else None
    if "lenses" in table and lenses is None:
        raise InputError(file, "[lenses] names no file", 'add file = "old_rig.toml"')
    clocks = [_clock(file, table.get(v, {}), v) for v in VIEWS]
    return Folder(
        path,
        board,
        (pictures[0], pictures[1]),
        marks_path,
        marks,
        stated,
        rough,
        (lanes[0], lanes[1]),
        lenses,
        (clocks[0], clocks[1]),
    )


def _no_marks() -> tuple[MarkSightings, Bools, Bools]:
    return NO_MARKS, np.zeros(0, bool), np.zeros(0, bool)


def _number(file: Path, value: Any, what: str, low: float, high: float, remedy: str = "") -> float:
    try:
        number = float(value) if not isinstance(value, bool) else np.nan
    except (TypeError, ValueError):
        number = np.nan
    if not low <= number <= high:
        raise InputError(file, f"{what} is {value!r}", remedy or f"a number from {low:g} to {high:g} is needed")
    return number


def _board(file: Path, own: Mapping[str, Any]) -> Board:
    kind = own.get("kind", "chessboard")
    if kind not in KINDS:
        raise InputError(file, f"board.kind is {kind!r}", nearest(str(kind), KINDS))
    for key in ("columns", "rows", "square_m", *(("marker_m", "dictionary") if kind == "charuco" else ())):
        if key not in own:
            raise InputError(file, f"board.{key} is missing")
    counts = [_number(file, own[key], f"board.{key}", 3, 200) for key in ("columns", "rows")]
    if counts != [int(c) for c in counts]:
        raise InputError(file, f"board is {counts[0]:g} x {counts[1]:g}", "columns and rows are whole numbers")
    square = _number(file, own["square_m"], "board.square_m", 1e-9, 1e9)
    if not 0.002 <= square <= 0.5:
        unit, size = ("mm", square / 1000) if square >= 5 else ("cm", square / 100)
        guess = f"; did you mean {size:g} ({square:g} {unit})?" if 0.002 <= size <= 0.5 else ""
        raise InputError(file, f"board.square_m is {square:g} m{guess}", "one square's side, in metres")
    if kind == "chessboard":
        return Board(kind, int(counts[0]), int(counts[1]), square)
    marker = _number(
        file,
        own["marker_m"],
        "board.marker_m",
        0.1 * square,
        0.99 * square,
        f"it is in metres and less than square_m, {square:g}",
    )
    if own["dictionary"] not in dictionaries():
        raise InputError(
            file, f"board.dictionary is {own['dictionary']!r}", nearest(str(own["dictionary"]), dictionaries())
        )
    return Board(kind, int(counts[0]), int(counts[1]), square, marker, own["dictionary"])


def _pictures(file: Path, folder: Path, named: bool) -> dict[str, Path]:
    if not folder.is_dir():
        if not named:
            return {}
        raise InputError(file, f"the folder {folder.name} is not there", "[images] names folders beside this file")
    return {p.stem: p for p in sorted(folder.iterdir()) if p.suffix.lower() in PICTURES}


def _named(file: Path, path: Path, own: Mapping[str, Any], key: str, usual: str, where: str) -> Path | None:
    """The file a key names, the usual one if that is there, or None."""
    if key in own:
        if not (path / str(own[key])).is_file():
            raise InputError(file, f"{where}{key} names {own[key]!r}, not there", "it is relative to this file")
        return path / str(own[key])
    return path / usual if usual and (path / usual).is_file() else None


def _clock(file: Path, own: Mapping[str, Any], view: str) -> Clock:
    row = _number(file, own.get("row_time_s", 0.0), f"{view}.row_time_s", -1e-3, 1e-3, "seconds from row to row")
    exposure = _number(file, own.get("exposure_s", 0.0), f"{view}.exposure_s", 0, 1, "it is in seconds")
    offset = own.get("time_offset_s")
    if offset is not None:
        offset = _number(file, offset, f"{view}.time_offset_s", -1e6, 1e6)
    return Clock(offset, row, exposure)


def read_marks(file: Path, pitch_length_m: float, junior_stumps: bool) -> tuple[MarkSightings, Bools, Bools]:
    """marks.csv: the sightings, which of them state their sd, which are rough."""
    try:
        rows = list(csv.DictReader(file.read_text(encoding="utf-8-sig").splitlines()))
    except UnicodeDecodeError:
        raise InputError(file, "is not a text file in UTF-8", "save it as CSV, UTF-8") from None
    if not rows:
        raise InputError(file, "has no rows", "columns: camera,mark,u_px,v_px and others (docs/files.md)")
    known = (*_MARK_COLUMNS, "approximate")
    for name in ("camera", "u_px", "v_px"):
        if name not in rows[0]:
            raise InputError(file, f"has no column {name}", "its first row names the columns")
    for column in rows[0]:
        if column not in known and nearest(str(column), known).startswith("did you mean"):
            raise InputError(file, f'unknown column "{column}"', nearest(str(column), known))
    seen = [_mark(file, n, row, pitch_length_m, junior_stumps) for n, row in enumerate(rows, start=2)]
    names = tuple(dict.fromkeys(s.name for s in seen))
    first = {s.name: s for s in reversed(seen)}
    for s in seen:
        if not np.allclose(s.point_m, first[s.name].point_m, atol=1e-9):
            raise InputError(file, f"line {s.line}: {s.name} has other coordinates than before", "one place a mark")
    pairs = [(s.view, s.name) for s in seen]
    twice = next((s for i, s in enumerate(seen) if pairs.index((s.view, s.name)) < i), None)
    if twice is not None:
        raise InputError(file, f"line {twice.line}: {twice.name} is there twice for the {VIEWS[twice.view]} camera")
    marks = MarkSightings(
        np.array([s.view for s in seen]),
        np.array([names.index(s.name) for s in seen]),
        np.array([s.px for s in seen]),
        np.array([np.eye(2) * s.sd_px**2 for s in seen]),
        names,
        np.array([first[n].point_m for n in names]),
        np.array([first[n].sd_m for n in names]),
    )
    return marks, np.array([s.stated for s in seen]), np.array([s.rough for s in seen])


@dataclass(frozen=True, eq=False)
class _Seen:
    line: int
    view: int
    name: str
    px: Floats
    sd_px: float
    stated: bool
    rough: bool
    point_m: Floats
    sd_m: Floats


def _mark(file: Path, line: int, row: Mapping[str, str], pitch_length_m: float, junior_stumps: bool) -> _Seen:
    cell = {k: (v or "").strip() for k, v in row.items() if isinstance(v, str) or v is None}
    camera, name = cell.get("camera", "").lower(), cell.get("mark", "")
    if camera not in VIEWS:
        raise InputError(file, f"line {line}: camera is {camera!r}", "left or right is needed")
    at = f"line {line}: "
    if not (cell.get("u_px") and cell.get("v_px")):
        who = name or "the mark"
        raise InputError(file, f"{at}{who} has no place in the picture", "fill in u_px and v_px, or delete the row")
    px = [_number(file, cell[key], at + key, -1e5, 1e5) for key in ("u_px", "v_px")]
    own = [cell.get(key, "") for key in ("x_m", "y_m", "z_m")]
    if any(own):
        keys = ("x_m", "y_m", "z_m")
        point = np.array([_number(file, v, at + k, -1e9, 1e9) for v, k in zip(own, keys, strict=True)])
        sd = np.full(3, USUAL_SD_M)
        if np.any(np.abs(point - [0, pitch_length_m / 2, 0]) > HALL_M):
            far = np.abs(point).max()
            unit = "mm" if far > 300 else "feet or inches"
            raise InputError(file, f"{at}{name} lies {far:g} m off; did you mean {unit}?", "coordinates are in metres")
        name = name or "at " + ", ".join(own)
    else:
        try:
            point, sd = named_mark(name, pitch_length_m, junior_stumps)
        except LanepairError as unknown:
            raise InputError(file, f"{at}{unknown}", "or give x_m, y_m, z_m") from None
    for axis, key in enumerate(("sd_x_m", "sd_y_m", "sd_z_m")):
        if cell.get(key):
            sd[axis] = max(_number(file, cell[key], at + key, 0, 10, "metres"), 1e-5)
    rough = cell.get("approximate", "").lower() in ("true", "1", "yes")
    stated = bool(cell.get("sd_px"))
    usual = ROUGH_SD_PX if rough else CLICK_SD_PX
    sd_px = max(_number(file, cell["sd_px"], at + "sd_px", 0, 1e3), 0.02) if stated else usual
    return _Seen(line, VIEWS.index(camera), name, np.array(px), sd_px, stated, rough, point, sd)


@dataclass(frozen=True, eq=False)
class Filmed:
    """The board as found in the pictures: its layout, the views, the pictures' size, and pictures without it."""

    board: Board
    views: tuple[BoardView, ...] = ()
    sizes_px: tuple[Size | None, Size | None] = (None, None)
    without: tuple[str, ...] = field(default=())
    note: str = ""


def read_gray(file: Path) -> Gray:
    """A grey picture. Raises InputError where the file is none."""
    coded = np.frombuffer(file.read_bytes(), np.uint8)
    picture = cv2.imdecode(coded, cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION) if len(coded) else None
    if picture is None:
        raise InputError(file, "is not a picture that can be read", "save it as PNG")
    return np.asarray(picture, np.uint8)


def film_board(folder: Folder, step: Callable[[str], None], window_px: int | None = None) -> Filmed:
    """Find the board in every picture; `step` is called with each file's name."""
    assert folder.board is not None
    board, views, without, note = folder.board, [], [], ""
    sizes: list[Size | None] = [None, None]
    stems = sorted({*folder.pictures[0], *folder.pictures[1]})
    for view, who in enumerate(VIEWS):
        files = folder.pictures[view]
        if board.kind == "charuco" and files:
            board, note_here = settle_layout([read_gray(f) for f in list(files.values())[:6]], board)
            note = note or note_here
        found = whole = 0
        parts = list[Size]()
        for stem, file in files.items():
            step(f"{who} {file.name}")
            picture = read_gray(file)
            size = (picture.shape[1], picture.shape[0])
            first = sizes[view] or size
            if size != first:
                raise InputError(
                    file, f"is {size[0]}x{size[1]}, the others {first[0]}x{first[1]}", "use one video mode for all"
                )
            sizes[view] = size
            corners = find_corners(picture, board, window_px)
            if corners is None:
                without.append(f"{who} {file.name}")
                continue
            found += 1
            whole += corners.whole
            parts += [] if corners.whole else [_grid(corners.points_m)]
            alone = not corners.whole or (board.turnable and board.columns == board.rows)
            number = stems.index(stem) + (len(stems) * (1 + view) if alone else 0)
            views.append(BoardView(view, file.name, number, corners.points_m, corners.px))
        if files and (not found or (board.turnable and not whole)):
            some = [read_gray(f) for f in list(files.values())[:8]]
            raise InputError(next(iter(files.values())).parent, why_none(some, board, who))
        refuse_other_grid(next(iter(files.values())).parent if files else folder.path, board, parts, found)
    return Filmed(board, tuple(views), (sizes[0], sizes[1]), tuple(without), note)


def _grid(points_m: Floats) -> Size:
    """Columns and rows of a part of a chessboard, the longer first."""
    counts = sorted((len(np.unique(points_m[:, axis].round(6))) for axis in (0, 1)), reverse=True)
    return counts[0], counts[1]


def refuse_other_grid(file: Path, board: Board, parts: Sequence[Size], found: int) -> None:
    """Refuse a chessboard that nearly every picture shows with the same, smaller number of corners."""
    if not board.turnable or not parts:
        return
    usual = max(set(parts), key=parts.count)
    if found >= SEEN_ALIKE and parts.count(usual) > ALIKE_SHARE * found:
        raise InputError(
            file,
            f"{parts.count(usual)} of {found} pictures show {usual[0]} x {usual[1]} inner corners, the settings say "
            f"{board.columns} x {board.rows}",
            "count inner corners, not squares",
        )

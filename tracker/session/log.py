"""log.csv: who bowled each ball to whom, and which row belongs to which delivery found.

Rows are attached to deliveries clip by clip, in order, and only where their numbers agree; where they do not, the
log's cells stay empty throughout that clip and a line says which and by how many. Format: docs/files.md.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

import pandas as pd

from calibration.errors import InputError
from tracker.session.cells import read_cells
from tracker.session.tables import COLUMNS, LOG_COLUMNS

REQUIRED = ("delivery", "bowler", "arm", "batter_hand", "side")
WORDS = {  # what a cell may say; empty is always allowed and means missing
    "arm": ("right", "left"),
    "batter_hand": ("right", "left"),
    "side": ("over", "round"),
    "feed": ("bowled", "thrown", "machine"),
}


@dataclass(frozen=True, eq=False)
class AttachedLog:
    """The log as it belongs to the deliveries found.

    rows           one row a delivery found; the log's columns without `delivery` and `clip`, "" where nothing is known
    disagreements  one line for each clip (or the session) whose count differs; empty: all agree
    """

    rows: pd.DataFrame
    disagreements: tuple[str, ...]


def read_log(path: Path, clips: int) -> pd.DataFrame:
    """Read log.csv: every cell a string as it stands, in bowling order.

    Parameters
    ----------
    path : Path
    clips : int
        How many clips the session has; the column `clip` counts them from 1.

    Raises
    ------
    InputError
        Naming line and column, for anything that is not as the format says.
    """
    header, rows, lines = read_cells(path, "session.toml names it as the log")
    log = pd.DataFrame(rows, columns=pd.Index(header), dtype=object)
    _check_header(path, header)
    for column, words in WORDS.items():
        for cell, line in zip(log.get(column, ()), lines, strict=False):
            if cell and cell not in words:
                raise InputError(path, f'line {line}: {column} is "{cell}"', f"write {' or '.join(words)}")
    _check_rising(path, log["delivery"], lines, "delivery", strictly=True)
    if "clip" in log and not (log["clip"] == "").all():
        _check_rising(path, log["clip"], lines, "clip", strictly=False, highest=clips)
    elif "clip" in log:
        log = log.drop(columns="clip")
    return log


def attach_log(log: pd.DataFrame | None, clip_of: Sequence[int], clips: int) -> AttachedLog:
    """The log's row for each delivery found.

    Parameters
    ----------
    log : DataFrame or None
        As `read_log` gives it; None: no log, every cell stays empty.
    clip_of : sequence of int
        The clip (from 1) of each delivery found, in order.
    clips : int
        How many clips the session has.
    """
    columns = [c for c in (*LOG_COLUMNS, *extra_columns(log)) if c != "clip"]
    rows = pd.DataFrame("", index=range(len(clip_of)), columns=pd.Index(columns), dtype=object)
    if log is None:
        return AttachedLog(rows, ())
    if "clip" in log or clips == 1:
        of_row = log["clip"].astype(int) if "clip" in log else pd.Series(1, index=log.index)
        units = [
            (f"clip {c}", [i for i, k in enumerate(clip_of) if k == c], log.index[of_row == c].tolist())
            for c in range(1, clips + 1)
        ]
    else:
        units = [("the session (the log has no column clip)", list(range(len(clip_of))), log.index.tolist())]
    lines = _skipped(log)
    for name, found, logged in units:
        if len(found) == len(logged):
            rows.loc[found, columns] = log.loc[logged, columns].to_numpy()
        else:
            lines.append(_disagreement(name, len(found), len(logged)))
    return AttachedLog(rows, tuple(lines))


def extra_columns(log: pd.DataFrame | None) -> list[str]:
    """The log's further columns, in the log's order."""
    return [] if log is None else [c for c in log.columns if c not in ("delivery", *LOG_COLUMNS)]


def _skipped(log: pd.DataFrame) -> list[str]:
    numbers = {int(number) for number in log["delivery"]}
    missing = sorted(set(range(1, max(numbers, default=0) + 1)) - numbers)
    if not missing:
        return []
    return [f"the log has no row for delivery {', '.join(map(str, missing))}; its rows are taken in order"]


def _disagreement(name: str, found: int, logged: int) -> str:
    balls = "1 delivery" if found == 1 else f"{found} deliveries"
    more, which = abs(found - logged), "more" if found > logged else "fewer"
    return f"{name}: {balls} found, {logged} in the log, {more} {which} than logged; bowler and hand stay empty there"


def _check_header(path: Path, header: list[str]) -> None:
    if not header:
        raise InputError(path, "is empty", f"its first row names the columns: {', '.join(REQUIRED)}")
    for column in REQUIRED:
        if column not in header:
            near = get_close_matches(column, [name for name in header if name not in COLUMNS], n=1)
            hint = f'rename "{near[0]}", if it is that' if near else f"the first row has: {', '.join(header)}"
            raise InputError(path, f'the column "{column}" is missing', hint)
    for column in header:
        if not column.strip():
            raise InputError(path, f"column {header.index(column) + 1} has no name", "name it or leave it out")
        if header.count(column) > 1:
            raise InputError(path, f'the column "{column}" is there twice', "rename one of them")
        if column in COLUMNS and column not in ("delivery", *LOG_COLUMNS):
            raise InputError(path, f'the column "{column}" clashes with one of deliveries.csv', "rename it")


def _check_rising(
    path: Path, cells: pd.Series, lines: list[int], column: str, *, strictly: bool, highest: int | None = None
) -> None:
    last = 0
    for cell, line in zip(cells, lines, strict=True):
        if not (cell.isascii() and cell.isdigit()) or int(cell) < 1:
            raise InputError(path, f'line {line}: {column} is "{cell}"', "write a whole number: 1, 2, 3 ...")
        number = int(cell)
        if highest is not None and number > highest:
            raise InputError(path, f"line {line}: clip is {number}", f"session.toml has {highest} clip(s)")
        if strictly and number == last:
            raise InputError(path, f"line {line}: delivery {number} is there twice", "number the rows 1, 2, 3 ...")
        if number < last:
            raise InputError(path, f"line {line}: {column} {number} comes after {last}", "keep them in bowling order")
        last = number

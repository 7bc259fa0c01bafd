"""The cells of a CSV file that people write: UTF-8, commas, any line ends, spreadsheets' empty columns left out."""

import csv
import io
from collections.abc import Iterator, Sequence
from pathlib import Path

from calibration.errors import InputError, nearest


def read_cells(path: Path, named_by: str, comments: bool = False) -> tuple[list[str], list[list[str]], list[int]]:
    """Header, rows of equal length and the line each row ends on; every cell as it stands.

    Parameters
    ----------
    path : Path
    named_by : str
        What to do where there is no such file.
    comments : bool
        Lines that begin with # are left out; inside a line, or a quoted cell, # is a character like any other.

    Raises
    ------
    InputError
        Missing, not text in UTF-8, a quote that does not close, more cells than names.
    """
    text = _text(path, named_by)
    lines = _without_comments(text) if comments else io.StringIO(text, newline="")
    reader = csv.reader(lines, strict=True)
    header: list[str] = []
    rows, ends = [], []
    try:
        for row in reader:
            if not any(cell.strip() for cell in row):
                continue
            if not header:
                header = row
                if len(header) == 1 and (";" in header[0] or "\t" in header[0]):
                    raise InputError(path, "the columns are not separated by commas", "save it as CSV with commas")
                continue
            if any(row[len(header) :]):
                found = f"line {reader.line_num}: {len(row)} cells under {len(header)} column names"
                raise InputError(path, found, "put a text that contains a comma in double quotes")
            rows.append((row + [""] * len(header))[: len(header)])
            ends.append(reader.line_num)
    except csv.Error as e:
        raise InputError(path, f"line {reader.line_num}: {e}", "look for a stray double quote") from None
    while header and not header[-1].strip() and not any(row[len(header) - 1] for row in rows):
        header, rows = header[:-1], [row[:-1] for row in rows]  # empty columns that spreadsheets leave behind
    return header, rows, ends


def read_rows_of_words(
    path: Path, known: Sequence[str], needed: Sequence[str], named_by: str, others: bool = False
) -> list[tuple[int, dict[str, str]]]:
    """The rows of a table with comments: line and cells by column, spaces around both taken off.

    Parameters
    ----------
    path : Path
    known, needed : names
        Columns that mean something, and those that must be there.
    named_by : str
        What to do where there is no such file, or no such column.
    others : bool
        Whether further columns may stand there.
    """
    header, rows, lines = read_cells(path, named_by, comments=True)
    names = [name.strip() for name in header]
    if not names:
        raise InputError(path, "is empty", named_by)
    for name in names:
        if names.count(name) > 1:
            raise InputError(path, f'the column "{name}" is there twice', "rename or delete one of them")
        if name not in known and not others:
            raise InputError(path, f'unknown column "{name}"', nearest(name, tuple(known)))
    for name in needed:
        if name not in names:
            raise InputError(path, f'no column "{name}"', named_by)
    return [(line, dict(zip(names, map(str.strip, row), strict=True))) for line, row in zip(lines, rows, strict=True)]


def _without_comments(text: str) -> Iterator[str]:
    """The lines, those that begin with # outside a quoted cell emptied, so that lines keep their numbers."""
    quotes = 0
    for line in io.StringIO(text, newline=""):
        if line.startswith("#") and quotes % 2 == 0:
            yield "\n"
        else:
            quotes += line.count('"')
            yield line


def _text(path: Path, named_by: str) -> str:
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise InputError(path, "no such file", named_by) from None
    except IsADirectoryError:
        raise InputError(path, "is a folder, not a CSV file", named_by) from None
    except OSError as e:
        raise InputError(path, f"cannot be read ({e.strerror})") from None
    except UnicodeDecodeError:
        raise InputError(path, "is not a text file in UTF-8", "save it as CSV, UTF-8") from None
    if "\0" in text:
        line = text[: text.index("\0")].count("\n") + 1
        raise InputError(path, f"line {line}: a character that is no text (NUL)", "save it as CSV, UTF-8")
    return text

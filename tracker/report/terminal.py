"""The deliveries as a table in the terminal, 80 columns wide, with what is doubtful spelt out below it."""

from typing import Any

import numpy as np
import pandas as pd
from rich import box
from rich.console import Group
from rich.table import Table
from rich.text import Text

from calibration.lane import MPH_MPS
from tracker.report.words import fixed

_COLUMNS: dict[str, tuple[str, float, int]] = {  # heading: (column, divisor, digits)
    "m/s": ("release_speed_mps", 1.0, 2),
    "mph": ("release_speed_mps", MPH_MPS, 1),
    "length\nm": ("bounce_y_m", 1.0, 2),
    "line\nm": ("bounce_x_m", 1.0, 2),
    "swing\nm": ("swing_m", 1.0, 2),
    "turn\n°": ("deviation_deg", 1.0, 1),
    "height\nm": ("stumps_z_m", 1.0, 2),
}
HOW_TO_READ = (
    "line, swing, turn: + is toward a right-hander's off side. length: from the\n"
    "striker's stumps. height: at the stumps. ±: two standard deviations."
)
_MARKS = {"ok": "", "partial": "?", "rejected": "x"}


def delivery_table(table: pd.DataFrame, title: str = "") -> Group:
    """The rows of deliveries.csv (docs/files.md) for the terminal.

    The last row gives the middle one of each column's doubts (two standard deviations). A "?" marks a partial row, an
    "x" one that could not be measured; lines below say why. Names are shown as text whatever they contain.
    """
    shown = Table(box=box.SIMPLE_HEAD, title=plain(title) if title else None, title_justify="left", padding=(0, 0))
    shown.add_column("no.", justify="right", no_wrap=True)
    shown.add_column("", no_wrap=True)
    shown.add_column("bowler", max_width=16, no_wrap=True, overflow="ellipsis")
    shown.add_column("batter", no_wrap=True)
    for heading in _COLUMNS:
        shown.add_column(heading, justify="right", no_wrap=True)
    numbers = {h: _values(table, name) / by for h, (name, by, _) in _COLUMNS.items()}
    for i, (number, status, bowler, hand) in enumerate(_labels(table)):
        cells = [_cell(numbers[h][i], places) for h, (_, _, places) in _COLUMNS.items()]
        style = {"rejected": "dim", "partial": "yellow"}.get(status, "")
        shown.add_row(number, _MARKS.get(status, "?"), plain(bowler), plain(hand), *cells, style=style)
    shown.add_section()
    shown.add_row("", "", "± (middle one)", "", *_doubts(table))
    return Group(shown, Text(HOW_TO_READ), *_reasons(table))


def _labels(table: pd.DataFrame) -> list[tuple[str, str, str, str]]:
    words = [_words(table, name) for name in ("delivery", "status", "bowler", "batter_hand")]
    return list(zip(*words, strict=True))


def _words(table: pd.DataFrame, name: str) -> list[str]:
    column = table[name] if name in table else pd.Series("", table.index)
    return ["" if pd.isna(v) else str(v) for v in column]


def _values(table: pd.DataFrame, name: str) -> Any:
    if name not in table:
        return np.full(len(table), np.nan)
    return pd.to_numeric(table[name], errors="coerce").to_numpy(float)


def _cell(value: float, places: int) -> str:
    return fixed(value, places) if np.isfinite(value) else "–"


def _doubts(table: pd.DataFrame) -> list[str]:
    """Two sd, the median of each column."""
    cells = []
    for name, by, places in _COLUMNS.values():
        sd = _values(table, f"{name}_sd") / by
        sd = sd[np.isfinite(sd)]
        cells.append(_cell(2 * float(np.median(sd)), places + 1) if len(sd) else "–")
    return cells


def _reasons(table: pd.DataFrame) -> list[Text]:
    """One line a reason, with the numbers of the deliveries that it holds for."""
    held: dict[tuple[str, str], list[str]] = {}
    reasons = _words(table, "reason")
    for (number, status, _, _), reason in zip(_labels(table), reasons, strict=True):
        if status != "ok" or reason:
            held.setdefault((status, reason), []).append(number)
    return [plain(f"{_MARKS.get(s, '?') or '-'} {s}, no. {', '.join(n)}: {r}") for (s, r), n in held.items()]


def plain(words: str) -> Text:
    """Text for the terminal with no markup and no control characters in it."""
    return Text("".join(c if c.isprintable() else "�" for c in words))

"""Tables and sentences for the terminal: narrow, no markup, names shown as text whatever they contain."""

from collections.abc import Sequence

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text


def say(console: Console, words: str) -> None:
    """A line with no markup and no control characters in it; broken to fit a terminal, kept whole in a file."""
    console.print(plain(words), highlight=False, soft_wrap=not console.is_terminal)


def table(title: str, headings: Sequence[str], rows: Sequence[Sequence[str]], left: int = 1) -> Table:
    """A narrow table, the first `left` columns words and the rest numbers."""
    shown = Table(box=box.SIMPLE_HEAD, title=plain(title), title_justify="left", padding=(0, 0), show_edge=False)
    for i, heading in enumerate(headings):
        least = max([1, *(min(10, len(row[i])) for row in rows)])
        shown.add_column(heading, justify="left" if i < left else "right", no_wrap=i >= left, min_width=least)
    for row in rows:
        shown.add_row(*(plain(cell) for cell in row))
    return shown


def plain(words: str) -> Text:
    """Text with no markup; control characters are shown as such."""
    return Text("".join(c if c.isprintable() or c == "\n" else "�" for c in words))


def cell(value: float, digits: int) -> str:
    """A number, "" for NaN, no minus zero.

    >>> cell(-0.04, 1), cell(float("nan"), 1)
    ('0.0', '')
    """
    if value != value:
        return ""
    text = f"{value:.{digits}f}"
    return text if float(text) else text.lstrip("-")


def p_words(value: float) -> str:
    """A p-value for a table."""
    return "" if value != value else "<0.001" if value < 0.001 else f"{value:.3f}"

"""`lanepair compare`: whether a bowler's pace, or anything else, differs between left- and right-handers."""

import argparse
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from calibration.errors import InputError
from tracker.analysis.compare import (
    HAND,
    SPEED,
    Choice,
    Comparison,
    bowlers,
    check_column,
    compare,
    counted,
    hand_table,
    long_table,
)
from tracker.analysis.measures import ACCOMPANYING, kind_of, with_derived
from tracker.analysis.tables import Runs, read_runs, write_csv


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument("outs", nargs="*", type=Path, metavar="OUT", help="output folders of `lanepair track`")
    parser.add_argument("--out", type=Path, metavar="DIR", help="where to write comparison.csv and comparison_long.csv")
    parser.add_argument("--by", default=HAND, metavar="COLUMN", help="what to compare by (default: batter_hand)")
    parser.add_argument("--measure", action="append", default=[], metavar="NAME", help="repeat for several")


def run(args: argparse.Namespace) -> int:
    """Compare, print and write."""
    choice = Choice(by=args.by)
    measures = list(dict.fromkeys([SPEED, *(args.measure or ACCOMPANYING)]))
    for name in measures:
        kind_of(name)
    runs = read_runs(args.outs, needed=[SPEED])
    check_column(runs.rows, choice.by)
    rows, left_out = counted(runs.rows, choice)
    _refuse_nothing(runs, rows[SPEED].notna().sum(), left_out)
    found = compare(with_derived(rows), measures, choice, bowlers(runs.rows))
    console = Console()
    for measure in measures:
        _print(console, [row for row in found if row.measure == measure and (measure == SPEED or row.side == "all")])
    for reason, count in sorted(left_out.items()):
        console.print(f"left out, {reason}: {count}", highlight=False, markup=False)
    if args.out:
        write_csv(hand_table(found), args.out / "comparison.csv")
        write_csv(long_table(found), args.out / "comparison_long.csv")
        console.print(f"written to {args.out}", highlight=False, markup=False)
    return 0


def _refuse_nothing(runs: Runs, usable: int, left_out: dict[str, int]) -> None:
    if usable == 0:
        why = ", ".join(f"{count} {reason}" for reason, count in sorted(left_out.items())) or "no release speed"
        raise InputError(
            runs.runs[0].folder / "deliveries.csv",
            f"none of the {len(runs.rows)} deliveries can be compared ({why})",
            "a measured release speed and the log's labels are needed",
        )


def _print(console: Console, rows: Sequence[Comparison]) -> None:
    kind = kind_of(rows[0].measure)
    table = Table(title=f"{kind.label}, {kind.people_unit}", title_justify="left", show_lines=False)
    for heading in ("bowler", "arm", "side"):
        table.add_column(heading)
    for heading in (f"n {rows[0].group_a}", f"n {rows[0].group_b}", "mean", "mean", "difference", "95 % interval"):
        table.add_column(heading, justify="right")
    table.add_column("verdict", min_width=24)
    for row in rows:
        means = [_cell(v / kind.scale, kind.digits) for v in row.means]
        low, high = (_cell(v / kind.scale, kind.digits) for v in (row.found.ci_low, row.found.ci_high))
        cells = [row.bowler, row.arm, row.side, str(row.n[0]), str(row.n[1]), *means]
        cells += [_cell(row.found.value / kind.scale, kind.digits), f"{low} to {high}" if low else "", row.verdict]
        table.add_row(*(Text(cell) for cell in cells))
    console.print(table)


def _cell(value: float, digits: int) -> str:
    return f"{value:.{digits}f}" if value == value else ""

"""`lanepair check`: may this session's numbers be trusted, and what to do where not."""

import argparse
from pathlib import Path

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from calibration.errors import InputError, refuse_no_folder
from calibration.rig import write_rig
from tracker.commands.progress import StageProgress
from tracker.pipeline import Options, gather
from tracker.records import Check
from tracker.session.folder import read_session
from tracker.settings import read_settings
from tracker.trust.check import check_session, healed

NOTHING = 1e-3  # of the limit
STYLES = {"pass": "green", "doubtful": "yellow", "fail": "bold red"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    parser.add_argument("session", type=Path, metavar="SESSION", help="folder with session.toml")
    parser.add_argument("--settings", type=Path, metavar="FILE", help="TOML file with other settings")
    parser.add_argument(
        "--heal",
        type=Path,
        metavar="NEW_RIG",
        help="write a rig file in which each camera is turned as its reference picture says",
    )


def run(args: argparse.Namespace) -> int:
    """Measure, check, show; 1 where a check failed."""
    session, settings = read_session(args.session), read_settings(args.settings)
    if args.heal is not None:
        if args.heal.suffix.lower() != ".toml":
            raise InputError(args.heal, "is not a name for a rig file", "end it in .toml")
        if args.heal.exists():
            raise InputError(args.heal, "is there already", "name a new file: an old rig is never overwritten")
        refuse_no_folder(args.heal)
    with StageProgress() as progress:
        gathered = gather(session, settings, Options(), progress)
        checks = check_session(gathered.evidence)
    console = Console()
    console.print(checks_table(checks))
    for check in checks:
        if check.advice:
            console.print(
                f"{check.verdict}, {check.name}: {check.advice}",
                style=STYLES[check.verdict],
                markup=False,
                soft_wrap=True,
            )
    if args.heal is not None:
        mended = healed(gathered.evidence)
        write_rig(args.heal, mended.rig)
        told = ", ".join(f"{view} camera turned by {move.degrees:.3f} degrees" for view, move in mended.moves.items())
        balls = f", then adjusted by {mended.balls} balls" if mended.balls else ""
        console.print(f"written to {args.heal}: {told}{balls}", markup=False, highlight=False, soft_wrap=True)
    return int(any(check.verdict == "fail" for check in checks))


def _figure(value: float, check: Check) -> str:
    """Three digits and the unit; what is nothing beside the limit is shown as nothing."""
    if value != value:
        return "-"
    shown = 0.0 if abs(value) < NOTHING * check.limit else value
    return f"{shown:.3g} {check.unit}"


def checks_table(checks: tuple[Check, ...]) -> Table:
    """The checks with figure and limit."""
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1))
    for heading, side in (("check", "left"), ("verdict", "left"), ("figure", "right"), ("limit", "right")):
        table.add_column(heading, justify="right" if side == "right" else "left")
    for check in checks:
        figures = [_figure(value, check) for value in (check.value, check.limit)]
        table.add_row(check.name, Text(check.verdict, STYLES[check.verdict]), *figures)
    return table

"""The commands. Each lives in its own module of tracker/commands, which is imported only when it is asked for.

A command's module has `add_arguments(parser)` and `run(args) -> exit code`. Exit codes: 0 done; 1 done, but something
needs a look; 2 the command or an input file is wrong (one line on stderr); 3 a fault inside the tool.
"""

import argparse
import importlib
import io
import sys
import traceback
from collections.abc import Callable, Sequence
from errno import EACCES, EDQUOT, EIO, ENAMETOOLONG, ENOSPC, ENOTDIR, EPERM, EROFS
from importlib.metadata import version
from typing import NoReturn

from calibration.errors import LanepairError

COMMANDS: dict[str, tuple[str, str]] = {  # command: (module in tracker/commands, what it does)
    "calibrate": ("calibrate", "board pictures and lane marks to a rig file whose doubt is known"),
    "exchange": ("exchange", "a rig to and from OpenCV's and Kalibr's forms"),
    "track": ("track", "measure a session: films to deliveries with their uncertainty"),
    "demo": ("demo", "measure the sample session, draw every delivery, say what to do next"),
    "check": ("check", "may the numbers be trusted: films, cameras in place, gravity, floor, clocks"),
    "simulate": ("simulate", "rehearse: films of invented deliveries for any rig, with the truth beside them"),
    "report": ("report", "a page for each bowler of a run: charts, table, doubts, the rig's state"),
    "plan": ("plan", "what a rig could tell apart before it is built; which rig serves a hall best"),
    "new": ("new", "a session folder with commented files to fill in"),
    "export": ("export", "a run's deliveries and tracks as CSV, spreadsheet, Parquet or C3D"),
    "targets": ("targets", "targets and grouping: who hit which box, how tightly, a scoring game"),
    "season": ("season", "a winter's record: trends, a dated change, deliveries bowled against limits"),
    "agree": ("agree", "our speeds against a speed gun or light gates"),
    "repeat": ("repeat", "how well the measurement repeats, from machine balls or drops"),
    "compare": ("compare", "compare pace and more between left- and right-handers, or by any other column"),
}


DISK_REFUSES = (EACCES, EPERM, EROFS, ENOSPC, EDQUOT, EIO, ENAMETOOLONG, ENOTDIR)


class _Parser(argparse.ArgumentParser):
    """A parser whose refusals are one line, as every other refusal."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {' '.join(message.split())}; see {self.prog} --help\n")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; the exit code."""
    argv = sys.argv[1:] if argv is None else list(argv)
    if isinstance(sys.stdout, io.TextIOWrapper):  # a true minus or a name that the output's encoding lacks becomes "?"
        sys.stdout.reconfigure(errors="replace")
    parser = _Parser(prog="lanepair", description="Measures bowled cricket balls from a pair of calibrated cameras.")
    parser.add_argument("--version", action="version", version=f"lanepair {version('lanepair')}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name, (_, summary) in COMMANDS.items():
        commands.add_parser(name, help=summary, description=summary, add_help=False)
    asked = next((word for word in argv if not word.startswith("-")), None)
    if asked in COMMANDS:
        module_name, summary = COMMANDS[asked]
        module = importlib.import_module(f"tracker.commands.{module_name}")
        own = _Parser(prog=f"lanepair {asked}", description=summary)
        module.add_arguments(own)
        arguments = own.parse_args(argv[argv.index(asked) + 1 :])
        return _run(module.run, arguments)
    parser.parse_args(argv)
    return 2


def _run(run: Callable[[argparse.Namespace], int | None], arguments: argparse.Namespace) -> int:
    try:
        return int(run(arguments) or 0)
    except LanepairError as refusal:
        print(f"lanepair: {' '.join(str(refusal).split())}", file=sys.stderr)
        return 2
    except OSError as fault:
        return _of_the_disk(fault)
    except KeyboardInterrupt:
        print("lanepair: stopped; earlier results are as they were", file=sys.stderr)
        return 130
    except Exception:
        return _own_fault()


def _of_the_disk(fault: OSError) -> int:
    """What a disk refuses, and no stage asked before: rights, room, names; anything else is a fault of ours."""
    if isinstance(fault, BrokenPipeError):
        return 0
    if fault.errno not in DISK_REFUSES:
        return _own_fault()
    print(f"lanepair: {fault.filename or 'the disk'}: cannot be read or written ({fault.strerror})", file=sys.stderr)
    return 2


def _own_fault() -> int:
    traceback.print_exc()
    print("lanepair: a fault inside the tool, not in your files; please report the lines above", file=sys.stderr)
    return 3

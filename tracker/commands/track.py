"""`lanepair track`: a session's films to measured deliveries."""

import argparse
import gc
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from rich.console import Console

from tracker.commands.printing import say
from tracker.commands.progress import StageProgress
from tracker.outcome import common_sd
from tracker.pipeline import Options, measure_session
from tracker.records import Run
from tracker.report.terminal import delivery_table
from tracker.session.folder import Session, read_session
from tracker.session.runs import check_out, whole_folder, write_run
from tracker.session.tables import read_deliveries
from tracker.settings import Settings, read_settings


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    parser.add_argument("session", type=Path, metavar="SESSION", help="folder with session.toml")
    parser.add_argument("--out", type=Path, required=True, metavar="OUT", help="folder for the results")
    parser.add_argument("--settings", type=Path, metavar="FILE", help="TOML file with other settings")
    parser.add_argument(
        "--estimate-offset",
        action="store_true",
        help="ask the balls how the cameras' clocks lie, whatever the rig says",
    )
    parser.add_argument(
        "--refine-rig",
        action="store_true",
        help="let the session's balls adjust the rig within its covariance, all together; the rig file stays as it is",
    )
    parser.add_argument(
        "--decode-all", action="store_true", help="read long films whole, also where nobody is near the bowling crease"
    )
    parser.add_argument("--quiet", action="store_true", help="no table, no progress")


def run(args: argparse.Namespace) -> int:
    """Measure, write, show; the exit code."""
    session, settings = read_session(args.session), read_settings(args.settings)
    check_out(args.out, session.folder)
    gc.freeze()  # what was imported stays: the collector need not look at it again and again
    options = Options(args.estimate_offset, args.refine_rig, args.decode_all)
    result, disagreements = track_into(session, args.out, settings, options, args.quiet)
    return exit_code(result, disagreements)


def track_into(
    session: Session,
    out: Path,
    settings: Settings,
    options: Options,
    quiet: bool = False,
    also: Callable[[Path, Run], None] | None = None,
) -> tuple[Run, tuple[str, ...]]:
    """Measure a session and write its folder, with what `also` puts there; the run and where the log disagrees."""
    if quiet:
        result = measure_session(session, settings, options, lambda stage, done, total: None)
    else:
        with StageProgress() as progress:
            result = measure_session(session, settings, options, progress)
    used = session if result.rig is None else replace(session, rig=result.rig)
    facts = {"common_sd": common_sd(result.deliveries, used.rig), **result.facts}
    with whole_folder(out) as folder:
        disagreements = write_run(folder, used, result, facts)
        if also is not None:
            also(folder, result)
    if not quiet:
        console = Console()
        console.print(delivery_table(read_deliveries(out), session.name))
        for line in (*result.warnings, *disagreements):
            say(console, f"note: {line}")
        for check in result.checks:
            if check.verdict == "fail":
                say(console, f"check failed: {check.advice}")
        say(console, f"written to {out}")
    return result, disagreements


def exit_code(result: Run, disagreements: tuple[str, ...]) -> int:
    """1 where something needs a look, else 0."""
    odd = bool(disagreements) or any(d.status == "rejected" for d in result.deliveries)
    odd = odd or any(film.damaged for clip in result.clips for film in clip.films)
    return int(odd or any(check.verdict == "fail" for check in result.checks))

"""`lanepair compare`: whether a bowler's pace, or anything else, differs between left- and right-handers."""

import argparse
from math import inf
from pathlib import Path

import numpy as np
from rich.console import Console

from calibration.errors import InputError, LanepairError
from calibration.lane import MPH_MPS
from tracker.analysis.adjust import Adjusted, adjusted_table
from tracker.analysis.compare import HAND, POOLED, SPEED, Choice, hand_table, long_table
from tracker.analysis.design import BALL_TO_BALL_SD_MPS, BLOCK_BALLS, ball_to_ball_sd, plan
from tracker.analysis.measures import ACCOMPANYING, kind_of
from tracker.analysis.statistics import NO_DIFFERENCE, POWER
from tracker.analysis.study import Study, study
from tracker.analysis.tables import read_runs, write_csv
from tracker.analysis.workload import CAUTION, EXAMPLE, read_limits
from tracker.commands.compare_text import show_design, show_study
from tracker.commands.printing import say
from tracker.report.charts_numbers import differences, write_pages
from tracker.report.spell import Gap
from tracker.report.words import shortened


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    add = parser.add_argument
    add("outs", nargs="*", type=Path, metavar="OUT", help="output folders of `lanepair track`")
    add("--out", type=Path, metavar="DIR", help="where to write comparison.csv and its companions")
    add(
        "--by",
        default=HAND,
        metavar="COLUMN",
        help="batter_hand (default), side, arm, style or any column of the log",
    )
    add(
        "--measure",
        action="append",
        default=[],
        metavar="NAME",
        help="what to compare; repeat for several (speed and what goes with it)",
    )
    add("--where", action="append", default=[], metavar="COLUMN=WORD", help="only deliveries with this word")
    add("--variations", default="stock", metavar="LIST", help="variations that count, by commas, or all (stock)")
    add("--margin-mph", metavar="MPH", type=float, default=1.0, help="a smaller difference does not matter (1)")
    add("--detect-mph", metavar="MPH", type=float, default=2.0, help="the difference that ought to be shown (2)")
    add("--shuffles", metavar="N", type=int, default=9999, help="of the permutation test (9999)")
    add("--seed", metavar="N", type=int, default=1, help="of the permutation test (1)")
    design = parser.add_argument_group("planning")
    design.add_argument("--design", action="store_true", help="how many balls to bowl, and in which order")
    design.add_argument("--sd-mps", metavar="M/S", type=float, help="ball-to-ball sd; from OUT if given, else 1.25")
    design.add_argument("--power", metavar="P", type=float, default=POWER, help="chance to show the difference (0.8)")
    design.add_argument(
        "--block", metavar="N", type=int, default=BLOCK_BALLS, help="balls to one hand before a change (3)"
    )
    design.add_argument("--bowlers", nargs="+", default=[""], metavar="NAME", help="who bowls")
    design.add_argument("--limits", type=Path, default=EXAMPLE, metavar="FILE", help="workload limits to heed")


def run(args: argparse.Namespace) -> int:
    """Compare, print and write; or plan."""
    if not (0 < args.margin_mph < inf and 0 < args.detect_mph < inf and args.shuffles >= 99 and args.seed >= 0):
        raise LanepairError("--margin-mph and --detect-mph must be above 0, --shuffles at least 99, --seed at least 0")
    if args.out is not None and args.out.exists() and not args.out.is_dir():
        raise InputError(args.out, "is not a folder", "name a folder with --out")
    return _plan(args) if args.design else _compare(args)


def _compare(args: argparse.Namespace) -> int:
    choice = Choice(
        by=args.by,
        margin_mps=args.margin_mph * MPH_MPS,
        target_mps=args.detect_mph * MPH_MPS,
        variations=() if args.variations == "all" else tuple(v.strip() for v in args.variations.split(",")),
    )
    measures = list(dict.fromkeys(args.measure or [SPEED, *ACCOMPANYING]))
    for name in measures:
        kind_of(name)
    runs = read_runs(args.outs, needed=[SPEED])
    answer = study(runs, measures, choice, np.random.default_rng(args.seed), args.shuffles, _where(args.where))
    if args.out:
        _write(answer, args.out, choice)
    console = Console()
    show_study(console, answer)
    failed = [run for run in runs.runs if run.failed]
    if args.out:
        say(console, f"written to {args.out}")
    return 1 if failed else 0


def _where(pairs: list[str]) -> dict[str, str]:
    where = {}
    for pair in pairs:
        column, equals, word = pair.partition("=")
        if not (equals and column):
            raise LanepairError(f'--where "{pair}": COLUMN=WORD is needed, such as style=pace')
        where[column.strip()] = word.strip()
    return where


def _write(answer: Study, folder: Path, choice: Choice) -> None:
    write_csv(hand_table(answer.hands), folder / "comparison.csv")
    write_csv(long_table(answer.comparisons), folder / "comparison_long.csv")
    write_csv(adjusted_table(answer.adjusted), folder / "comparison_adjusted.csv")
    drawn = [row for row in answer.adjusted if row.measure == SPEED and np.isfinite(row.raw.se)]
    if drawn:
        a, b = drawn[0].group_a, drawn[0].group_b
        rows = [(_label(row), _gaps(row)) for row in drawn if (row.group_a, row.group_b) == (a, b)]
        axis = f"{b}- minus {a}-handers, m/s" if choice.by == HAND else f"{b} minus {a} ({choice.by}), m/s"
        write_pages(differences(rows, choice.margin_mps, axis), folder, "comparison")


def _label(row: Adjusted) -> str:
    average = f"average, {row.arm} arm" if row.arm else "bowlers' means"
    name = average if row.bowler == POOLED else row.bowler or "(no bowler named)"
    return f"{shortened(name, 28)} ({row.n_a}, {row.n_b})"


def _gaps(row: Adjusted) -> list[Gap]:
    found = (("raw", row.raw), ("adjusted", row.adjusted if row.terms else NO_DIFFERENCE))
    return [Gap(label, d.value, d.ci_low, d.ci_high) for label, d in found if np.isfinite(d.se)]


def _plan(args: argparse.Namespace) -> int:
    if len(set(args.bowlers)) < len(args.bowlers):
        raise LanepairError(f"--bowlers names somebody twice: {', '.join(args.bowlers)}")
    sd_mps = args.sd_mps
    if sd_mps is None:
        sd_mps = ball_to_ball_sd(read_runs(args.outs, needed=[SPEED])) if args.outs else BALL_TO_BALL_SD_MPS
    limits = read_limits(args.limits)
    design = plan(args.detect_mph * MPH_MPS, sd_mps, limits, args.bowlers, args.power, args.block)
    if args.out:
        write_csv(design.order, args.out / "order.csv")
    console = Console()
    show_design(console, design, CAUTION)
    if args.out:
        say(console, f"written to {args.out / 'order.csv'}")
    return 0

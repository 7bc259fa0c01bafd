"""`lanepair report`: a page for each bowler of a run, to look at, print or send."""

import argparse
from pathlib import Path

import numpy as np
from rich.console import Console

from calibration.errors import InputError
from tracker.analysis.zones import READY
from tracker.report.assemble import read_spells
from tracker.report.charts import draw_charts
from tracker.report.facts import read_facts
from tracker.report.page import report_page
from tracker.report.words import file_names

SEED = 20261112  # of the permutation test: the same balls give the same page


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument("out", type=Path, metavar="OUT", help="output folder of `lanepair track`")
    parser.add_argument("--bowler", metavar="NAME", help="only this bowler (default: a page for each)")
    parser.add_argument(
        "--out",
        dest="page",
        type=Path,
        metavar="FILE",
        help="the page to write (default: OUT_report.html beside OUT); of several bowlers each adds its name",
    )
    parser.add_argument(
        "--targets",
        default="",
        metavar="FILE",
        help="targets file, or a ready one by name (default: by the log's style): " + ", ".join(READY),
    )
    parser.add_argument("--charts", type=Path, metavar="DIR", help="also write every chart there as PNG and SVG")


def run(args: argparse.Namespace) -> int:
    """Read, draw and write; 1 where a check of the rig failed."""
    place = args.out.resolve()
    page = args.page or place.with_name(f"{place.name}_report.html")
    if page.suffix.lower() not in (".html", ".htm"):
        raise InputError(page, "is not a name for a page", "end it in .html")
    if args.charts is not None and args.charts.exists() and not args.charts.is_dir():
        raise InputError(args.charts, "is not a folder", "name a folder with --charts")
    spells = read_spells(args.out, args.bowler, args.targets, np.random.default_rng(SEED))
    facts = read_facts(args.out)
    console = Console()
    names = file_names([spell.bowler for spell, _ in spells])
    for name, (spell, sections) in zip(names, spells, strict=True):
        several = len(spells) > 1
        file = page.with_name(f"{page.stem}_{name}{page.suffix}") if several else page
        charts = draw_charts(spell, args.charts, f"{name}_" if several else "")
        _write(file, report_page(spell, facts, charts, sections))
        console.print(f"{spell.bowler or 'bowler not named'}: {file}", markup=False, highlight=False, soft_wrap=True)
    if args.charts:
        console.print(f"charts: {args.charts}", markup=False, highlight=False, soft_wrap=True)
    return 1 if facts.worst == "fail" else 0


def _write(file: Path, text: str) -> None:
    """Write a file whole or not at all."""
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        aside = file.with_name(f".{file.name}.part")
        aside.write_text(text, encoding="utf-8")
        aside.replace(file)
    except OSError as fault:
        raise InputError(file, f"cannot be written ({fault.strerror})", "name another place with --out") from None

"""`lanepair export`: a run's deliveries and tracks for other programs."""

import argparse
from pathlib import Path

from tracker.session.export import EXPORTERS, export_run


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument("run_folder", type=Path, metavar="OUT", help="a run's folder, as `lanepair track` wrote it")
    parser.add_argument("--to", required=True, choices=sorted(EXPORTERS), help="for which kind of program")
    parser.add_argument("--out", type=Path, metavar="DIR", help="where to write (OUT/export)")


def run(args: argparse.Namespace) -> int:
    """Export and say what was written."""
    for file in export_run(args.run_folder, args.to, args.out or args.run_folder / "export"):
        print(file)
    return 0

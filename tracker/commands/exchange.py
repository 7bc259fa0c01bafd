"""`lanepair exchange`: a rig to and from the forms of other programs (OpenCV's FileStorage, Kalibr's YAML)."""

import argparse
from pathlib import Path

from rich.console import Console

from calibration.errors import InputError, refuse_no_folder
from calibration.exchange import read_exchange, write_kalibr, write_opencv
from calibration.rig import write_rig


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument("source", type=Path, metavar="FROM", help="rig.toml, OpenCV YAML or XML, Kalibr YAML")
    parser.add_argument("target", type=Path, metavar="TO", help="the file to write; a rig file ends in .toml")
    parser.add_argument(
        "--form", choices=("opencv", "kalibr"), default="opencv", help="of a file that does not end in .toml"
    )


def run(args: argparse.Namespace) -> int:
    """Read, write."""
    if args.target.exists():
        raise InputError(args.target, "is there already", "name a new file")
    refuse_no_folder(args.target)
    told = read_exchange(args.source)
    if told.rig is None:
        raise InputError(
            args.source,
            "tells lenses but not where the cameras stand in the lane",
            "keep the lenses when calibrating: lanepair calibrate FOLDER --lenses FILE",
        )
    if args.target.suffix.lower() == ".toml":
        write_rig(args.target, told.rig)
    elif args.form == "kalibr":
        write_kalibr(args.target, told.rig)
    else:
        write_opencv(args.target, told.rig)
    doubt = "" if args.target.suffix.lower() == ".toml" or told.rig.exact else "; this form has no room for the doubt"
    Console().print(f"{args.target} written{doubt}", markup=False, highlight=False, soft_wrap=True)
    return 0

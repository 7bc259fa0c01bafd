"""`lanepair calibrate`: a folder of board pictures and lane marks to a rig file whose doubt is known."""

import argparse
import datetime as dt
from dataclasses import replace
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.progress import Progress

from calibration.errors import InputError
from calibration.exchange import read_exchange, write_kalibr, write_opencv
from calibration.folder import Clock, Filmed, Folder, film_board, read_folder
from calibration.gather import Sharpen, make_job
from calibration.lane import PITCH_LENGTH_M
from calibration.refine import Scene
from calibration.rig import Rig, write_rig
from calibration.solve import solve

SEED = 20261112  # of the search among marks: the same folder gives the same rig


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="calibration folder (holds calibration.toml)")
    parser.add_argument("--out", type=Path, required=True, metavar="RIG.TOML", help="the rig file to write")
    parser.add_argument(
        "--keep-lenses",
        action="store_true",
        help="keep the lenses of [lenses], else of the rig already at --out; only the cameras' places are solved",
    )
    parser.add_argument(
        "--lenses", type=Path, metavar="FILE", help="keep the lenses of this rig, OpenCV or Kalibr file"
    )
    parser.add_argument(
        "--pitch-length", type=float, metavar="M", help=f"bowling crease to bowling crease (usual: {PITCH_LENGTH_M} m)"
    )
    parser.add_argument("--junior-stumps", action="store_true", help="the wickets are of the junior size")
    parser.add_argument("--opencv", type=Path, metavar="FILE", help="also write OpenCV's form (.yml, .yaml, .xml)")
    parser.add_argument("--kalibr", type=Path, metavar="FILE", help="also write Kalibr's form (.yaml)")


def run(args: argparse.Namespace) -> int:
    """Calibrate, write the rig and its page; 1 where something needs a look."""
    console = Console()
    _check_arguments(args)
    kept_path = _kept_path(args)
    length = args.pitch_length or PITCH_LENGTH_M
    folder = read_folder(args.folder, length, args.junior_stumps)
    kept_path = kept_path or folder.lenses
    filmed = _film(folder, console)
    kept = read_exchange(kept_path, filmed.sizes_px if filmed else (None, None)) if kept_path else None
    job = make_job(folder, filmed, kept, kept_path, length)
    sharpen = Sharpen(folder, Scene(length, args.junior_stumps))
    solution = solve(
        job,
        np.random.default_rng(SEED),
        lambda what: console.print(what, markup=False),
        sharpen if folder.rough.any() else None,
    )
    rig = _with_clocks(solution.rig, folder.clocks)
    write_rig(args.out, rig)
    if args.opencv:
        write_opencv(args.opencv, rig)
    if args.kalibr:
        write_kalibr(args.kalibr, rig)
    return 0


def _check_arguments(args: argparse.Namespace) -> None:
    if args.pitch_length is not None and not 5 < args.pitch_length < 30:
        raise InputError(
            "--pitch-length", f"{args.pitch_length:g} is no pitch", "it is in metres, 20.1168 for 22 yards"
        )
    if not args.out.resolve().parent.is_dir():
        raise InputError(args.out, "its folder is not there", "make the folder first")
    if args.keep_lenses and args.lenses:
        raise InputError("--keep-lenses", "given with --lenses", "one of them is enough")


def _kept_path(args: argparse.Namespace) -> Path | None:
    """The lens file the command line asks for; None: what the folder says."""
    if args.lenses:
        return Path(args.lenses)
    return None


def _film(folder: Folder, console: Console) -> Filmed | None:
    if folder.board is None or not any(folder.pictures):
        return None
    with Progress(console=console, transient=True) as progress:
        task = progress.add_task("finding the board", total=sum(map(len, folder.pictures)))
        return film_board(folder, lambda name: progress.update(task, advance=1, description=f"board: {name}"))


def _with_clocks(rig: Rig, clocks: tuple[Clock, Clock]) -> Rig:
    cameras = [
        replace(c, time_offset_s=k.time_offset_s, row_time_s=k.row_time_s, exposure_s=k.exposure_s)
        for c, k in zip(rig.cameras, clocks, strict=True)
    ]
    return replace(rig, left=cameras[0], right=cameras[1], calibrated=dt.datetime.now(dt.UTC).replace(microsecond=0))

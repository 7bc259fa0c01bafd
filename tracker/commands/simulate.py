"""`lanepair simulate`: a rehearsal on disk, with the truth beside it, for any rig. Nothing there is overwritten."""

import argparse
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from calibration.camera import Lens
from calibration.errors import InputError, LanepairError
from calibration.rig import Rig, read_rig, write_rig
from tracker.commands.progress import StageProgress
from tracker.simulation.boards import Print
from tracker.simulation.calibrating import Survey, rehearse_calibration
from tracker.simulation.rehearsal import Order, filmed_with, rehearse
from tracker.simulation.rigs import MILD_LENS, PLACINGS, STRONG_LENS, pair
from tracker.simulation.scenes import SCENES, Script, script

PRESETS = ("ultrafast", "superfast", "veryfast", "fast", "medium", "slow", "slower")
LENSES = {"none": (0.0,) * 5, "mild": MILD_LENS, "strong": STRONG_LENS}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument("out", type=Path, nargs="?", metavar="OUT", help="the session folder to make")
    parser.add_argument(
        "--scene", action="append", default=[], metavar="NAME", help="repeat or join by commas; see --list"
    )
    parser.add_argument("--list", action="store_true", help="print the scenes and the rigs")
    parser.add_argument(
        "--rig", default="end_on", metavar="NAME|FILE", help="a ready rig or a rig.toml (default end_on)"
    )
    parser.add_argument("--rows", type=int, default=720, choices=(720, 1080), help="of the picture, for a ready rig")
    parser.add_argument("--field", type=float, metavar="DEG", help="horizontal field of view, for a ready rig")
    parser.add_argument("--lens", choices=LENSES, default="mild", help="distortion, for a ready rig")
    parser.add_argument("--pitch-length", type=float, metavar="M", help="between the bowling creases, for a ready rig")
    parser.add_argument("--fps", type=float, default=120.0, help="frames a second (default 120)")
    parser.add_argument("--deliveries", type=int, default=6, metavar="N")
    parser.add_argument("--seed", type=int, default=1, help="the same seed makes the same session")
    parser.add_argument("--exposure", type=float, metavar="S", help="instead of the scene's")
    parser.add_argument(
        "--bit-rate", type=float, metavar="MBPS", help="at 1080p and 120 frames a second; scaled to others"
    )
    parser.add_argument("--hall-seed", type=int, metavar="S", help="another hall of the same kind")
    parser.add_argument("--lead", type=float, metavar="S", help="before the first delivery, instead of the scene's")
    parser.add_argument("--spacing", type=float, metavar="S", help="between deliveries, instead of the scene's")
    parser.add_argument(
        "--preset", default="superfast", choices=PRESETS, help="of the H.264 encoder; slower is smaller"
    )
    parser.add_argument("--calibration", choices=("chessboard", "charuco"), help="also lay OUT/calibration")
    parser.add_argument("--rough-marks", action="store_true", help="with --calibration: clicks that want refining")
    parser.add_argument("--name", default="Rehearsal (invented)", help="of the session")


def run(args: argparse.Namespace) -> int:
    """Film it."""
    if args.list:
        return _list()
    if args.out is None:
        raise LanepairError("no folder is named; write lanepair simulate OUT, or lanepair simulate --list")
    _check(args)
    play = _script(args)
    started = time.perf_counter()
    rig = filmed_with(_rig(args), play)
    if max(c.exposure_s for c in rig.cameras) * args.fps >= 1:
        raise LanepairError(f"an exposure of {rig.left.exposure_s:g} s does not fit {args.fps:g} frames a second")
    with StageProgress() as progress:
        order = Order(args.fps, args.deliveries, args.seed, args.name, preset=args.preset)
        if args.calibration:
            _calibration(args, rig, play, progress)
        if args.calibration and not args.deliveries:
            print(f"next: lanepair calibrate {args.out}/calibration --out {args.out}/rig.toml")
            return 0
        staged = rehearse(args.out, rig, play, order, progress)
    took = time.perf_counter() - started
    print(
        f"{args.out}: {len(staged.flown)} deliveries in {staged.lasting_s:.1f} s of paired film, made in {took:.0f} s"
    )
    print(f"next: lanepair track {args.out} --out {args.out}-measured")
    return 0


def _calibration(args: argparse.Namespace, rig: Rig, play: Script, progress: StageProgress) -> None:
    chess = args.calibration == "chessboard"
    board = Print() if chess else Print("charuco", 9, 7)
    survey = Survey(board, rough=args.rough_marks)
    rng = np.random.default_rng([args.seed, 1])
    rehearse_calibration(args.out / "calibration", rig, play.hall, play.look, survey, rng, progress)
    (args.out / "truth").mkdir(exist_ok=True)
    write_rig(args.out / "truth" / "rig.toml", rig)


def _list() -> int:
    width = max(map(len, SCENES))
    print("scenes (they combine: --scene dim,netting):")
    for name, (what, _) in SCENES.items():
        print(f"  {name:<{width}}  {what}")
    print("rigs:", ", ".join(PLACINGS))
    return 0


def _check(args: argparse.Namespace) -> None:
    if args.out.exists() and (not args.out.is_dir() or any(args.out.iterdir())):
        raise InputError(args.out, "is there already and is kept", "name another folder")
    for flag, value, low, high in (
        ("--fps", args.fps, 1, 2000),
        ("--deliveries", args.deliveries, 0, 100_000),
        ("--field", args.field, 5, 150),
        ("--exposure", args.exposure, 0, 0.1),
        ("--bit-rate", args.bit_rate, 0.1, 500),
        ("--spacing", args.spacing, 3, 3600),
        ("--lead", args.lead, 0.5, 7200),
        ("--pitch-length", args.pitch_length, 10, 25),
    ):
        if value is not None and not (np.isfinite(value) and low <= value <= high):
            raise LanepairError(f"{flag} is {value:g}; it lies between {low} and {high}")


def _script(args: argparse.Namespace) -> Script:
    play = script([name.strip() for joined in args.scene for name in joined.split(",") if name.strip()])
    if args.exposure is not None:
        play = replace(play, exposure_s=args.exposure)
    if args.bit_rate is not None:
        play = replace(play, bit_rate_mbps=args.bit_rate)
    if args.spacing is not None:
        play = replace(play, spacing_s=args.spacing)
    if args.lead is not None:
        play = replace(play, lead_s=args.lead)
    hall = replace(play.hall, seed=play.hall.seed if args.hall_seed is None else args.hall_seed)
    return replace(play, hall=hall)


def _rig(args: argparse.Namespace) -> Rig:
    if args.rig in PLACINGS or not Path(args.rig).suffix:
        more = {} if args.pitch_length is None else {"pitch_length_m": args.pitch_length}
        return pair(args.rig, rows=args.rows, distortion=LENSES[args.lens], field_deg=args.field, **more)
    rig = read_rig(Path(args.rig))
    for camera in rig.cameras:
        _even(Path(args.rig), camera.lens)
    return replace(rig, names=(), cov=np.zeros((0, 0)))


def _even(path: Path, lens: Lens) -> None:
    if lens.image_size_px[0] % 2 or lens.image_size_px[1] % 2:
        raise InputError(
            path, f"a picture of {lens.image_size_px} cannot be filmed", "even numbers of pixels are needed"
        )

"""`lanepair calibrate`: a folder of board pictures and lane marks to a rig file whose doubt is known."""

import argparse
import datetime as dt
import itertools
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from rich import box
from rich.console import Console
from rich.table import Table

from calibration.advice import advise
from calibration.errors import InputError, refuse_no_folder
from calibration.exchange import read_exchange, write_kalibr, write_opencv
from calibration.folder import Clock, Filmed, Folder, film_board, read_folder, read_gray
from calibration.gather import Sharpen, make_job
from calibration.lane import PITCH_LENGTH_M
from calibration.refine import Scene
from calibration.rig import VIEWS, Rig, write_rig
from calibration.solve import solve
from calibration.verdict import judge
from tracker.commands.progress import StageProgress
from tracker.report.rig_facts import RigReport, rig_facts
from tracker.report.rig_page import rig_page

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
        "--pitch-length",
        type=float,
        metavar="M",
        help=f"bowling crease to bowling crease (usual: {PITCH_LENGTH_M:.4f} m)",
    )
    parser.add_argument("--junior-stumps", action="store_true", help="the wickets are of the junior size")
    parser.add_argument("--opencv", type=Path, metavar="FILE", help="also write OpenCV's form (.yml, .yaml, .xml)")
    parser.add_argument("--kalibr", type=Path, metavar="FILE", help="also write Kalibr's form (.yaml)")


def run(args: argparse.Namespace) -> int:
    """Calibrate, write the rig, its page and its numbers; 1 where a check failed."""
    _check_arguments(args)
    told = args.pitch_length or PITCH_LENGTH_M, args.junior_stumps
    folder = read_folder(args.folder, *told)
    kept_path = _kept_path(args, folder)
    old_length, old_junior = _old_lane(kept_path)
    length, junior = args.pitch_length or old_length, args.junior_stumps or old_junior
    if (length, junior) != told:  # marks by name lie where that lane has them
        folder = read_folder(args.folder, length, junior)
    with StageProgress() as progress:
        filmed = _film(folder, progress)
        kept = read_exchange(kept_path, filmed.sizes_px if filmed else (None, None)) if kept_path else None
        job = make_job(folder, filmed, kept, kept_path, length)
        sharpen, rng = Sharpen(folder, Scene(length, junior)), np.random.default_rng(SEED)
        solution = solve(job, rng, lambda what: progress(what, 0, 1), sharpen if folder.rough.any() else None)
        progress("judging it: leaving out a tenth at a time", 0, 1)
        verdict = judge(solution, sharpen.fates, rng, len(filmed.without) if filmed else 0)
        advice = advise(solution, np.array([p.point_m for p in verdict.places]), junior_stumps=junior)
        made = dt.datetime.now(dt.UTC).replace(microsecond=0)
        name = args.folder.resolve().name
        own = {"junior_stumps": True} if junior else {}
        solution = replace(solution, rig=replace(solution.rig, notes=own))
        report = RigReport(name, made, folder, filmed, solution, verdict, advice, sharpen.fates)
        page = rig_page(report)
    rig = _finished(solution.rig, folder.clocks, made)
    files = _files(args.out)
    rig = replace(rig, notes={**rig.notes, **_notes(report, files)})
    for view, file in zip(VIEWS, folder.lane, strict=True):
        if file is not None:
            _write(files.lane[view], _png(file))
    _write(files.page, page.encode())
    _write(files.numbers, json.dumps(rig_facts(report), indent=1, allow_nan=False).encode())
    if args.opencv:
        write_opencv(args.opencv, rig)
    if args.kalibr:
        write_kalibr(args.kalibr, rig)
    write_rig(args.out, rig)
    _tell(report, args.out, files.page)
    return 1 if verdict.worst == "fail" else 0


def _check_arguments(args: argparse.Namespace) -> None:
    if args.pitch_length is not None and not 5 < args.pitch_length < 30:
        raise InputError(
            "--pitch-length", f"{args.pitch_length:g} is no pitch", "it is in metres, 20.1168 for 22 yards"
        )
    if args.out.suffix.lower() != ".toml":
        raise InputError(args.out, "is not a name for a rig file", "end it in .toml")
    for file in filter(None, (args.out, args.opencv, args.kalibr)):
        refuse_no_folder(file)
    if args.keep_lenses and args.lenses:
        raise InputError("--keep-lenses", "given with --lenses", "one of them is enough")


def _kept_path(args: argparse.Namespace, folder: Folder) -> Path | None:
    """The file whose lenses are kept: the command line's, the folder's, or (when asked) the rig already there."""
    if args.lenses:
        return Path(args.lenses)
    if folder.lenses is not None or not args.keep_lenses:
        return folder.lenses
    if args.out.exists():
        return Path(args.out)
    raise InputError(
        "--keep-lenses",
        f"neither [lenses] in {folder.path / 'calibration.toml'} nor a rig at {args.out}",
        "name a file with --lenses",
    )


def _old_lane(kept_path: Path | None) -> tuple[float, bool]:
    """Pitch length and whether the wickets are junior ones, of the rig whose lenses are kept, else the usual ones."""
    if kept_path is None or kept_path.suffix.lower() != ".toml" or not kept_path.is_file():
        return PITCH_LENGTH_M, False
    told = read_exchange(kept_path).rig
    return (PITCH_LENGTH_M, False) if told is None else (told.pitch_length_m, told.junior_stumps)


def _film(folder: Folder, progress: StageProgress) -> Filmed | None:
    total = sum(map(len, folder.pictures))
    if folder.board is None or not total:
        return None
    done = itertools.count(1)
    return film_board(folder, lambda _: progress("finding the board", next(done), total))


def _finished(rig: Rig, clocks: tuple[Clock, Clock], made: dt.datetime) -> Rig:
    """The rig with what pictures cannot tell."""
    left, right = (
        replace(c, time_offset_s=k.time_offset_s, row_time_s=k.row_time_s, exposure_s=k.exposure_s)
        for c, k in zip(rig.cameras, clocks, strict=True)
    )
    return replace(rig, left=left, right=right, calibrated=made)


@dataclass(frozen=True)
class _Files:
    """What is written beside the rig file."""

    page: Path
    numbers: Path
    lane: Mapping[str, Path]


def _files(out: Path) -> _Files:
    lane = {view: out.with_name(f"{out.stem}_lane_{view}.png") for view in VIEWS}
    return _Files(out.with_name(f"{out.stem}_calibration.html"), out.with_name(f"{out.stem}_calibration.json"), lane)


def _notes(report: RigReport, files: _Files) -> dict[str, Any]:
    """What rig.toml keeps of the calibration; paths relative to it."""
    used = report.solution.adjusted.observed.marks
    marks = []
    for m in np.unique(used.mark):
        seen = {f"{VIEWS[used.view[r]]}_px": used.px[r].round(3).tolist() for r in np.flatnonzero(used.mark == m)}
        place = dict(zip(("x_m", "y_m", "z_m"), used.point_m[m].tolist(), strict=True))
        sd = dict(zip(("sd_x_m", "sd_y_m", "sd_z_m"), used.sd_m[m].tolist(), strict=True))
        marks.append({"mark": used.names[m], **place, **sd, **seen})
    there = {v: files.lane[v].name for v, f in zip(VIEWS, report.folder.lane, strict=True) if f is not None}
    verdict: dict[str, Any] = {"worst": report.verdict.worst, "page": files.page.name}
    for p in report.verdict.places:
        if np.isfinite(p.sd_m).all():
            verdict[f"{p.name}_sd_m"] = p.sd_m.round(5).tolist()
        if np.isfinite(p.validated_m).all():
            verdict[f"{p.name}_validated_m"] = p.validated_m.round(5).tolist()
    return {"folder": report.name, "marks": marks, "lane_pictures": there, "verdict": verdict}


def _png(file: Path) -> bytes:
    """The lane picture as it is, made PNG if it is not."""
    if file.suffix.lower() == ".png":
        return file.read_bytes()
    return cv2.imencode(".png", read_gray(file))[1].tobytes()


def _write(file: Path, content: bytes) -> None:
    aside = file.with_name(file.name + ".part")
    aside.write_bytes(content)
    aside.replace(file)


def _tell(report: RigReport, out: Path, page: Path) -> None:
    """The verdict on the terminal."""
    console, verdict = Console(), report.verdict
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1))
    table.add_column("one sd, mm")
    for heading in ("across", "along", "above", "validated: across", "along", "above"):
        table.add_column(heading, justify="right")
    for p in verdict.places:
        numbers = [f"{1e3 * v:.1f}" if np.isfinite(v) else "-" for v in (*p.sd_m, *p.validated_m)]
        table.add_row(p.name, *numbers)
    console.print(table)
    notes = [f"{c.verdict}: {c.name}: {c.advice}" for c in verdict.checks if c.verdict != "pass"]
    notes += [f"left out: {name}: {why}" for name, why in report.solution.left_out.items()]
    notes += [report.filmed.note] if report.filmed and report.filmed.note else []
    notes += [f"next: {a.sentence()}" for a in report.advice]
    for line in (*notes, f"{verdict.worst}: {out} written; the page is {page}"):
        console.print(line, markup=False, highlight=False, soft_wrap=True)

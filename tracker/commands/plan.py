"""`lanepair plan`: what a rig could tell apart, before a hole is drilled; and which rig serves a hall best."""

import argparse
import json
import shutil
from collections.abc import Mapping
from dataclasses import asdict
from math import hypot, inf, isfinite, sqrt
from pathlib import Path

import numpy as np
from rich import box
from rich.console import Console
from rich.table import Table

from calibration.errors import InputError, LanepairError, refuse_no_folder
from calibration.rig import VIEWS
from tracker.analysis.design import BALL_TO_BALL_SD_MPS
from tracker.analysis.statistics import smallest_detectable
from tracker.commands.progress import StageProgress
from tracker.flight.measures import MEASURES
from tracker.report.charts_plan import plan_picture
from tracker.report.words import QUANTITIES as NAMES
from tracker.report.words import mph, unit_sign
from tracker.settings import FlightSettings
from tracker.trust.hall import Fitted, Hall, fit_into, ranked, score
from tracker.trust.plan import (
    GOOD,
    KNOCK_DEG,
    QUANTITIES,
    SMALLEST_BALL_PX,
    Plan,
    flown,
    plan,
)
from tracker.trust.proposal import RANGES, READY, Proposal, field_deg, read_proposal, ready_path
from tracker.trust.surveyed import marks_seen

BALLS = (24, 48)
COLUMNS = {  # heading: field of Costs
    "sightings\nalone": "alone",
    "with\nthe rig": "with_rig",
    "late\nswing": "late",
    "hit\nafter 1 m": "hit",
    "slow\nball": "slow",
    f"{KNOCK_DEG:g}°\nknock": "knock",
    "half a\nframe": "half_frame",
}
CAUTIONS = (
    "A camera or lamp over people is a load over people: the hall's qualified fixers put it up, with a second, "
    "independent securing line, to the local codes for fixings and electrics. They decide, not this page.",
    "A bowled or struck ball breaks lenses and skin: cameras and stands outside the nets or behind mesh, above the "
    "ball's height or padded; nobody downrange while they are adjusted. Mesh before a lens hides the ball at times.",
    "Cables off the run-up, the follow-through and the batter's ground. Tape marks for the calibration come up before "
    "anybody bowls.",
    "Lamps on mains flicker at twice its frequency (100 or 120 Hz); short shutters show it. Steady lamps help; never "
    "add a visibly flashing one, and none that dazzles batter or bowler.",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument(
        "proposal",
        nargs="?",
        type=Path,
        metavar="RIG_OR_PROPOSAL",
        help=f"a rig.toml, a proposal (docs/plan.md), or a ready one: {', '.join(READY)}",
    )
    parser.add_argument(
        "--hall",
        nargs=3,
        type=float,
        metavar=("LENGTH", "WIDTH", "HEIGHT"),
        help="inside measures, m; without a proposal the ready ones are ranked for it",
    )
    parser.add_argument("--behind", type=float, default=3.0, metavar="M", help="striker's stumps to the wall (3)")
    parser.add_argument("--fps", type=float, help="frames a second, instead of the proposal's; needed for a rig.toml")
    parser.add_argument("--exposure", type=float, metavar="S", help="seconds, instead of the proposal's")
    parser.add_argument("--noise-px", type=float, metavar="PX", help="scatter of a sighting, each axis")
    parser.add_argument("--f-number", type=float, metavar="N", help="aperture")
    parser.add_argument("--iso", type=float, help="the cameras' ISO setting")
    parser.add_argument("--megabits", type=float, metavar="MBPS", help="of one camera's film, Mb/s")
    parser.add_argument("--drawing", type=Path, metavar="FILE", help="draw cameras, fields and coverage: .png or .svg")
    parser.add_argument("--json", type=Path, metavar="FILE", help="the same figures for other programs")
    parser.add_argument("--copy", type=Path, metavar="FILE", help="copy a ready proposal there, to edit")


def run(args: argparse.Namespace) -> int:
    """Plan, rank or copy; 1 where a rig could not measure."""
    console = Console()
    if args.copy is not None:
        return _copy(args.proposal, args.copy, console)
    hall = None
    if args.hall:
        length, width, height = args.hall
        hall = Hall(length, width, height, args.behind)
    if args.proposal is None:
        if hall is None:
            raise LanepairError(f"name a rig.toml or a proposal ({', '.join(READY)}), or give --hall to rank those")
        return _rank(hall, _asked(args), console)
    proposal = read_proposal(args.proposal, _asked(args))
    fitted = fit_into(proposal, hall) if hall is not None else None
    planned = fitted.plan if fitted is not None else plan(proposal)
    if args.drawing is not None:
        _draw(planned, args.drawing, hall)
    if args.json is not None:
        _write(args.json, json.dumps(_figures(planned), indent=1) + "\n")
    if fitted is not None:
        _say_fit(console, fitted)
    _say(console, planned)
    for file in filter(None, (args.drawing, args.json)):
        console.print(f"written: {file}", markup=False, highlight=False)
    return 0 if planned.costs.alone else 1


def _asked(args: argparse.Namespace) -> dict[str, float]:
    """The numbers given on the command line, by the proposal's keys."""
    given = {
        "frames_per_second": ("--fps", args.fps),
        "exposure_s": ("--exposure", args.exposure),
        "noise_px": ("--noise-px", args.noise_px),
        "f_number": ("--f-number", args.f_number),
        "iso": ("--iso", args.iso),
        "megabits_per_second": ("--megabits", args.megabits),
    }
    for key, (option, value) in given.items():
        low, high = RANGES[key]
        if value is not None and not low <= value <= high:
            raise LanepairError(f"{option} is {value:g}; it lies between {low:g} and {high:g}")
    return {key: value for key, (_, value) in given.items() if value is not None}


def _copy(proposal: Path | None, file: Path, console: Console) -> int:
    if str(proposal) not in READY:
        raise LanepairError(f"--copy needs the name of a ready proposal: {', '.join(READY)}")
    if file.exists():
        raise InputError(file, "is there already", "name another file")
    refuse_no_folder(file)
    shutil.copyfile(ready_path(str(proposal)), file)
    console.print(f"{file}: edit it, then  lanepair plan {file}", markup=False, highlight=False)
    return 0


def _rank(hall: Hall, asked: Mapping[str, float], console: Console) -> int:
    found: list[Fitted] = []
    proposals = [read_proposal(Path(name), asked) for name in READY]
    with StageProgress() as progress:
        for i, proposal in enumerate(proposals):
            progress("proposals", i, len(proposals))
            found += ranked([proposal], hall)
        progress("proposals", len(proposals), len(proposals))
    found.sort(key=lambda fitted: fitted.score)
    table = _plain_table("Ready proposals in this hall, the best first")
    table.add_column("", no_wrap=True)
    for heading in ("score", "moved\nm", "field\n°", "both\nsee", "speed\nm/s", "length\nmm", "line\nmm", "turn\n°"):
        table.add_column(heading, justify="right", no_wrap=True)
    for fitted in found:
        costs = fitted.plan.costs.with_rig
        cells = [f"{costs[q] * by:.{d}f}" if costs else "–" for q, by, d in _RANKED]
        moved = " ".join(f"{m:.1f}" for m in fitted.moved_m)
        fields = " ".join(f"{f:.0f}" for f in fitted.fields_deg)
        seen = f"{100 * fitted.plan.seen[2]:.0f} %"
        value = f"{fitted.score:.2f}" if fitted.score < inf else "–"
        table.add_row(fitted.plan.proposal.name, value, moved, fields, seen, *cells)
    console.print(table)
    lines = (
        "One sigma of one ball with the rig's own doubt. Score: doubts over what is good enough, root mean square; "
        "1 is enough, less is better. Moved: how far the left and the right camera had to come inside.",
        f"lanepair plan {READY[0]} --hall {hall.length_m:g} {hall.width_m:g} {hall.height_m:g} tells all about one.",
    )
    for line in (*lines, *(f"! {c}" for c in CAUTIONS)):
        console.print(line, markup=False, highlight=False)
    return 0


_RANKED = (("release_speed_mps", 1.0, 2), ("bounce_y_m", 1e3, 0), ("bounce_x_m", 1e3, 1), ("deviation_deg", 1.0, 2))


def _plain_table(title: str) -> Table:
    return Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, padding=(0, 0))


def _say_fit(console: Console, fitted: Fitted) -> None:
    if max(fitted.moved_m) < 1e-6:
        console.print("Both cameras hang inside the hall as proposed.")
        return
    for view, camera, moved in zip(VIEWS, fitted.plan.proposal.rig.cameras, fitted.moved_m, strict=True):
        place = ", ".join(f"{v:.1f}" for v in camera.centre_m)
        words = f"moved {moved:.1f} m to ({place}), field {field_deg(camera):.0f}°" if moved > 1e-6 else "stays"
        console.print(f"{view} camera: {words}", highlight=False)


def _say(console: Console, planned: Plan) -> None:
    proposal = planned.proposal
    shutter = f"1/{1 / proposal.exposure_s:.0f} s" if proposal.exposure_s > 0 else "no exposure"
    clocks = "clocks tied" if proposal.synchronised else "clocks not tied"
    heading = f"{proposal.name}: {proposal.frames_per_second:g} frames/s, shutter {shutter}, {clocks}"
    console.print(heading, style="bold", markup=False, highlight=False)
    if proposal.note:
        console.print(proposal.note, markup=False, highlight=False)
    console.print(_costs_table(planned))
    console.print(_sights_table(planned))
    for line in (*_lines(planned), *(f"! {c}" for c in CAUTIONS)):
        console.print(line, markup=False, highlight=False)


def _costs_table(planned: Plan) -> Table:
    table = _plain_table("One sigma of one ball; the last two are errors")
    table.add_column("", no_wrap=True)
    for heading in COLUMNS:
        table.add_column(heading, justify="right", no_wrap=True)
    costs = asdict(planned.costs)
    for name in QUANTITIES:
        words, unit = NAMES[name]
        by, shown = (1000.0, "mm") if unit == "m" else (1.0, unit)
        cells = [_cell(costs[field].get(name), by, name, field) for field in COLUMNS.values()]
        table.add_row(f"{words},{unit_sign(shown) if shown != 'deg' else ' °'}", *cells)
    return table


def _cell(value: float | None, by: float, name: str, field: str) -> str:
    if value is None or not isfinite(value):
        return "–"
    faulty = field in ("knock", "half_frame")
    if not faulty and value > MEASURES[name].useful_sd:
        return "no use"
    return f"{value * by:.0f}" if value * by >= 9.95 else f"{value * by:.2g}"


def _sights_table(planned: Plan) -> Table:
    table = _plain_table("The ball in the pictures: diameter and blur, pixels")
    table.add_column("")
    for place in dict.fromkeys(s.place for s in planned.sights):
        table.add_column(place, justify="right")
    for view, name in enumerate(VIEWS):
        cells = [
            f"{s.size_px:.1f}, {s.blur_px:.1f}" if isfinite(s.size_px) else "not seen"
            for s in planned.sights
            if s.view == view
        ]
        table.add_row(f"{name} camera", *cells)
    return table


def _lines(planned: Plan) -> list[str]:
    """What else is to be said, a sentence a line."""
    proposal, costs = planned.proposal, planned.costs
    left, right, both = (f"{100 * share:.0f} %" for share in planned.seen)
    lines = [f"Of a good-length ball's flight the left camera sees {left}, the right {right}, both at once {both}."]
    if not costs.alone:
        return [*lines, "The cameras do not see enough of it to make a flight: move them, or widen the lenses."]
    lines += _rig_lines(planned)
    if not proposal.synchronised:
        lines.append(f"One ball tells the clocks' offset to {1000 * planned.clock_sd_s:.2f} ms (one sigma).")
    smallest = min((s.size_px for s in planned.sights if isfinite(s.size_px)), default=inf)
    if smallest < SMALLEST_BALL_PX:
        lines.append(f"The ball is only {smallest:.1f} px wide at its farthest: a longer lens or more pixels help.")
    blur = max((s.blur_px / s.size_px for s in planned.sights if isfinite(s.size_px)), default=0.0)
    if blur > 1:
        lines.append(f"The blur is up to {blur:.1f} ball diameters: a shorter shutter helps.")
    lines.append(_light(planned))
    rate, hourly = proposal.megabits_per_second, planned.gb_per_hour
    lines.append(f"Both films take {hourly:.0f} GB an hour at {rate:.0f} Mb/s each.")
    return [*lines, *_hands(planned)]


def _rig_lines(planned: Plan) -> list[str]:
    proposal, costs = planned.proposal, planned.costs
    if proposal.calibrated:
        return ["“With the rig” carries the covariance of its own calibration."]
    seen = " and ".join(map(str, marks_seen(proposal.rig)))
    if not costs.with_rig:
        return [f"The cameras see {seen} marks: too few to place them. Give both a view of the creases or tape marks."]
    words = f"“With the rig”: calibrated from {seen} marks seen, tape marks along the lane among them"
    if costs.creases:
        speed, length = costs.creases["release_speed_mps"], costs.creases["bounce_y_m"]
        return [f"{words}. Without the tape: speed {speed:.2f} m/s, length {1000 * length:.0f} mm."]
    return [f"{words}. Without the tape the rig could not be placed."]


def _light(planned: Plan) -> str:
    proposal = planned.proposal
    if not isfinite(planned.lux):
        return "Light: give --f-number and --iso to have it worked out (ISO 2720)."
    return (
        f"Light needed for a mid-grey picture: {planned.lux:.0f} lx at f/{proposal.f_number:g}, "
        f"{1000 * proposal.exposure_s:g} ms, ISO {proposal.iso:g} (ISO 2720). Net lighting classes are 750, 1000 and "
        "1500 lx (EN 12193, from memory): measure the hall's."
    )


def _hands(planned: Plan) -> list[str]:
    """The smallest difference between the hands that so many balls would show, in words."""
    found = [
        f"{balls} balls, {balls // 2} to each hand: {least:.2f} m/s ({mph(least):.1f} mph)"
        for balls, least in _smallest(planned).items()
    ]
    return [
        f"Smallest difference of pace between the hands that would show (power 0.8, ball-to-ball scatter "
        f"{BALL_TO_BALL_SD_MPS:g} m/s: common practice, no source): {'; '.join(found)}.",
        "48 balls pass a session's practice for every youth band of one board's published directives: spread them, and "
        "let current local guidance and qualified staff decide.",
    ]


def _smallest(planned: Plan) -> dict[int, float]:
    """The same in m/s, by number of balls: the rig's own error is common to both hands and leaves the difference."""
    sd = hypot(BALL_TO_BALL_SD_MPS, planned.costs.alone["release_speed_mps"])
    return {balls: smallest_detectable(sd * sqrt(2 / (balls // 2)), balls - 2) for balls in BALLS}


def _draw(planned: Plan, file: Path, hall: Hall | None) -> None:
    if file.suffix.lower() not in (".png", ".svg"):
        raise InputError(file, "is not a picture's name", "end it in .png or .svg")
    rig = planned.proposal.rig
    ball = flown(GOOD, rig, FlightSettings())
    path = ball.states(np.linspace(ball.release_s, ball.stumps_s, 200))[:, :3]
    walls = None
    if hall is not None:
        half, far = hall.width_m / 2, hall.length_m - hall.behind_m
        walls = ((-half, half), (-hall.behind_m, far), hall.height_m)
    try:
        plan_picture(rig, path, file, planned.proposal.name, walls)
    except OSError as fault:
        raise InputError(file, f"cannot be written ({fault.strerror})", "name another place") from None


def _figures(planned: Plan) -> dict[str, object]:
    """The plan as plain numbers."""
    proposal: Proposal = planned.proposal
    value = score(planned)
    return {
        "name": proposal.name,
        "frames_per_second": proposal.frames_per_second,
        "exposure_s": proposal.exposure_s,
        "one_sigma": {k: asdict(planned.costs)[k] for k in ("alone", "with_rig", "creases", "late", "hit", "slow")},
        "errors": {k: asdict(planned.costs)[k] for k in ("knock", "half_frame")},
        "clock_sd_s": _plain(planned.clock_sd_s),
        "seen": dict(zip((*VIEWS, "both"), planned.seen, strict=True)),
        "ball_px": [
            {"place": s.place, "view": VIEWS[s.view], "size_px": _plain(s.size_px), "blur_px": _plain(s.blur_px)}
            for s in planned.sights
        ],
        "lux": _plain(planned.lux),
        "gb_per_hour": planned.gb_per_hour,
        "score": _plain(value),
        "smallest_hand_difference_mps": _smallest(planned) if planned.costs.alone else {},
    }


def _plain(value: float) -> float | None:
    return value if isfinite(value) else None


def _write(file: Path, text: str) -> None:
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as fault:
        raise InputError(file, f"cannot be written ({fault.strerror})", "name another place") from None

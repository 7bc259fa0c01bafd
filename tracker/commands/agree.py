"""`lanepair agree`: our speeds against a speed gun or light gates."""

import argparse
from math import isfinite
from pathlib import Path

import pandas as pd
from rich.console import Console

from calibration.errors import LanepairError
from calibration.lane import MPH_MPS
from tracker.analysis.agreement import Agreement, agree, read_reference
from tracker.analysis.measures import kind_of
from tracker.analysis.tables import read_runs, write_csv
from tracker.commands.printing import cell, say, table
from tracker.report.charts_numbers import instruments, write_chart


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    add = parser.add_argument
    add("folders", nargs="*", type=Path, metavar="OUT... reference.csv", help="runs, then the reference's readings")
    add("--measure", default="release_speed_mps", metavar="NAME", help="which of our speeds (release_speed_mps)")
    add("--gun-m", nargs=3, type=float, metavar=("X", "Y", "Z"), help="a gun's place in the lane frame, metres")
    add(
        "--tolerance-mph",
        metavar="MPH",
        type=float,
        default=1.0,
        help="they agree if 95 %% of differences lie within it (1)",
    )
    add("--out", type=Path, metavar="DIR", help="where to write agreement.csv and agreement_balls.csv")


def run(args: argparse.Namespace) -> int:
    """Compare, print and write."""
    if len(args.folders) < 2:
        raise LanepairError("lanepair agree needs the output folders and, last, reference.csv")
    if kind_of(args.measure).unit != "m/s":
        raise LanepairError(f"{args.measure} is not a speed")
    if not args.tolerance_mph > 0:
        raise LanepairError("--tolerance-mph must be above 0")
    if args.gun_m and not all(map(isfinite, args.gun_m)):
        raise LanepairError("--gun-m is the gun's place in the lane frame: three numbers, metres")
    *outs, reference = args.folders
    needed = [args.measure]
    if args.gun_m:
        needed += ["release_x_m", "release_y_m", "release_z_m", "release_azimuth_deg", "release_elevation_deg"]
    runs = read_runs(outs, needed=needed)
    rows = runs.rows[runs.rows["status"].isin(["ok", "partial"])]
    found = agree(rows, read_reference(reference), args.measure, args.tolerance_mph * MPH_MPS, args.gun_m)
    if args.out:
        write_csv(_summary(found, args.measure), args.out / "agreement.csv")
        write_csv(_balls(found), args.out / "agreement_balls.csv")
        write_chart(instruments(found), args.out, "agreement")
    console = Console()
    _show(console, found)
    for note in runs.rig_notes:
        say(console, f"note: {note}")
    if args.out:
        say(console, f"written to {args.out}")
    return 1 if runs.rig_notes else 0


def _show(console: Console, found: Agreement) -> None:
    limits = found.limits

    def row(name: str, value: float, interval: tuple[float, float]) -> list[str]:
        low, high = (cell(v / MPH_MPS, 2) for v in interval)
        return [name, cell(value / MPH_MPS, 2), f"{low} to {high}", cell(value, 3)]

    cells = [
        row("bias (ours minus theirs)", limits.bias, limits.bias_ci),
        row("lower limit of agreement", limits.low, limits.low_ci),
        row("upper limit of agreement", limits.high, limits.high_ci),
    ]
    console.print(table(f"{limits.n} balls measured by both", ["", "mph", "95 %\ninterval", "m/s"], cells))
    say(console, found.verdict)
    if found.angle_deg.size and found.angle_deg[0] == found.angle_deg[0]:
        low, high = found.angle_deg.min(), found.angle_deg.max()
        say(
            console,
            f"the gun stood {low:.1f} to {high:.1f} deg off the ball's path: its readings were put right for that",
        )
    if found.unmatched:
        say(console, f"readings without a measured delivery, left out: {found.unmatched}")


def _summary(found: Agreement, measure: str) -> pd.DataFrame:
    limits, line = found.limits, found.proportional
    return pd.DataFrame(
        [
            {
                "measure": measure,
                "n": limits.n,
                "bias_mps": limits.bias,
                "bias_low_mps": limits.bias_ci[0],
                "bias_high_mps": limits.bias_ci[1],
                "sd_mps": limits.sd,
                "limit_low_mps": limits.low,
                "limit_low_low_mps": limits.low_ci[0],
                "limit_low_high_mps": limits.low_ci[1],
                "limit_high_mps": limits.high,
                "limit_high_low_mps": limits.high_ci[0],
                "limit_high_high_mps": limits.high_ci[1],
                "slope": line.slope,
                "slope_low": line.slope_ci[0],
                "slope_high": line.slope_ci[1],
                "verdict": found.verdict,
            }
        ]
    )


def _balls(found: Agreement) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "session": found.session,
            "delivery": found.delivery,
            "ours_mps": found.ours_mps,
            "reference_mps": found.reference_mps,
            "difference_mps": found.ours_mps - found.reference_mps,
            "gun_angle_deg": found.angle_deg,
        }
    )

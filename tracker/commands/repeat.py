"""`lanepair repeat`: how well our measurement repeats, from bowling-machine balls or drops."""

import argparse
from pathlib import Path

import pandas as pd
from rich.console import Console

from calibration.errors import InputError
from tracker.analysis.compare import check_column
from tracker.analysis.gauge import Gauge, cube, gauge_anova
from tracker.analysis.measures import kind_of, with_derived
from tracker.analysis.statistics import pooled_sd, summarise
from tracker.analysis.tables import read_runs, write_csv
from tracker.commands.printing import say
from tracker.report.words import count


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    add = parser.add_argument
    add("outs", nargs="*", type=Path, metavar="OUT", help="runs of the same machine settings or drops")
    add("--measure", default="release_speed_mps", metavar="NAME", help="what was repeated (release_speed_mps)")
    add("--setting", metavar="COLUMN", help="the log's column that names the machine's setting (one setting if absent)")
    add("--feed", default="machine", metavar="WORD", help="which balls, by the log's feed column; any: all (machine)")
    add("--out", type=Path, metavar="DIR", help="where to write repeatability.csv")


def run(args: argparse.Namespace) -> int:
    """Analyse, print and write."""
    kind = kind_of(args.measure)
    runs = read_runs(args.outs)
    rows = with_derived(runs.rows[runs.rows["status"].isin(["ok", "partial"])])
    rows = rows[rows[args.measure].notna()]
    if args.feed != "any":
        if "feed" not in rows.columns:
            raise InputError(args.outs[0], 'the log has no column "feed"', "say --feed any if all balls count")
        rows = rows[rows["feed"].str.lower() == args.feed.lower()]
    if args.setting:
        check_column(rows, args.setting)
    if len(rows) < 3:
        which = "" if args.feed == "any" else f' of feed "{args.feed}"'
        what = f"{count(len(rows), 'ball')}{which} with a measured {args.measure}; three are the least"
        other = "track more balls of one setting" if args.feed == "any" else "say --feed any if all of them count"
        raise InputError(args.outs[0], what, other)
    part = rows[args.setting].astype(str) if args.setting else "one"
    study = pd.DataFrame({"appraiser": rows["date"] + " " + rows["session"], "part": part, "value": rows[args.measure]})
    if study["appraiser"].nunique() * study["part"].nunique() == 1:
        sd, df = pooled_sd([summarise(study["value"].to_numpy(float))])
        gauge, left = Gauge(sd, float("nan"), 0.0, sd, float("nan"), float("nan"), float("nan"), df), 0
    else:
        values, left = cube(study)
        gauge = gauge_anova(values)
    if args.out:
        low, high = gauge.repeatability_ci
        numbers = {"repeatability_sd": gauge.repeatability, "sd_low": low, "sd_high": high, "limit": gauge.limit}
        numbers |= {"reproducibility_sd": gauge.reproducibility, "together_sd": gauge.together, "parts_sd": gauge.parts}
        about = {"measure": args.measure, "unit": kind.unit, "n": len(rows) - left}
        write_csv(pd.DataFrame([{**about, **numbers, "share": gauge.share}]), args.out / "repeatability.csv")
    console = Console()
    _show(console, gauge, args.measure, rows)
    if left:
        say(console, f"left out to make the study even: {left}")
    for note in runs.rig_notes:
        say(console, f"note: {note}")
    if args.out:
        say(console, f"written to {args.out}")
    return 1 if runs.rig_notes else 0


def _show(console: Console, gauge: Gauge, measure: str, rows: pd.DataFrame) -> None:
    kind = kind_of(measure)

    def size(value: float) -> str:
        return f"{value / kind.scale:.3g} {kind.people_unit}"

    low, high = gauge.repeatability_ci
    say(console, f"{kind.label}: one ball repeats with an sd of {size(gauge.repeatability)}")
    say(console, f"  95 % interval {size(low)} to {size(high)}; the feed's own scatter is in it, so ours is no larger")
    say(console, f"  two balls of one setting differ by less than {size(gauge.limit)} in 95 % of cases (ISO 5725-6)")
    if f"{measure}_sd" in rows.columns and rows[f"{measure}_sd"].notna().any():
        claimed = float((rows[f"{measure}_sd"] ** 2).mean() ** 0.5)
        fits = "no more than" if high >= claimed and low <= claimed else "less than" if high < claimed else "more than"
        say(console, f"  the measuring sd that we report is {size(claimed)}: the balls scatter by {fits} that")
    if gauge.reproducibility == gauge.reproducibility:
        say(console, f"  between sessions, the rig set up anew: {size(gauge.reproducibility)}")
    if gauge.share == gauge.share:
        say(console, f"  between settings {size(gauge.parts)}; measuring is {gauge.share:.1%} of the total sd")

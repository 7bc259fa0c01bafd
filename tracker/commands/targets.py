"""`lanepair targets`: where the balls went against named boxes, how tightly they group, and a scoring game."""

import argparse
from collections import Counter
from pathlib import Path

import pandas as pd
from rich.console import Console

from calibration.errors import InputError
from tracker.analysis.compare import Choice, counted
from tracker.analysis.consistency import grouping, grouping_table
from tracker.analysis.measures import movement_words, with_derived
from tracker.analysis.spread import Spread, crease_use, spread_table, spreads
from tracker.analysis.tables import Runs, read_runs, write_csv
from tracker.analysis.zones import READY, Hits, hits, hits_table, read_targets, ready_file, scores, unknown_plans
from tracker.commands.printing import cell, say, table


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    add = parser.add_argument
    add("outs", nargs="*", type=Path, metavar="OUT", help="output folders of `lanepair track`")
    add(
        "--targets",
        default="pace-club",
        metavar="FILE",
        help=f"a targets file, or one of {', '.join(READY)} (pace-club)",
    )
    add("--out", type=Path, metavar="DIR", help="where to write targets.csv, spread.csv, grouping.csv, scores.csv")
    add("--variations", default="all", metavar="LIST", help="variations that count, by commas, or all (all)")
    add("--example", metavar="NAME", choices=list(READY), help="print a ready targets file, to save and edit")


def run(args: argparse.Namespace) -> int:
    """Count, print and write."""
    if args.example:
        print(ready_file(args.example).read_text(encoding="utf-8"), end="")
        return 0
    runs = read_runs(args.outs, needed=["bounce_x_m", "bounce_y_m", "stumps_x_m", "stumps_z_m"])
    path = ready_file(args.targets) if args.targets in READY else Path(args.targets)
    targets = read_targets(path).scaled(runs.pitch_length_m)
    words = () if args.variations == "all" else tuple(v.strip() for v in args.variations.split(","))
    rows, left_out = _counted(runs, words)
    found, spread, groups = hits(rows, targets), spreads(rows), grouping(rows, runs.runs)
    # a rejected ball was bowled: it has its place in the over, and earns nothing
    game = scores(counted(runs.rows.assign(status="ok"), Choice(by="bowler", variations=words))[0], targets)
    if args.out:
        files = {"targets": hits_table(found), "spread": spread_table(spread), "grouping": grouping_table(groups)}
        for stem, content in {**files, "scores": game}.items():
            write_csv(content, args.out / f"{stem}.csv")
    console = Console()
    _show_hits(console, found)
    _show_spread(console, spread)
    for name in dict.fromkeys((g.bowler, g.arm) for g in groups):
        say(console, f"\n{name[0]} ({name[1]} arm), grouping about the mean to each hand in each session")
        for group in groups:
            if (group.bowler, group.arm) == name:
                say(console, f"  {group.words}")
        say(console, f"  {_movement(rows, name, targets.style)}")
    _show_crease(console, crease_use(rows, targets.crease))
    _show_game(console, game)
    for reason, count in sorted(left_out.items()):
        say(console, f"left out, {reason}: {count}")
    for note in [*unknown_plans(rows, targets), *runs.rig_notes]:
        say(console, f"note: {note}")
    if args.out:
        say(console, f"written to {args.out}")
    return 1 if runs.rig_notes else 0


def _counted(runs: Runs, variations: tuple[str, ...]) -> tuple[pd.DataFrame, Counter[str]]:
    """The deliveries that count, and how many do not by reason; refused where nothing is left to count."""
    rows, left_out = counted(runs.rows, Choice(by="bowler", variations=variations))
    if not len(rows):
        why = ", ".join(f"{number} {reason}" for reason, number in sorted(left_out.items()))
        what = f"none of the {len(runs.rows)} deliveries counts ({why})"
        raise InputError(
            runs.runs[0].folder, what, "what counts was measured and bowled, and has its bowler in the log"
        )
    if rows[["bounce_y_m", "stumps_z_m"]].isna().all(axis=None):
        what = "no delivery has a bounce or a place at the stumps: nothing to count"
        raise InputError(runs.runs[0].folder, what, "see the column reason")
    return with_derived(rows), left_out


def _show_hits(console: Console, found: list[Hits]) -> None:
    cells = []
    for h in found:
        share = f"{h.share:.0%}" if h.n else ""
        interval = f"{h.low:.0%} to {h.high:.0%}" if h.n else ""
        aimed = f"{h.aimed_hits}/{h.aimed}" if h.aimed else "-"
        cells.append([h.bowler, h.box.name, f"{h.hits}/{h.n}", share, interval, aimed])
    headings = ["bowler", "box", "in it", "share", "95 %\ninterval", "of those\naimed"]
    console.print(table("Balls in each box", headings, cells, left=2))
    for h in found:
        if h.miss_words:
            say(console, f"{h.bowler}, aiming at {h.box.name} ({h.aimed} balls): {h.miss_words}")


def _show_spread(console: Console, found: list[Spread]) -> None:
    cells = []
    for s in found:
        for share, line_from, line_to, along_from, along_to in s.boxes:
            size = f"{line_to - line_from:.2f} x {along_to - along_from:.2f}"
            place = f"{line_from:.2f} to {line_to:.2f}", f"{along_from:.2f} to {along_to:.2f}"
            ellipse = f"{s.major_sd_m:.2f} x {s.minor_sd_m:.2f}"
            cells.append([s.bowler, s.surface, f"{share:.0%}", size, *place, ellipse])
    if cells:
        headings = [
            "bowler",
            "on",
            "holds",
            "line x length\nm",
            "line to off\nm",
            "length, height\nm",
            "ellipse\nsd, m",
        ]
        console.print(
            table("\nThe smallest box that holds half, and four in five, of the balls", headings, cells, left=2)
        )


def _show_crease(console: Console, use: pd.DataFrame) -> None:
    cells = [[str(v) for v in row] for row in use.itertuples(index=False)]
    if cells:
        console.print(table("\nUse of the crease (balls)", list(use.columns), cells, left=3))


def _show_game(console: Console, game: pd.DataFrame) -> None:
    cells = []
    for row in game.itertuples(index=False):
        numbers = [str(row.balls), cell(float(str(row.points)), 1), cell(float(str(row.total)), 1)]
        cells.append([str(row.date), str(row.bowler), str(row.over), *numbers])
    console.print(table("\nPoints by over", ["date", "bowler", "over", "balls", "points", "total"], cells, left=2))
    lost = int(game["unmeasured"].sum())
    if lost:
        say(console, f"balls without a place, which earn nothing: {lost}")


def _movement(rows: pd.DataFrame, who: tuple[str, str], style: str) -> str:
    """Mean size of the movement in the air and off the pitch, in the words that fit the bowler."""
    mine = rows[(rows["bowler"] == who[0]) & (rows["arm"] == who[1])]
    styles = set(mine["style"].str.lower()) - {""} if "style" in mine.columns else set()
    air, pitch = movement_words(next(iter(styles)) if len(styles) == 1 else style)
    swing, turn = mine["swing_m"].abs().mean(), mine["deviation_deg"].abs().mean()
    return f"{air}: {cell(float(swing), 2) or '-'} m on average either way; {pitch}: {cell(float(turn), 1) or '-'} deg"

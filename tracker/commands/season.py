"""`lanepair season`: a winter's record across sessions: trends, a dated change, and how much was bowled."""

import argparse
from math import isfinite
from pathlib import Path

import pandas as pd
from rich.console import Console

from calibration.errors import InputError, LanepairError, nearest
from tracker.analysis.compare import Choice, counted
from tracker.analysis.measures import kind_of, with_derived
from tracker.analysis.tables import RUN, SAME_LENGTH_M, Runs, read_runs, write_csv
from tracker.analysis.verdict import interval_digits
from tracker.analysis.winter import (
    FOLLOWED,
    LEAST_SESSIONS,
    Change,
    Trend,
    change_table,
    changes,
    find_runs,
    session_means,
    trend_table,
    trends,
)
from tracker.analysis.workload import CAUTION, EXAMPLE, daily_counts, limit_notes, passed_limits, read_limits
from tracker.commands.printing import cell, say, table
from tracker.report.words import count, file_names, shortened


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    add = parser.add_argument
    add("folder", type=Path, metavar="FOLDER", nargs="?", help="holds the season's output folders, at any depth")
    add(
        "--out",
        type=Path,
        metavar="DIR",
        help="where to write trends.csv, change.csv, sessions.csv, workload.csv",
    )
    add("--charts", type=Path, metavar="DIR", help="where to draw each bowler's sessions, as PNG and SVG")
    add("--change", metavar="DATE", help="compare before with from this day on, such as 2026-12-03")
    add("--called", default="the change", metavar="WORDS", help="what changed, such as 'new run-up'")
    add("--bowler", metavar="NAME", help="print only this bowler; a limit that was passed is told whoever passed it")
    add("--limits", type=Path, metavar="FILE", help="workload limits, filled in by the coach")
    add("--example-limits", action="store_true", help="print published youth guidance as an example to fill in")
    add("--variations", default="stock", metavar="LIST", help="variations that count for trends, or all (stock)")


def run(args: argparse.Namespace) -> int:
    """Follow, print and write."""
    if args.example_limits:
        print(EXAMPLE.read_text(encoding="utf-8"), end="")
        return 0
    if args.folder is None:
        raise LanepairError("no folder was given; name the one that holds the season's output folders")
    limits = read_limits(args.limits) if args.limits else ()
    everything = read_runs(find_runs(args.folder), needed=["release_speed_mps"], one_length=False)
    runs, notes = _one_length(everything)
    variations = () if args.variations == "all" else tuple(v.strip() for v in args.variations.split(","))
    rows, left_out = counted(runs.rows, Choice(by="bowler", variations=variations))
    if not len(rows):
        why = ", ".join(f"{number} {reason}" for reason, number in sorted(left_out.items()))
        what = f"none of the {len(runs.rows)} deliveries counts ({why})"
        raise InputError(args.folder, what, "what counts was measured and bowled, and has its bowler in the log")
    names = sorted(set(rows["bowler"]))
    if args.bowler not in (None, *names):
        raise InputError(args.folder, f'no measured delivery of a bowler "{args.bowler}"', nearest(args.bowler, names))
    means = session_means(with_derived(rows), FOLLOWED)
    moved = trends(means)
    changed = changes(means, args.change) if args.change else []
    counts = daily_counts(everything.rows)  # a ball on another pitch tires as well
    passed = passed_limits(counts, limits)
    drawn = _write(args, means, moved, changed, counts)
    console = Console()
    say(console, f"{count(len(everything.runs), 'session')}, {count(len(everything.rows), 'delivery', 'deliveries')}")
    moved = [t for t in moved if args.bowler in (None, t.bowler)]
    _show_trends(console, moved, changed, f"{args.called} ({args.change})")
    _show_workload(console, counts, args.bowler)
    for p in passed:
        when = "in the seven days from" if "week" in p.what else "on"
        say(console, f"limit passed: {p.bowler} ({p.band}), {p.what}: {p.count} against {p.limit}, {when} {p.start}")
    for note in [*notes, *limit_notes(counts, limits), *runs.rig_notes, CAUTION]:
        say(console, f"note: {note}")
    for place in filter(None, (args.out, args.charts if drawn else None)):
        say(console, f"written to {place}")
    if args.charts and not drawn:
        say(console, f"nothing drawn: no bowler has {LEAST_SESSIONS} days yet")
    return 1 if runs.rig_notes or passed else 0


def _write(
    args: argparse.Namespace, means: pd.DataFrame, moved: list[Trend], changed: list[Change], counts: pd.DataFrame
) -> int:
    """The tables and charts that were asked for; how many were drawn."""
    if args.out:
        files = {"trends": trend_table(moved), "sessions": means, "workload": counts}
        for stem, content in {**files, **({"change": change_table(changed)} if changed else {})}.items():
            write_csv(content, args.out / f"{stem}.csv")
    return _draw(means, moved, args.change or "", args.called, args.charts) if args.charts else 0


def _draw(means: pd.DataFrame, moved: list[Trend], change: str, called: str, folder: Path) -> int:
    """A chart for each bowler (and arm) who can have a trend: season_<name>.png and .svg; how many."""
    from tracker.report.charts_numbers import write_chart  # a season opens in less than these take to import
    from tracker.report.charts_season import season

    if folder.exists() and not folder.is_dir():
        raise InputError(folder, "is not a folder", "name a folder with --charts")
    who = sorted({(t.bowler, t.arm) for t in moved if isfinite(t.slope)})
    for (bowler, arm), name in zip(who, file_names([bowler for bowler, _ in who]), strict=True):
        mine = means[(means["bowler"] == bowler) & (means["arm"] == arm)]
        trends = [t for t in moved if (t.bowler, t.arm) == (bowler, arm)]
        title = f"{shortened(bowler, 60)}{f' ({arm} arm)' if arm else ''}"
        write_chart(season(mine, trends, title, change, called), folder, f"season_{name}")
    return len(who)


def _show_trends(console: Console, moved: list[Trend], changed: list[Change], called: str) -> None:
    for who in sorted({(t.bowler, t.arm) for t in moved}):
        name = f"{who[0]} ({who[1]} arm)" if who[1] else who[0]
        mine = [t for t in moved if (t.bowler, t.arm) == who]
        theirs = [c for c in changed if (c.bowler, c.arm) == who]
        most = max(trend.sessions for trend in mine)
        if any(isfinite(trend.slope) for trend in mine):
            cells = [_row(t, (t.slope, t.ci_low, t.ci_high)) for t in mine]
            headings = ["measure", "a month", "95 %\ninterval", "unit", ""]
            title = f"\n{name}: by time, from the means of {count(most, 'session')}"
            console.print(table(title, headings, cells))
        else:
            words = f"no trend yet: {count(most, 'session')} measured; {LEAST_SESSIONS} days are the least"
            say(console, f"\n{name}: {words}")
        _show_changes(console, theirs, called)
        told: list[Trend | Change] = [*mine, *theirs]
        for found in told:
            if found.p_adjusted < 0.05:
                say(console, f"* {found.words}")
    if any(isfinite(trend.slope) for trend in moved) or changed:
        say(console, "*: beyond chance, allowing for the number of measures (Holm)")


def _show_changes(console: Console, mine: list[Change], called: str) -> None:
    known = [change for change in mine if isfinite(change.found.se)]
    if known:
        cells = [_row(c, (c.found.value, c.found.ci_low, c.found.ci_high)) for c in known]
        cells = [
            [*row[:-1], cell(abs(c.found.value) / c.ball_sd, 1) if c.ball_sd > 0 else "", row[-1]]
            for row, c in zip(cells, known, strict=True)
        ]
        before, after = (max(c.sessions[i] for c in known) for i in (0, 1))
        headings = ["measure", "diff.", "95 %\ninterval", "unit", "of a\nball's sd", ""]
        title = f"{called}: {count(after, 'session')} after less {before} before"
        console.print(table(title, headings, cells))
    elif mine:
        say(console, f"{called}: {mine[0].words}")


def _row(found: Trend | Change, numbers: tuple[float, float, float]) -> list[str]:
    """Measure, value, interval, unit and mark."""
    kind = kind_of(found.measure)
    value, low, high = (v / kind.scale for v in numbers)
    digits = interval_digits(low, high, kind.digits)
    interval = f"{cell(low, digits)} to {cell(high, digits)}" if isfinite(low) else ""
    return [kind.label, cell(value, digits), interval, kind.people_unit, "*" if found.p_adjusted < 0.05 else ""]


def _one_length(runs: Runs) -> tuple[Runs, list[str]]:
    """Only the sessions of the pitch length that most have, and a note on the others."""
    length = runs.usual_pitch_length_m
    other = [i for i, r in enumerate(runs.runs) if abs(r.pitch_length_m - length) > SAME_LENGTH_M]
    if not other:
        return runs, []
    kept = runs.rows[~runs.rows[RUN].isin(other)].reset_index(drop=True)
    names = ", ".join(f"{runs.runs[i].session} ({runs.runs[i].pitch_length_m:.2f} m)" for i in other)
    return Runs(runs.runs, kept), [f"left out of means and trends, not on a pitch of {length:.2f} m: {names}"]


def _show_workload(console: Console, counts: pd.DataFrame, bowler: str | None) -> None:
    cells = []
    for name, part in counts.groupby("bowler"):
        if bowler in (None, name):
            by_day = part.groupby("date")["balls"].sum()
            days = pd.to_datetime(by_day.index)
            week = pd.Series(by_day.to_numpy(), index=days).rolling("7D").sum()
            cells.append(
                [str(name), str(int(by_day.sum())), str(len(by_day)), str(int(by_day.max())), str(int(week.max()))]
            )
    headings = ["bowler", "balls", "days", "most\na day", "most in\n7 days"]
    console.print(table("\nDeliveries bowled (filmed here)", headings, cells))

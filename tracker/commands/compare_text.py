"""What `lanepair compare` prints: narrow tables of numbers, then the sentences."""

from collections.abc import Sequence
from itertools import groupby

from rich.console import Console

from calibration.lane import MPH_MPS
from tracker.analysis.adjust import Adjusted
from tracker.analysis.compare import POOLED, SPEED, Comparison
from tracker.analysis.design import Design
from tracker.analysis.measures import kind_of
from tracker.analysis.statistics import NO_DIFFERENCE, Difference
from tracker.analysis.study import Study
from tracker.commands.printing import cell, p_words, say, table


def show_study(console: Console, answer: Study) -> None:
    """The speed, what goes with it, and the cautions."""
    twins = {(a.measure, a.group_a, a.group_b, a.bowler, a.arm): a for a in answer.adjusted}
    for groups, rows in groupby(
        (r for r in answer.comparisons if r.measure == SPEED), key=lambda r: (r.group_a, r.group_b)
    ):
        _show_speed(console, list(rows), groups, twins)
    beside = sorted(
        (r for r in answer.comparisons if r.measure != SPEED and r.side == "all" and not _repeats(r)), key=_who
    )
    asked = not any(r.measure == SPEED for r in answer.comparisons)  # for these measures, not for the pace
    for _, group in groupby(beside, key=_who):
        others = list(group)
        _show_beside(console, others, _name(others[0]), asked)
    for note in answer.notes:
        say(console, f"note: {note}")
    for reason, count in sorted(answer.left_out.items()):
        say(console, f"left out, {reason}: {count}")


def _show_speed(
    console: Console,
    rows: Sequence[Comparison],
    groups: tuple[str, str],
    twins: dict[tuple[str, str, str, str, str], Adjusted],
) -> None:
    a, b = groups
    cells = []
    for row in (r for r in rows if not _repeats(r) and (sum(r.n) > 0 or r.side == "all")):
        twin = twins.get((row.measure, row.group_a, row.group_b, row.bowler, row.arm)) if row.side == "all" else None
        adjusted = twin.adjusted if twin is not None else NO_DIFFERENCE
        counts, means = "/".join(map(str, row.n)), "/".join(_mph(v) or "-" for v in row.means)
        words = [row.bowler, row.arm] if row.side == "all" else ["", f" {row.side}"]
        numbers = [value for found in (row.found, adjusted) for value in (_mph(found.value), _interval(found))]
        cells.append([*words, counts, means, *numbers])
    headings = ["bowler", "arm", f"{rows[0].of}\na/b", "mean\na/b"]
    headings += ["diff.", "95 %\ninterval", "adj.", "95 %\ninterval"]
    console.print(table(f"Speed at release, mph, by {rows[0].by}: {b} (b) minus {a} (a)", headings, cells, left=2))
    for row in rows:
        if row.side == "all" and not _repeats(row):
            say(console, f"{_name(row)}: {row.verdict}")
            twin = twins.get((row.measure, row.group_a, row.group_b, row.bowler, row.arm))
            if twin is not None and twin.method:
                say(console, f"    {_basis(row, twin)}")


def _repeats(row: Comparison) -> bool:
    """Whether it is an average of one bowler."""
    return row.bowler == POOLED and len(row.pairs) == 1 and row.of == "balls"


def _basis(row: Comparison, twin: Adjusted) -> str:
    """How sure, by which means: p-values only beside the sentence that they belong to."""
    parts = [f"Welch p {row.found.p_value:.2g}"]
    if twin.permutation_p == twin.permutation_p:
        parts.append(f"by shuffling {twin.permutation_p:.2g}")
    parts.append(f"Hedges' g {row.effect_size:.2f}")
    if row.equivalence_p == row.equivalence_p:
        parts.append(f"equivalence p {row.equivalence_p:.2g}")
    if row.smallest_detectable == row.smallest_detectable:
        parts.append(f"these balls could show {_mph(row.smallest_detectable)} mph")
    what = f" for {', '.join(twin.terms)}" if twin.terms else ""
    parts.append(f"adjusted by {twin.method}{what}" if twin.bowler != POOLED else f"adjusted: {twin.method}{what}")
    if twin.measuring_sd == twin.measuring_sd:
        parts.append(f"measuring sd of a ball {twin.measuring_sd / MPH_MPS:.2f} mph")
    return "; ".join(parts)


def _show_beside(console: Console, rows: Sequence[Comparison], name: str, asked: bool) -> None:
    cells = []
    for row in (r for r in rows if sum(r.n)):
        kind = kind_of(row.measure)
        low, high = (cell(v / kind.scale, kind.digits) for v in (row.found.ci_low, row.found.ci_high))
        mark = "*" if row.beyond_chance else ""
        interval = f"{low} to {high}" if low else ""
        words = [kind.label, *map(str, row.n), cell(row.found.value / kind.scale, kind.digits), interval]
        cells.append([*words, kind.people_unit, p_words(row.p_adjusted), mark])
    if not cells:
        return
    a, b = rows[0].group_a, rows[0].group_b
    headings = ["measure", f"n\n{a}", f"n\n{b}", "diff.", "95 %\ninterval", "unit", "p\n(Holm)", ""]
    console.print(table(f"{name}: {'' if asked else 'what else differs, '}{b} minus {a}", headings, cells))
    for row in rows:
        if row.beyond_chance or asked:
            say(console, f"{'* ' if row.beyond_chance else ''}{kind_of(row.measure).label}: {row.verdict}")


def show_design(console: Console, design: Design, caution: str) -> None:
    """How many balls, in which order."""
    difference = f"{design.difference_mps / MPH_MPS:.3g} mph ({design.difference_mps:.2f} m/s)"
    say(
        console,
        f"{design.per_hand} balls to each hand from each bowler show a difference of {difference} with a chance of "
        f"{design.power:.0%}, if one ball scatters by {design.sd_mps:.2f} m/s about the bowler's mean to that hand. "
        "Independent balls are assumed: take it as the least.",
    )
    for bowler in design.order["bowler"].unique():
        part = design.order[design.order["bowler"] == bowler]
        say(console, f"bowler {bowler}" if bowler else "each bowler")
        letters = ["R" if hand == "right" else "L" for hand in part["batter_hand"]]
        for over in range(0, len(letters), 6):
            say(console, f"  over {over // 6 + 1}: {' '.join(letters[over : over + 6])}")
    say(console, "R: to a right-hander, L: to a left-hander. Bowl from the same side of the wicket to both.")
    for words in (*design.cautions, caution):
        say(console, f"caution: {words}")


def _who(row: Comparison) -> tuple[bool, str, str, str, str]:
    return row.bowler == POOLED, row.bowler, row.arm, row.group_a, row.group_b


def _name(row: Comparison) -> str:
    average = "average of the bowlers" if row.of == "balls" else "bowlers' means"
    name = average if row.bowler == POOLED else row.bowler or "(no bowler named)"
    return f"{name} ({row.arm} arm)" if row.arm else name


def _mph(speed_mps: float) -> str:
    return cell(speed_mps / MPH_MPS, 1)


def _interval(found: Difference) -> str:
    low, high = _mph(found.ci_low), _mph(found.ci_high)
    return f"{low} to {high}" if low else ""

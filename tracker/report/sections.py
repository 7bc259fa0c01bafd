"""What the analysis says about a spell, as parts of a page: the hands, grouping, targets, use of the crease."""

from collections.abc import Sequence
from math import isfinite

import pandas as pd

from tracker.analysis.compare import SPEED, Comparison
from tracker.analysis.consistency import Grouping, grouping
from tracker.analysis.measures import kind_of
from tracker.analysis.spread import crease_use
from tracker.analysis.study import Study
from tracker.analysis.tables import Run
from tracker.analysis.zones import Hits, Targets, hits, scores
from tracker.report.page import Section
from tracker.report.words import as_sentence, count, fixed, mph, unit_sign


def hands_section(whole: Sequence[Comparison], answer: Study) -> Section:
    """What else differs between the hands, and what to keep in mind about it."""
    lines = []
    for other in answer.adjusted:
        if other.measure == SPEED and other.bowler == whole[0].bowler and other.terms:
            lines.append(f"“Adjusted” allows for {', '.join(other.terms)} ({other.method}).")
    lines += [as_sentence(note) for note in answer.notes]
    if answer.left_out:
        left = "; ".join(f"{n} {why}" for why, n in sorted(answer.left_out.items()))
        lines.append(f"Left out of the comparison: {left}.")
    rows = [_other(row) for row in whole if row.measure != SPEED and min(row.n) >= 2 and isfinite(row.found.value)]
    if rows:
        lines.append(
            "What else differs, left-handers less right-handers, with 95 % intervals; “beyond chance” allows for "
            f"looking at {count(len(rows), 'measure')} at once (Holm)."
        )
    heads = ("measure", "to right", "to left", "difference", "95 % interval", "beyond chance")
    return Section("What else changes between the hands", lines, heads, rows, (1, 2, 3, 4))


def _other(row: Comparison) -> list[str]:
    kind = kind_of(row.measure)
    unit = unit_sign(kind.people_unit)
    a, b, gap, low, high = (
        fixed(v / kind.scale, kind.digits) for v in (*row.means, row.found.value, row.found.ci_low, row.found.ci_high)
    )
    beyond = "yes" if row.beyond_chance else "no"
    return [kind.label, a + unit, b + unit, gap + unit, f"{low} to {high}", beyond]


def scatter_section(rows: pd.DataFrame, runs: Sequence[Run]) -> Section:
    """How tightly the balls group, and how much of that is measuring."""
    measured = rows[rows["status"].isin(["ok", "partial"])]
    found = [g for g in grouping(measured, runs) if isfinite(g.observed_sd)]
    lines = (
        "Scatter about the mean to each hand, one standard deviation: as observed, what measuring alone would make, "
        "and what is left as the bowler’s own, with its 95 % interval. Speeds in m/s, mph in brackets.",
    )
    heads = ("measure", "balls", "observed", "measuring", "the bowler’s own", "95 % interval")
    return Section("Repeating a ball", lines if found else (), heads, [_group(g) for g in found], (1, 2, 3, 4, 5))


def _group(found: Grouping) -> list[str]:
    kind = kind_of(found.measure)

    def figure(sd: float) -> str:
        if not isfinite(sd):
            return "–"
        return f"{sd:.2f} ({mph(sd):.2f})" if kind.unit == "m/s" else f"{sd:.3f}{unit_sign(kind.unit)}"

    values = [figure(v) for v in (found.observed_sd, found.measuring_sd, found.own_sd)]
    return [kind.label, str(found.n), *values, " to ".join(figure(v) for v in found.own_ci)]


def targets_section(rows: pd.DataFrame, targets: Targets, name: str) -> Section:
    """Share of balls in each target with its interval, where the aimed ones went, and the score."""
    measured = rows[rows["status"].isin(["ok", "partial"])]
    found = [h for h in hits(measured, targets) if h.n]
    lines = [
        f"Targets of {name}. Share of balls in each, with its 95 % interval; “aimed” are balls whose plan in the log "
        "names the target. Ready targets are common practice without a source: copy and edit them."
    ]
    game = scores(rows, targets)
    if len(game):
        total = float(game["total"].iloc[-1])
        lines.append(f"Score: {total:g} points in {count(len(game), 'over')}.")
    heads = ("target", "balls in it", "share", "95 % interval", "aimed", "where the aimed ones went")
    return Section("Targets", lines if found else (), heads, [_hit(h) for h in found], (1, 2, 3, 4))


def _hit(found: Hits) -> list[str]:
    aimed = f"{found.aimed_hits} of {found.aimed}" if found.aimed else "–"
    share = f"{100 * found.share:.0f} %"
    interval = f"{100 * found.low:.0f} to {100 * found.high:.0f} %"
    return [found.box.name, f"{found.hits} of {found.n}", share, interval, aimed, found.miss_words or "–"]


def crease_section(rows: pd.DataFrame, targets: Targets) -> Section:
    """How often the release was close to the stumps, as usual, or wide."""
    used = crease_use(rows, targets.crease)
    table = [[str(r["side"]), *(str(r[k]) for k in ("close", "usual", "wide"))] for r in used.to_dict("records")]
    spans = {"over": targets.crease.over_m, "round": targets.crease.round_m}
    told = "; ".join(f"{side} the wicket {span[0]:g} and {span[1]:g} m" for side, span in spans.items())
    lines = [f"Balls by the release’s distance from the line of the middle stumps; close and wide begin at: {told}."]
    return Section("Use of the crease", lines if table else (), ("side", "close", "usual", "wide"), table, (1, 2, 3))

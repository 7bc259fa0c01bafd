"""The coach's report: one bowler's balls in one run as one HTML page that needs nothing else.

`report_page` turns a Spell, the run's own account of itself and what the analysis says into page.html. Everything that
came from a file is text to the template, which escapes it; charts are pictures inside the page.
"""

import base64
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import jinja2
import numpy as np

from tracker.records import Check
from tracker.report.charts import Chart
from tracker.report.facts import Facts
from tracker.report.spell import Gap, Spell
from tracker.report.words import QUANTITIES, as_sentence, count, decimals, fixed, mph, speed, unit_sign
from tracker.session.tables import FIELDS

_PLAIN = {"no.": "delivery", "batter": "batter_hand", "side": "side"}
_MEASURED: dict[str, tuple[str, int]] = {  # heading: (column, digits)
    "speed m/s": ("release_speed_mps", 2),
    "mph": ("release_speed_mps", 1),
    "length m": ("bounce_y_m", 2),
    "line m (+\u00a0off)": ("bounce_x_m", 2),
    "swing m": ("swing_m", 2),
    "turn °": ("deviation_deg", 1),
    "stumps line m (+\u00a0off)": ("stumps_x_m", 2),
    "stumps height m": ("stumps_z_m", 2),
}
CAUTIONS = (
    "Differences smaller than the doubt (±) are no differences. What goes with a change of pace is shown; why it came "
    "is not measured.",
    "Published youth guidance limits what a fast bowler under 19 bowls, for instance to 30 to 42 balls in a practice "
    "session by age (England and Wales board, Fast Bowling Directives, club copies of 2010 to 2016). Such figures "
    "change: the current local guidance and qualified staff decide, not this page.",
    "A hard ball hurts: nobody stands downrange while cameras are set up; cameras and stands stay outside the nets or "
    "behind mesh, cables off the run-up. Anything above people is fixed by the hall’s qualified fixers to local codes.",
    "Films of children are kept and shown as the club’s safeguarding policy says.",
)


@dataclass(frozen=True)
class Section:
    """A further part of the page: sentences, and a table if there are rows; `numeric` are its right-aligned columns."""

    title: str
    lines: Sequence[str] = ()
    heads: Sequence[str] = ()
    rows: Sequence[Sequence[str]] = ()
    numeric: Sequence[int] = field(default=())


def report_page(spell: Spell, facts: Facts, charts: Sequence[Chart], sections: Sequence[Section] = ()) -> str:
    """The page's HTML."""
    first = spell.rows.iloc[0]
    template = _environment().get_template("page.html")
    return template.render(
        bowler=spell.bowler or "Bowler not named in the log",
        session=str(first["session"]),
        date=str(first["date"]),
        arm=next((w for w in spell.words("arm") if w), ""),
        total=count(len(spell.rows), "delivery", "deliveries"),
        facts=_in_short(spell),
        verdict=" ".join([spell.verdict, *map(_in_both_units, spell.gaps)]).strip(),
        trust=_trust(facts),
        not_whole=_not_whole(spell),
        charts=charts,
        sections=sections,
        balls=_balls(spell),
        checks=[_check(c) for c in facts.checks if c.verdict != "pass"],
        passed=[_check(c) for c in facts.checks if c.verdict == "pass"],
        warnings=facts.warnings,
        exact=facts.exact,
        made=_made(spell),
        cautions=CAUTIONS,
        software=facts.software,
        written=facts.written,
    )


def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("tracker.report", "."),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
    )
    environment.filters["data_uri"] = data_uri
    return environment


def data_uri(svg: str) -> str:
    """An SVG as the address of a picture: nothing in it can reach the page around it."""
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode()


def _in_both_units(gap: Gap) -> str:
    low, high = fixed(gap.low, 2), fixed(gap.high, 2)
    label = " ".join(gap.label.split())
    return f"Left less right, {label}: {fixed(gap.value, 2)} m/s ({fixed(mph(gap.value), 1)} mph), {low} to {high} m/s."


def _in_short(spell: Spell) -> list[dict[str, str]]:
    pace, length = (_known(spell, name) for name in ("release_speed_mps", "bounce_y_m"))
    lines = []
    if len(pace):
        lines.append(_fact("mean speed at release", speed(float(pace.mean())), count(len(pace), "ball")))
        lines.append(_fact("fastest", speed(float(pace.max()))))
    if len(pace) > 2:
        scatter = float(pace.std(ddof=1))
        lines.append(
            _fact("speed, ball to ball", f"± {scatter:.1f} m/s ({mph(scatter):.1f} mph)", "one standard deviation")
        )
    if len(length):
        low, middle, high = np.quantile(length, [0.25, 0.5, 0.75])
        spread = f"half of the balls {low:.1f} to {high:.1f} m from the stumps" if len(length) > 3 else "middle ball"
        lines.append(_fact("length", f"{middle:.1f} m", spread))
    height = _known(spell, "release_z_m")
    if len(height):
        lines.append(_fact("height of release", f"{np.median(height):.2f} m", "middle ball"))
    lost = int((spell.said("status", "rejected") | spell.said("status", "empty")).sum())
    partly = int(spell.said("status", "partial").sum())
    whole = len(spell.rows) - lost - partly
    lines.append(_fact("measured", f"{whole} of {len(spell.rows)} fully", f"{partly} in part, {lost} not at all"))
    return lines


def _fact(name: str, value: str, more: str = "") -> dict[str, str]:
    return {"name": name, "value": value, "more": more}


def _known(spell: Spell, name: str) -> Any:
    values = spell.column(name)
    return values[np.isfinite(values)]


def _trust(facts: Facts) -> dict[str, str]:
    """One sentence for the rig's state; its verdict colours the frame and is written out."""
    named = {v: [c.name for c in facts.checks if c.verdict == v] for v in ("fail", "doubtful")}
    if not facts.checks:
        return {
            "verdict": "doubtful",
            "word": "not checked",
            "sentence": "This run holds no checks of its rig: run `lanepair check` before relying on its numbers.",
        }
    if named["fail"]:
        words = f"Failed: {', '.join(named['fail'])}. Do not rely on these numbers before it is mended (see below)."
        return {"verdict": "fail", "word": "failed", "sentence": words}
    if named["doubtful"]:
        words = f"In doubt: {', '.join(named['doubtful'])}. Read the numbers with care (see below)."
        return {"verdict": "doubtful", "word": "doubtful", "sentence": words}
    words = f"All {count(len(facts.checks), 'check')} of the rig and the films passed."
    return {"verdict": "pass", "word": "pass", "sentence": words}


def _not_whole(spell: Spell) -> str:
    """The doubtful deliveries by number, gathered by reason."""
    held: dict[str, list[str]] = {}
    for number, status, reason in zip(*(spell.words(n) for n in ("delivery", "status", "reason")), strict=True):
        if status != "ok":
            held.setdefault(f"{status}: {reason}" if reason else status, []).append(number)
    return "; ".join(f"no. {', '.join(numbers)} ({reason})" for reason, numbers in held.items())


def _balls(spell: Spell) -> dict[str, Any]:
    """Ball by ball: heads, rows and the row of doubts."""
    plain = {h: c for h, c in _PLAIN.items() if any(spell.words(c))}
    air, pitch = spell.movement
    named = {{"swing m": f"{air} m", "turn °": f"{pitch} °"}.get(h, h): m for h, m in _MEASURED.items()}
    measured = {h: m for h, m in named.items() if np.isfinite(spell.column(m[0])).any()}
    columns = [(spell.words(c), False) for c in plain.values()]
    columns += [(_texts(spell, h, *m), True) for h, m in measured.items()]
    rows = []
    for i, marked in enumerate(spell.doubtful):
        cells = [_cell(texts[i], numeric) for texts, numeric in columns]
        rows.append({"cells": cells, "marked": bool(marked), "note": _note(spell, i)})
    heads = [{"name": h, "numeric": h in measured} for h in (*plain, *measured)]
    doubts = [_cell("±" if i == 0 else "") for i in range(len(plain))]
    doubts += [_cell(_figure(h, _middle_doubt(spell, name), d + 1), True) for h, (name, d) in measured.items()]
    return {"heads": [*heads, {"name": "note", "numeric": False}], "rows": rows, "doubts": doubts}


def _texts(spell: Spell, heading: str, name: str, digits: int) -> list[str]:
    """A column as read: lines by the batter's off side, sideways movement as in, out or straight."""
    values = spell.toward_off(name) if name.endswith("_x_m") else spell.column(name)
    way = {"swing_m": "swing_way", "deviation_deg": "deviation_way"}.get(name)
    if way is None:
        return [_figure(heading, v, digits) for v in values]
    texts = []
    for value, sd, word in zip(values, spell.column(f"{name}_sd"), spell.words(way), strict=True):
        said = "straight" if abs(value) < 2 * sd else word
        known = word and np.isfinite(value)
        texts.append(f"{said} {_figure(heading, abs(value), digits)}" if known else _figure(heading, value, digits))
    return texts


def _cell(text: str, numeric: bool = False) -> dict[str, Any]:
    return {"text": text, "numeric": numeric}


def _figure(heading: str, value: float, digits: int) -> str:
    if not np.isfinite(value):
        return "–"
    return fixed(mph(value) if heading == "mph" else value, digits)


def _note(spell: Spell, i: int) -> str:
    row = spell.rows.iloc[i]
    words = [str(row["reason"])] if str(row["status"]) != "ok" else []
    words[:0] = [str(row["status"])] if str(row["status"]) != "ok" else []
    if str(row.get("kind", "")) == "full_toss":
        words.append("full toss")
    if str(row.get("release_seen", "")).lower() == "false":
        words.append("release not seen")
    return "; ".join(w for w in words if w and w != "nan")


def _middle_doubt(spell: Spell, name: str) -> float:
    """Two sd, the median over the balls."""
    sd = _known(spell, f"{name}_sd")
    return 2 * float(np.median(sd)) if len(sd) else float("nan")


def _check(check: Check) -> dict[str, str]:
    """A check as printed, the value to a hundredth of its limit; "" where there is none."""
    limit, sign = abs(check.limit), unit_sign(check.unit) if check.unit else ""
    found = f"{check.value:.3g}"
    if np.isfinite(limit) and limit > 0:
        found = fixed(check.value, int(np.clip(2 - np.floor(np.log10(limit)), 0, 4)))
    return {
        "name": check.name,
        "verdict": check.verdict,
        "found": f"{found}{sign}" if np.isfinite(check.value) else "",
        "limit": f"{limit:.3g}{sign}" if np.isfinite(check.limit) and np.isfinite(check.value) else "",
        "advice": as_sentence(check.advice) if check.advice else "",
    }


def _made(spell: Spell) -> list[dict[str, str]]:
    meanings = {f.name: f.meaning for f in FIELDS}
    rows = []
    for name, (words, unit) in QUANTITIES.items():
        doubt = _middle_doubt(spell, name)
        more = f" ({mph(doubt):.2f} mph)" if unit == "m/s" and np.isfinite(doubt) else ""
        shown = f"{doubt:.{decimals(doubt, 4)}f}{unit_sign(unit)}{more}" if np.isfinite(doubt) else "–"
        rows.append({"name": words, "meaning": meanings[name], "balls": str(len(_known(spell, name))), "doubt": shown})
    return rows

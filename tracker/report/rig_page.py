"""A calibration as one self-contained page."""

import base64
from collections.abc import Mapping

import jinja2
import numpy as np

from calibration.adjust import mark_block
from calibration.board import Gray
from calibration.camera import Floats
from calibration.folder import read_gray
from calibration.refine import Refined
from calibration.rig import VIEWS
from calibration.solve import Solution
from calibration.suspect import LeftOut
from calibration.verdict import Check
from tracker.report.charts_rig import covered, marks_on_picture, plan_and_side, png, residuals
from tracker.report.charts_style import svg_text
from tracker.report.rig_facts import RigReport
from tracker.report.rig_pictures import close_up, data_url, sheet

WORDS = {
    "pass": "The rig is known well enough to measure with.",
    "doubtful": "The rig can be used; the lines marked doubtful below make its numbers worse than they need be.",
    "fail": "Look at the lines marked fail before trusting this rig.",
}


def rig_page(report: RigReport) -> str:
    """The page's HTML."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("tracker.report", "."), autoescape=True, undefined=jinja2.StrictUndefined
    )
    verdict, used = report.verdict, report.solution.adjusted.observed.marks
    lane = report.lane
    return environment.get_template("rig_page.html").render(
        name=report.name,
        made=report.made.strftime("%Y-%m-%d %H:%M UTC"),
        worst=verdict.worst,
        words=WORDS[verdict.worst],
        places=[[p.name, *_mm(p.sd_m), *_mm(p.validated_m)] for p in verdict.places],
        pace=_number(verdict.pace_sd_mps),
        advice=[a.sentence() for a in report.advice],
        checks=[_check(c) for c in verdict.checks],
        plan=_svg(svg_text(plan_and_side(report.solution.rig, used.point_m[np.unique(used.mark)]))),
        cameras=[_camera(report.solution, i) for i in range(2)],
        marks=_marks(report.solution),
        lane_figures=[_lane(report, i, picture) for i, picture in enumerate(lane) if picture is not None],
        close_ups=[_close_up(f, picture) for f in report.fates if (picture := lane[f.view]) is not None],
        coverage=[_svg(svg_text(covered(report.solution, c))) for c in verdict.coverage],
        left_out=[f"{name}: {why}" for name, why in report.solution.left_out.items()]
        + [f"{name}: no board found" for name in (report.filmed.without if report.filmed else ())],
        note=report.filmed.note if report.filmed else "",
        sheets=_sheets(report),
    )


def _close_up(fate: Refined, picture: Gray) -> tuple[str, str]:
    words = f"{fate.mark} ({VIEWS[fate.view]})" + (f": {fate.problem}" if fate.problem else "")
    return words, data_url(close_up(picture, fate.px, fate.clicked_px), ".png")


def _marks(solution: Solution) -> list[list[str]]:
    used = [[t.mark, t.camera, *_mm(t.error_m), ""] for t in _one_each(solution)]
    why = "the rest contradicts it"
    return used + [[s.mark, s.camera, *_mm(s.error_m), f"left out: {s.cause or why}"] for s in solution.suspects]


def _one_each(solution: Solution) -> list[LeftOut]:
    """One line a mark: of a mark that both cameras see, its survey rather than each sighting."""
    shared = {t.mark for t in solution.tested if t.camera == "both"}
    return [t for t in solution.tested if t.camera == "both" or t.mark not in shared]


def _svg(text: str) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(text.encode()).decode()


def _mm(value_m: Floats) -> list[str]:
    return [f"{round(1e3 * v, 1) + 0.0:.1f}" if np.isfinite(v) else "–" for v in value_m]


def _number(value: float) -> str:
    return f"{value:.3g}" if np.isfinite(value) else "–"


def _check(c: Check) -> Mapping[str, str]:
    figure, limit = (f"{_number(v)} {c.unit}".strip() for v in (c.value, c.limit))
    return {"name": c.name, "verdict": c.verdict, "figure": figure, "limit": limit, "advice": c.advice}


def _camera(solution: Solution, view: int) -> list[str]:
    camera, choice = solution.rig.cameras[view], solution.choices[view]
    lens = "kept as known"
    if choice is not None:
        tried = ", ".join(f"{t} terms {score:.3f}" for t, score in choice.scores_px.items())
        lens = f"{choice.fit.terms} terms (cross-validated rms px: {tried})"
    noise = _number(solution.adjusted.observed.corner_sd_px[view]) if len(residuals(solution, view)[0]) else "–"
    return [VIEWS[view], *(f"{v:.3f}" for v in camera.centre_m), f"{camera.lens.matrix[0, 0]:.1f}", lens, noise]


def _lane(report: RigReport, view: int, picture: Gray) -> Mapping[str, str]:
    """The empty lane with its marks; their residuals in the words below."""
    marks, state = report.solution.adjusted.observed.marks, report.solution.adjusted.state
    rows = np.flatnonzero(marks.view == view)
    names = [marks.names[marks.mark[r]] for r in rows]
    model = state.cameras[view].project(state.mark_m[marks.mark[rows]])
    clicks = report.folder.marks
    clicked = clicks.px[clicks.view == view]
    whitened = [mark_block(state, marks, int(r)).residual for r in rows]
    rms = float(np.sqrt(np.mean((marks.px[rows] - model) ** 2))) if len(rows) else np.nan
    words = f"{VIEWS[view]} camera: marks miss their adjusted places by {_number(rms)} px rms"
    words += f", {_number(float(np.sqrt(np.mean(np.square(whitened)))))} of their stated doubt" if len(rows) else ""
    figure = marks_on_picture(picture, names, marks.px[rows], model, clicked)
    return {"words": words, "source": "data:image/png;base64," + base64.b64encode(png(figure)).decode()}


def _sheets(report: RigReport) -> list[tuple[str, list[tuple[str, str]]]]:
    out = []
    for i, who in enumerate(VIEWS):
        views = [v for v in report.solution.job.views if v.view == i]
        files = {p.name: p for p in report.folder.pictures[i].values()}
        chosen = views[:: max(1, len(views) // 12)]
        out.append(
            (f"{who} camera", sheet([(v.name, read_gray(files[v.name]), v.px) for v in chosen if v.name in files]))
        )
    return [(who, thumbs) for who, thumbs in out if thumbs]

"""What a calibration is reported from, and the same as plain numbers (JSON)."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any

import numpy as np

from calibration.advice import Advice
from calibration.board import Gray
from calibration.folder import Filmed, Folder, read_gray
from calibration.refine import Refined
from calibration.rig import VIEWS
from calibration.solve import Solution
from calibration.verdict import Verdict


@dataclass(frozen=True, eq=False)
class RigReport:
    """What the page and the numbers are made of."""

    name: str
    made: datetime
    folder: Folder
    filmed: Filmed | None
    solution: Solution
    verdict: Verdict
    advice: Sequence[Advice]
    fates: Sequence[Refined]

    @property
    def lane(self) -> tuple[Gray | None, Gray | None]:
        """The pictures of the empty lane."""
        left, right = (read_gray(file) if file is not None else None for file in self.folder.lane)
        return left, right


def rig_facts(report: RigReport) -> dict[str, Any]:
    """The same as plain numbers; what is not known is null."""
    solution, verdict = report.solution, report.verdict
    return {
        "verdict": verdict.worst,
        "calibrated": report.made.isoformat(),
        "places": {
            p.name: {"point_m": p.point_m.tolist(), "sd_m": _plain(p.sd_m), "validated_m": _plain(p.validated_m)}
            for p in verdict.places
        },
        "pace_sd_mps": _plain(verdict.pace_sd_mps),
        "checks": [{f.name: _plain(getattr(c, f.name)) for f in fields(c)} for c in verdict.checks],
        "advice": [{"what": a.what, "before_mm": a.before_mm, "after_mm": a.after_mm} for a in report.advice],
        "lenses": {
            who: {"terms": c.fit.terms, "cross_validated_px": {str(t): s for t, s in c.scores_px.items()}}
            if c
            else "kept"
            for who, c in zip(VIEWS, solution.choices, strict=True)
        },
        "corner_sd_px": list(solution.adjusted.observed.corner_sd_px),
        "square_scale": {"value": solution.scale[0], "sd": solution.scale[1]},
        "click_factor": solution.click_factor,
        "views_left_out": dict(solution.left_out),
        "pictures_without_board": list(report.filmed.without) if report.filmed else [],
        **_mark_facts(report),
        "coverage": {
            VIEWS[c.view]: {"pictures": c.pictures, "corners": c.counts.astype(int).tolist(), "bare": c.bare}
            for c in verdict.coverage
        },
    }


def _mark_facts(report: RigReport) -> dict[str, Any]:
    """What became of each mark and of each rough click."""
    solution = report.solution
    return {
        "marks": [
            {
                "mark": t.mark,
                "camera": t.camera,
                "error_m": _plain(t.error_m),
                "sd_m": _plain(t.sd_m),
                "p_value": t.p_value,
            }
            for t in solution.tested
        ],
        "marks_left_out": [
            {"mark": s.mark, "camera": s.camera, "error_m": _plain(s.error_m), "cause": s.cause}
            for s in solution.suspects
        ],
        "rough_clicks": [
            {
                "mark": f.mark,
                "camera": VIEWS[f.view],
                "clicked_px": f.clicked_px.tolist(),
                "px": f.px.tolist(),
                "sd_px": np.sqrt(f.cov_px2.diagonal()).tolist(),
                "explained": f.explained,
                "problem": f.problem,
            }
            for f in report.fates
        ],
    }


def _plain(value: Any) -> Any:
    """Numbers for JSON: arrays as lists, what is not finite as None."""
    if isinstance(value, np.ndarray):
        return [_plain(v) for v in value.tolist()]
    if isinstance(value, str):
        return value
    return float(value) if np.isfinite(value) else None

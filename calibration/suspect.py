"""Marks tested against all the rest: where each would lie if it were not believed.

Leaving out a mark's survey (or one sighting of it) is done on the normal equations of the finished adjustment, exactly
to first order: the residual foretold without it is (I - H)^-1 r, its covariance I + J C' J^T (Cook & Weisberg 1982,
Residuals and influence in regression; from memory).
"""

from dataclasses import dataclass

import numpy as np
from scipy import stats

from calibration.adjust import Adjusted, Block, Ints, mark_block
from calibration.camera import Camera, Floats
from calibration.marks import likely_cause
from calibration.rig import VIEWS

ALARM = 1e-4  # chance of naming a good mark
LEAST_M = 0.008  # smaller errors are not worth a word


@dataclass(frozen=True, eq=False)
class LeftOut:
    """A mark as the others see it.

    camera   "left", "right": one sighting left out; "both": the survey of the mark itself
    error_m  (3,) found minus stated; NaN along what cannot be told
    sd_m     (3,)
    p_value  chance of so large an error in a good mark
    gain     by how much the misfit falls without it
    rows     sightings it consists of
    """

    mark: str
    camera: str
    error_m: Floats
    sd_m: Floats
    p_value: float
    gain: float
    rows: tuple[int, ...]
    cause: str

    @property
    def error_mm(self) -> float:
        """Size of the error in millimetres."""
        return float(np.sqrt(np.nansum(self.error_m**2)) * 1e3)

    def sentence(self) -> str:
        """What the user reads."""
        where = "" if self.camera == "both" else f" in the {self.camera} picture"
        parts = zip(("across", "along", "above"), self.error_m * 1e3, strict=True)
        told = ", ".join(f"{value:+.0f} mm {way} the lane" for way, value in parts if np.isfinite(value))
        return f"{self.mark}{where} is {told} from where the other marks put it" + (
            f": {self.cause}" if self.cause else ""
        )


def leave_one_out(adjusted: Adjusted) -> list[LeftOut]:
    """Every mark's survey, and every sighting of a mark seen by both cameras, against the rest."""
    marks, out = adjusted.observed.marks, []
    for m, name in enumerate(marks.names):
        rows = np.flatnonzero(marks.mark == m)
        if len(rows):
            out.append(_survey(adjusted, m, name, rows))
        if len(rows) > 1:
            out += [_sighting(adjusted, int(row)) for row in rows]
    return out


def sighting_chi2(adjusted: Adjusted) -> Floats:
    """Chi-squared (n,), 2 degrees of freedom, of every sighting against the rest."""
    marks = adjusted.observed.marks
    return np.array([_foretold(adjusted, mark_block(adjusted.state, marks, row))[2] for row in range(len(marks))])


def _foretold(adjusted: Adjusted, b: Block) -> tuple[Floats, Floats, float]:
    """Residual of a block as the rest foretells it, its covariance, and chi-squared."""
    part = b.slope @ adjusted.cov[np.ix_(b.column, b.column)] @ b.slope.T
    eye = np.eye(len(part))
    value, vector = np.linalg.eigh(eye - part * b.weight[0])
    if value[0] < 1e-9:  # nothing but this block tells it
        return np.zeros(len(part)), np.full_like(part, np.nan), 0.0
    without = vector / value @ vector.T
    residual = without @ b.residual
    cov = eye + without @ part
    return residual, cov, float(residual @ np.linalg.solve(cov, residual))


def _survey(adjusted: Adjusted, m: int, name: str, rows: Ints) -> LeftOut:
    """The survey of mark `m` left out; seen by one camera, the direction that camera cannot tell is still believed."""
    marks, state = adjusted.observed.marks, adjusted.state
    axes = np.arange(3)
    if len(rows) == 1:
        axes = _told_by(state.cameras[marks.view[rows[0]]], marks.point_m[m])
    axes = axes[marks.sd_m[m, axes] < 0.5]
    sd, at = marks.sd_m[m, axes], state.starts[len(state.cameras) + 2] + 3 * m + axes
    residual = (marks.point_m[m, axes] - state.mark_m[m, axes]) / sd
    b = Block(residual, -np.diag(1 / sd), at, np.ones(len(axes)))
    foretold, cov, chi2 = _foretold(adjusted, b)
    error, doubt = np.full(3, np.nan), np.full(3, np.nan)
    error[axes], doubt[axes] = -foretold * sd, np.sqrt(cov.diagonal()) * sd
    p = float(stats.chi2.sf(chi2, len(axes)))
    camera = "both" if len(rows) > 1 else VIEWS[marks.view[rows[0]]]
    return LeftOut(name, camera, error, doubt, p, chi2 - len(axes), tuple(map(int, rows)), likely_cause(name, error))


def _told_by(camera: Camera, point_m: Floats) -> Ints:
    """The two axes one camera can tell: along the ground, or for a mark above it those square to its view."""
    if point_m[2] < 0.1:
        return np.array([0, 1])
    along = np.abs(point_m - camera.centre_m)
    return np.array([1, 2]) if along[0] > along[1] else np.array([0, 2])


def _sighting(adjusted: Adjusted, row: int) -> LeftOut:
    marks = adjusted.observed.marks
    foretold, cov, chi2 = _foretold(adjusted, mark_block(adjusted.state, marks, row))
    camera, m = adjusted.state.cameras[marks.view[row]], int(marks.mark[row])
    half = np.linalg.cholesky(marks.cov_px2[row])
    error, slope = _on_plane(camera, half @ foretold, marks.point_m[m])
    doubt = np.sqrt(np.einsum("ij,jk,ik->i", slope @ half, cov, slope @ half))
    name, p = marks.names[m], float(stats.chi2.sf(chi2, 2))
    return LeftOut(name, VIEWS[marks.view[row]], error, doubt, p, chi2 - 2, (row,), likely_cause(name, error))


def _on_plane(camera: Camera, miss_px: Floats, point_m: Floats) -> tuple[Floats, Floats]:
    """A miss in pixels as a shift (3,) on the ground, or on the wicket's plane for a mark above it, with its slope."""
    axes = _told_by(camera, point_m).tolist()
    slope = np.zeros((3, 2))
    slope[axes] = np.linalg.pinv(camera.project_with_slope(point_m[None])[1][0][:, axes])
    shift = slope @ miss_px
    shift[[i for i in range(3) if i not in axes]] = np.nan
    return shift, slope


def worst_mark(adjusted: Adjusted) -> LeftOut | None:
    """The mark or sighting that the rest contradicts most; None where all agree."""
    tested = [t for t in leave_one_out(adjusted) if t.p_value < ALARM and t.error_mm > LEAST_M * 1e3]
    return max(tested, key=lambda t: t.gain, default=None)

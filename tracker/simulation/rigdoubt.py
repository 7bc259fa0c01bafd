"""A rig as a survey would leave it: numbers that differ from the truth within a covariance that it states.

The covariance is that of a joint adjustment of both cameras to lane marks: information from clicks of surveyed marks
seen by each camera, from the survey itself and from a board calibration of the lenses. The errors are drawn from it.
"""

from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import LENSES, Camera
from calibration.lane import POPPING_CREASE_M, RETURN_CREASE_X_M, STUMP_HEIGHT_M
from calibration.rig import VIEWS, Rig, shifted_camera
from tracker.records import Floats
from tracker.simulation import optics

LENS_SD = {"fx": 1.5, "fy": 1.5, "cx": 1.5, "cy": 1.5, "k1": 2e-3, "k2": 6e-3, "p1": 1e-4, "p2": 1e-4, "k3": 6e-3}
_POSE = ("rx", "ry", "rz", "tx", "ty", "tz")


@dataclass(frozen=True)
class Survey:
    """How good the marks are: click sd, survey sd, sd of the clocks' offset (0: exact)."""

    click_sd_px: float = 0.4
    mark_sd_m: float = 0.002
    offset_sd_s: float = 0.0


def lane_marks(pitch_length_m: float) -> Floats:
    """Ten marks laid along the lane, eight crease corners, the outer stump tops at both ends (22, 3)."""
    far = pitch_length_m
    rows = [(s * 1.2, y, 0.0) for s in (-1, 1) for y in (3.0, 6.0, 9.0, 12.0, 15.0)]
    creases = (0.0, POPPING_CREASE_M, far - POPPING_CREASE_M, far)
    rows += [(s * RETURN_CREASE_X_M, y, 0.0) for s in (-1, 1) for y in creases]
    rows += [(s * 0.09525, y, STUMP_HEIGHT_M) for s in (-1, 1) for y in (0.0, far)]
    return np.array(rows)


def adjusted_names(camera: Camera) -> tuple[str, ...]:
    """What a survey adjusts in one camera."""
    terms = LENSES[len(camera.lens.distortion)]
    return ("fx", "fy", "cx", "cy", *(t for t in terms if t in LENS_SD), *_POSE)


def survey_covariance(rig: Rig, survey: Survey) -> tuple[tuple[str, ...], Floats]:
    """Names and joint covariance of both cameras' numbers, the marks' own doubt carried through."""
    marks = lane_marks(rig.pitch_length_m)
    names = [adjusted_names(c) for c in rig.cameras]
    sizes = [len(n) for n in names]
    total = sum(sizes)
    info = np.zeros((total + marks.size, total + marks.size))
    info[total:, total:] = np.eye(marks.size) / survey.mark_sd_m**2
    for v, camera in enumerate(rig.cameras):
        first = sum(sizes[:v])
        for j, name in enumerate(names[v]):
            info[first + j, first + j] += 1 / LENS_SD[name] ** 2 if name in LENS_SD else 1e-12
        seen = np.flatnonzero(_in_picture(camera, marks))
        by_camera = _slope(camera, names[v], marks[seen])
        by_mark = _slope_by_point(camera, marks[seen])
        for k, mark in enumerate(seen):
            row = np.zeros((2, len(info)))
            row[:, first : first + sizes[v]] = by_camera[k]
            row[:, total + 3 * mark : total + 3 * mark + 3] = by_mark[k]
            info += row.T @ row / survey.click_sd_px**2
    cov = np.linalg.inv(info)[:total, :total]
    joined = tuple(f"{view}.{name}" for view, own in zip(VIEWS, names, strict=True) for name in own)
    if survey.offset_sd_s > 0:
        joined = (*joined, "right.time_offset_s")
        cov = np.block([[cov, np.zeros((total, 1))], [np.zeros((1, total)), np.array([[survey.offset_sd_s**2]])]])
    return joined, (cov + cov.T) / 2


def _in_picture(camera: Camera, point_m: Floats) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    px = optics.project(camera, point_m)
    width, height = camera.lens.image_size_px
    with np.errstate(invalid="ignore"):
        return np.asarray(((px >= 0) & (px <= [width - 1, height - 1])).all(axis=1))


def _slope(camera: Camera, names: tuple[str, ...], point_m: Floats) -> Floats:
    """Derivatives (n, 2, k) of pixels by the named numbers, by central differences."""
    out = np.empty((len(point_m), 2, len(names)))
    for j, name in enumerate(names):
        step = 1e-3 if name in ("fx", "fy", "cx", "cy") else 1e-6
        up, down = (optics.project(shifted_camera(camera, {name: s}), point_m) for s in (step, -step))
        out[:, :, j] = (up - down) / (2 * step)
    return out


def _slope_by_point(camera: Camera, point_m: Floats) -> Floats:
    step = 1e-6 * np.eye(3)
    return np.stack(
        [(optics.project(camera, point_m + s) - optics.project(camera, point_m - s)) / 2e-6 for s in step], axis=2
    )


def doubted(rig: Rig, rng: np.random.Generator, survey: Survey | None = None) -> Rig:
    """The rig with errors drawn from a survey's covariance, which it states."""
    names, cov = survey_covariance(rig, survey or Survey())
    scale = np.sqrt(cov.diagonal())
    values, vectors = np.linalg.eigh(cov / np.outer(scale, scale))
    error = scale * (vectors @ (np.sqrt(np.maximum(values, 0.0)) * rng.normal(size=len(scale))))
    return replace(rig.shifted(names, error), names=names, cov=cov)

"""Covariances that the sightings themselves bear out.

A fit's covariance knows the noise of single pixels. It does not know what a codec did to a block, or the strand of a
net that lay over the ball's rim: such faults come and go from frame to frame, while what a flight gets wrong, and the
lighting, change slowly. So the scatter of sightings about the local course of their distance from the predicted path
tells how large their errors truly are.
"""

import numpy as np

from tracker.records import Floats

REACH = 6  # neighbours either side that make the local course
SPELL = 15  # and within which the scatter is judged
_MEDIAN_CHI2 = 1.3863  # of 2 degrees of freedom, 2 ln 2
_FLOOR_PX, _FLOOR_SHARE = 0.02, 0.004  # what no scatter shows: constant faults of shape, in px and of the diameter


def borne_out(cov_px2: Floats, off_px: Floats, size_px: Floats) -> Floats:
    """Covariances (n, 2, 2) of consecutive sightings scaled to their scatter.

    Parameters
    ----------
    cov_px2 : (n, 2, 2) from the fits
    off_px : (n, 2) sighting minus prediction
    size_px : (n,) apparent diameter
    """
    n = len(off_px)
    floor = (_FLOOR_PX**2 + (_FLOOR_SHARE * size_px) ** 2)[:, None, None] * np.eye(2)
    if n < 2 * REACH + 1:
        return np.asarray(1.5 * cov_px2 + floor)
    white = np.linalg.inv(np.linalg.cholesky(cov_px2))
    far2 = np.empty(n)
    for k in range(n):
        rows = np.arange(max(0, min(k - REACH, n - 2 * REACH - 1)), min(n, max(k + REACH + 1, 2 * REACH + 1)))
        others = rows[rows != k]
        line = np.vander((others - k) / REACH, 2)
        weight = 1 / np.sqrt(np.trace(cov_px2[others], axis1=1, axis2=2))
        course, *_ = np.linalg.lstsq(line * weight[:, None], off_px[others] * weight[:, None], rcond=None)
        gain = np.linalg.inv(line.T @ line)[1, 1]  # of the course at k, from like neighbours
        far2[k] = np.square(white[k] @ (off_px[k] - course[1])).sum() / (1 + gain)
    overall = np.median(far2) / _MEDIAN_CHI2
    scale = np.empty(n)
    for k in range(n):
        near = far2[max(0, k - SPELL) : k + SPELL + 1]
        local = np.median(near) / _MEDIAN_CHI2
        scale[k] = (len(near) * local + SPELL * overall) / (len(near) + SPELL)
    strays = np.maximum(1.0, far2 / (14.0 * scale))  # 14: one good sighting in a thousand is farther
    return np.asarray(cov_px2 * (np.maximum(scale, 0.5) * strays)[:, None, None] + floor)

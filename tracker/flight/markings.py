"""What a ball's markings do to where it seems to be, for as long as it keeps them turned the same way.

A ball bowled with an upright seam spins about the axis square to it, so that every camera sees the same bright band, or
the same duller side, from release on, only from a slowly changing direction. Small in the picture, such a ball seems to
lie toward its brighter parts, or away from them if it is darker than what is behind.

Let the light of its surface vary with the outward normal s as 1 + a . s + s' A s. Over the visible half the first
moment across the line of sight d (unit, ball to camera) lies along a for the first part, along A d for the second: a
seam square to n has A = -k n n', and pushes by k (n . d) times n across d, nothing if seen along its plane or square to
it, most at 45 degrees. So the ball looks as if its light sloped by m + M d across d, with one vector m and one
symmetric M for both views as long as it spins the same way: the floor's friction gives it another spin, so that both
change there. How many pixels a slope is worth each sighting says (Sightings.lean_px).
Equation F23 of docs/method.md.
"""

from dataclasses import dataclass

import numpy as np

from tracker.records import Bools, Floats

_CHANGES = 0.5  # at the bounce, sd over the terms' own
_PAIRS = ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))


@dataclass(frozen=True, eq=False)
class Markings:
    """Prior sd of each of m (3,) by `side_sd`, and of M's entries off its diagonal by `band_sd`; 0: an even ball.

    On the diagonal the sd is greater by the root of two: no direction of the markings is likelier than another.
    """

    side_sd: float = 0.0
    band_sd: float = 0.0

    @property
    def count(self) -> int:
        """How many terms there are."""
        return 18 if self.side_sd > 0 or self.band_sd > 0 else 0

    def push_px(self, by_place: Floats, towards: Floats, lean_px: Floats, bounced: Bools) -> Floats:
        """What the terms, standard normal numbers, do to pixels: (n, 2, count); the second half is what changes.

        by_place  (n, 2, 3) derivative of the pixels by where the ball is, lane frame
        towards   (n, 3) from the ball to the camera, of any length
        lean_px   (n,) pixels for a slope of 1
        bounced   (n,) whether that is after the bounce
        """
        if not self.count:
            return np.zeros((len(lean_px), 2, 0))
        d = towards / np.linalg.norm(towards, axis=1, keepdims=True)
        slope = np.zeros((len(d), 3, 9))
        slope[:, :, :3] = self.side_sd * np.eye(3)
        for k, (i, j) in enumerate(_PAIRS, start=3):
            if i == j:
                slope[:, i, k] = self.band_sd * np.sqrt(2) * d[:, i]
            else:
                slope[:, i, k], slope[:, j, k] = self.band_sd * d[:, j], self.band_sd * d[:, i]
        px_per_m = np.hypot.reduce(by_place.reshape(-1, 6), axis=1) / np.sqrt(2)  # a stray fit's may be beyond squaring
        push = (lean_px / px_per_m)[:, None, None] * (by_place @ slope)
        return np.concatenate([push, _CHANGES * bounced[:, None, None] * push], axis=2)

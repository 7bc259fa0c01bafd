"""Comparing a camera's films with its reference picture while they are read, so that no film is read twice."""

from collections import deque
from dataclasses import dataclass, field
from threading import Lock

import numpy as np

from calibration.camera import Camera
from tracker.trust.knock import Move, camera_move
from tracker.vision.planes import Bytes
from tracker.vision.video import Frame

PICTURE_FRAMES, PICTURE_EVERY_S = 7, 0.24  # of a steady picture
ROWS_AT_ONCE = 40
ONE_AT_A_TIME = Lock()
LOOK_EVERY_S, LAST_LOOK_S = 30.0, 5.0  # between looks; the film's end is looked at if so far from the last


@dataclass(frozen=True, eq=False)
class Look:
    """One comparison: which clip, when in it (film seconds), and the move; None: too little was found again."""

    clip: int
    time_s: float
    move: Move | None


@dataclass(eq=False)
class Lookout:
    """Takes the frames of a camera's films and compares a steady picture of them every now and then.

    reference  the picture kept at calibration; None: the first steady picture of the session serves, so that at least
               a knock during the session is seen
    lacking    why there is no kept picture, and what to do; "" where there is one
    """

    camera: Camera
    reference: Bytes | None
    lacking: str = ""
    looks: list[Look] = field(default_factory=list)
    _clip: int = 0
    _looked_s: float = -np.inf
    _ring: deque[tuple[float, Bytes]] = field(default_factory=lambda: deque(maxlen=PICTURE_FRAMES))

    def begin(self, clip: int) -> None:
        """A new film of this camera."""
        self._clip, self._looked_s = clip, -np.inf
        self._ring.clear()

    def take(self, frame: Frame) -> None:
        """A frame of the film; most are passed over."""
        if self._ring and frame.stamp_s < self._ring[-1][0] + PICTURE_EVERY_S:
            return
        self._ring.append((frame.stamp_s, frame.luma.copy()))
        if len(self._ring) == PICTURE_FRAMES and frame.stamp_s >= self._looked_s + LOOK_EVERY_S:
            self._look()

    def finish(self) -> None:
        """The film's end: its last seconds are compared too."""
        if self._ring and self._ring[-1][0] > self._looked_s + LAST_LOOK_S:
            self._look()

    def _look(self) -> None:
        with ONE_AT_A_TIME:  # both views at once would need twice the memory
            self._compare()

    def _compare(self) -> None:
        now = _median([picture for _, picture in self._ring])
        self._looked_s = self._ring[-1][0]
        if self.reference is None:
            self.reference = now
        elif self.reference.shape == now.shape:
            self.looks.append(Look(self._clip, self._looked_s, camera_move(self.reference, now, self.camera)))


def _median(pictures: list[Bytes]) -> Bytes:
    """The middle picture of some, pixel by pixel: a bubble sort of pictures; some rows at a time, for memory."""
    middle, half = np.empty_like(pictures[0]), len(pictures) // 2
    for top in range(0, len(middle), ROWS_AT_ONCE):
        rows = slice(top, top + ROWS_AT_ONCE)
        rising = [picture[rows] for picture in pictures]
        for last in range(len(rising) - 1, half - 1, -1):
            for k in range(last):
                low, high = rising[k : k + 2]
                rising[k : k + 2] = np.minimum(low, high), np.maximum(low, high)
        middle[rows] = rising[half]
    return middle

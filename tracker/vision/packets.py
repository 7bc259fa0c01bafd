"""What a film's packets say without being decoded: their stamps, its key frames, and which packets a passage needs."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Passages = Sequence[tuple[float, float]]  # start and end, true seconds from the film's first frame
TOUCHES_S = 0.001  # what reaches no farther into a key frame's run of frames needs none of it


@dataclass(frozen=True, eq=False)
class Outline:
    """The packets of a film; all empty where some have no stamp.

    pts       (n,) presentation stamps in order of time, the container's units
    stamps_s  (n,) the same as true seconds from the first
    keys      (k,) those of `pts` that are key frames
    """

    pts: NDArray[np.int64]
    stamps_s: NDArray[np.float64]
    keys: NDArray[np.int64]

    @classmethod
    def of(cls, packets: Iterator[Any], unit_s: float, stated_fps: float | None, blind: bool = False) -> "Outline":
        """From demultiplexed packets whose stamps count `unit_s`; a stated rate goes before stamps.

        blind: stamps of presentation are not stored. Frames are then as far apart as they are stored; no keys are told.
        """
        told = [(p.dts, False) if blind else (p.pts, p.is_keyframe) for p in packets if p.size and not p.is_discard]
        if not told or any(pts is None for pts, _ in told):
            return cls(np.empty(0, np.int64), np.empty(0), np.empty(0, np.int64))
        first = next((k for k, (_, key) in enumerate(told) if key), 0)  # a film cut out of a longer one begins there
        told = [(at, key) for at, key in told[first:] if at >= told[first][0] or not told[first][1]]
        pts = np.sort(np.array([at for at, _ in told], np.int64))
        even = np.arange(len(pts)) / stated_fps if stated_fps else (pts - pts[0]) * unit_s
        return cls(pts, np.asarray(even, float), np.sort(np.array([at for at, key in told if key], np.int64)))

    def number(self, pts: int) -> int:
        """Which frame that is, counted from 0 in order of time."""
        return min(int(np.searchsorted(self.pts, pts)), len(self.pts) - 1)

    def stamp_s(self, pts: int) -> float:
        """A frame's stamp in true seconds."""
        return float(self.stamps_s[self.number(pts)])

    def lasts(self, key: int) -> tuple[float, float]:
        """From a key frame to the next, or to the end."""
        k = int(np.searchsorted(self.keys, key, side="right"))
        return self.stamp_s(key), self.stamp_s(int(self.keys[k])) if k < len(self.keys) else np.inf


def needed(packets: Iterator[Any], outline: Outline, passages: Passages) -> Iterator[tuple[Any, int]]:
    """Packets to decode for some passages, each with the first stamp that decodes whole there; (None, 0): a run ends.

    Decoding begins at key frames; what a run's first packets owe to frames before it is stamped earlier.
    """
    reading, first = False, 0
    for packet in packets:
        if packet.size and packet.is_keyframe:
            start, end = outline.lasts(packet.pts)
            wanted = any(a < end - TOUCHES_S and b > start + TOUCHES_S for a, b in passages)
            if reading and not wanted:
                yield None, 0
            if wanted and not reading:
                first = packet.pts
            reading = wanted
        if reading:
            yield packet, first


def key_packets(packets: Iterator[Any], outline: Outline, apart_s: float) -> Iterator[Any]:
    """Key frames no closer than so, and what empties the decoder at the end."""
    last = -np.inf
    for packet in packets:
        if not packet.size:
            yield packet
        elif packet.is_keyframe and outline.stamp_s(packet.pts) >= last + apart_s:
            last = outline.stamp_s(packet.pts)
            yield packet

"""Films of a staged clip: H.264 with true or faulty stamps, or folders of numbered pictures."""

from fractions import Fraction
from pathlib import Path
from typing import Any, Protocol

import av
import cv2
import numpy as np

from tracker.simulation.render import Picture

TICKS_PER_S = 90000  # of the films' stamps; as MPEG's system clock


class Film(Protocol):
    """Something that takes pictures in order, each with its stamp and its number."""

    def write(self, picture: Picture, stamp_s: float, number: int) -> None:
        """Add a frame."""

    def close(self) -> None:
        """Finish the film."""


class H264:
    """An H.264 film in mp4, mkv or avi, one thread, without B-frames unless asked for."""

    def __init__(
        self,
        path: Path,
        size_px: tuple[int, int],
        fps: float,
        bit_rate: float,
        gop_s: float = 0.5,
        b_frames: int = 0,
        preset: str = "superfast",
    ) -> None:
        rate = Fraction(fps).limit_denominator(1001)
        self._container = av.open(str(path), "w")
        stream: Any = self._container.add_stream("libx264", rate=rate)
        stream.width, stream.height, stream.pix_fmt = *size_px, "yuv420p"
        stream.bit_rate = int(bit_rate)
        stream.codec_context.time_base = Fraction(1, TICKS_PER_S)
        stream.thread_count = 1
        stream.options = {
            "preset": preset,
            "g": str(max(round(gop_s * fps), 1)),
            "bf": str(b_frames),
            "maxrate": str(int(1.5 * bit_rate)),
            "bufsize": str(int(bit_rate)),
        }
        self._stream, self._last = stream, -1

    def write(self, picture: Picture, stamp_s: float, number: int) -> None:
        """Add a frame; its number is not stored."""
        height, width = picture.y.shape
        frame = av.VideoFrame(width, height, "yuv420p")
        for plane, data in zip(frame.planes, (picture.y, picture.cb, picture.cr), strict=True):
            rows = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)
            rows[: data.shape[0], : data.shape[1]] = data
        tick = max(round(stamp_s * TICKS_PER_S), self._last + 1)
        frame.pts, frame.time_base, self._last = tick, Fraction(1, TICKS_PER_S), tick
        for packet in self._stream.encode(frame):
            self._container.mux(packet)

    def close(self) -> None:
        """Flush and finish."""
        for packet in self._stream.encode(None):
            self._container.mux(packet)
        self._container.close()


class Pictures:
    """A folder of numbered pictures, png or jpg."""

    def __init__(self, path: Path, suffix: str = ".png") -> None:
        path.mkdir(parents=True, exist_ok=True)
        self._path, self._suffix = path, suffix

    def write(self, picture: Picture, stamp_s: float, number: int) -> None:
        """Add a picture; its stamp is not stored."""
        cv2.imwrite(str(self._path / f"{number:06d}{self._suffix}"), to_bgr(picture))

    def close(self) -> None:
        """Nothing is left to do."""


def to_bgr(picture: Picture) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
    """The picture (h, w, 3) as OpenCV has colours."""
    height, width = picture.y.shape
    stacked = np.concatenate([picture.y.ravel(), picture.cb.ravel(), picture.cr.ravel()])
    return np.asarray(cv2.cvtColor(stacked.reshape(height * 3 // 2, width), cv2.COLOR_YUV2BGR_I420), np.uint8)

"""The looks of a film, kept in a temporary file, so that memory does not grow with the film."""

import tempfile
from typing import IO

import numpy as np

from tracker.vision.looks import Look


class Album:
    """Looks by number, in the order in which they were added; the file goes when the album does."""

    def __init__(self) -> None:
        self._file: IO[bytes] = tempfile.TemporaryFile(prefix="lanepair-")  # noqa: SIM115 - lives as long as the album
        self._places: list[tuple[int, ...]] = []  # where in the file, corner x, y, rows, columns, weight of redness
        self._end = 0

    def __len__(self) -> int:
        return len(self._places)

    def add(self, look: Look) -> int:
        """Keep a look; its number."""
        data = look.patch.tobytes() + look.behind16.tobytes() + look.spread16.tobytes()
        self._file.seek(self._end)
        self._file.write(data)
        self._places.append((self._end, *look.corner, *look.patch.shape, look.weight))
        self._end += len(data)
        return len(self._places) - 1

    def look(self, number: int) -> Look:
        """A look as it was added."""
        start, x, y, rows, columns, weight = self._places[number]
        pixels = rows * columns
        self._file.seek(start)
        data = self._file.read(5 * pixels)
        patch = np.frombuffer(data, np.uint8, pixels).reshape(rows, columns)
        both = np.frombuffer(data, np.uint16, 2 * pixels, offset=pixels).reshape(2, rows, columns)
        return Look((x, y), patch, both[0], both[1], weight)

"""Memory that does not grow with the film: large blocks go back to the system as soon as they are free."""

import ctypes
import sys

_MMAP_THRESHOLD = -3  # glibc's malloc.h
LARGE = 1 << 20  # bytes; small pictures come and go with every frame and stay below it


def large_blocks_apart() -> None:
    """Let glibc keep each block of a megabyte or more by itself; elsewhere nothing is done.

    Left alone it raises that limit to the largest block ever freed, up to 32 MB, and then mixes full-size pictures with
    small things that outlive them: what a comparison of pictures took once is never given back (100 MB at 1080 rows).
    """
    if sys.platform == "linux":
        mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
        if mallopt is not None:
            mallopt(_MMAP_THRESHOLD, LARGE)

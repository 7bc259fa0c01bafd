"""Order statistics of small arrays; numpy's own cost more, to compile and to call."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tracker.vision.compiled import compiled


@compiled
def nth(values: NDArray[Any], k: int) -> Any:
    """The value of (n,) that k others are not above, 0 the least; `values` change their order.

    C. A. R. Hoare 1961, Algorithm 65: Find, Communications of the ACM 4 (from memory).
    """
    low, high = 0, len(values) - 1
    while low < high:
        pivot, i, j = values[k], low, high
        while i <= j:
            while values[i] < pivot:
                i += 1
            while pivot < values[j]:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i, j = i + 1, j - 1
        if j < k:
            low = i
        if k < i:
            high = j
    return values[k]


@compiled
def middle(values: NDArray[Any]) -> Any:
    """The upper median of (n,); `values` change their order.

    >>> int(middle(np.array([5, 1, 4, 9])))
    5
    """
    return nth(values, len(values) // 2)


@compiled
def usual(values: NDArray[Any]) -> Any:
    """The upper median of every third of (h, w)."""
    flat = values.reshape(-1)
    some = np.empty((len(flat) + 2) // 3, values.dtype)
    for i in range(len(some)):
        some[i] = flat[3 * i]
    return middle(some)


@compiled
def ranked(values: NDArray[np.float64], share: float) -> float:
    """The value that so many of (n,) are below, between two of them by a straight line: the median for 0.5.

    >>> ranked(np.array([4.0, 1.0, 2.0]), 0.75)
    3.0
    """
    some, at = values.copy(), share * (len(values) - 1)
    low = int(at)
    below, above = float(nth(some, low)), float(nth(some, min(low + 1, len(values) - 1)))
    return below + (at - low) * (above - below)


@compiled
def falling(values: NDArray[np.float64]) -> NDArray[np.int64]:
    """Where the largest of (n,) is, the next, and so on to the least: indices (n,).

    D. L. Shell 1959, A High-Speed Sorting Procedure, Communications of the ACM 2 (from memory).

    >>> falling(np.array([4.0, 9.0, 2.0])).tolist()
    [1, 0, 2]
    """
    n = len(values)
    order = np.empty(n, np.int64)
    for i in range(n):
        order[i] = i
    gap = n // 2
    while gap > 0:
        for i in range(gap, n):
            one, j = order[i], i
            while j >= gap and values[order[j - gap]] < values[one]:
                order[j] = order[j - gap]
                j -= gap
            order[j] = one
        gap = 1 if gap == 2 else gap * 5 // 11
    return order


@compiled
def running_median(values: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """The upper median of so many neighbours, an odd number, about each of (n,): at both ends of those there are.

    >>> running_median(np.array([3.0, 1.0, 9.0, 2.0]), 3)
    array([3., 3., 2., 9.])
    """
    out, half = np.empty(len(values)), width // 2
    for k in range(len(values)):
        out[k] = middle(values[max(k - half, 0) : k + half + 1].copy())
    return out

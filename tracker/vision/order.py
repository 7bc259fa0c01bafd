"""Order statistics of small arrays, found without sorting them."""

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
def running_median(values: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """The upper median of so many neighbours, an odd number, about each of (n,): at both ends of those there are.

    >>> running_median(np.array([3.0, 1.0, 9.0, 2.0]), 3)
    array([3., 3., 2., 9.])
    """
    out, half = np.empty(len(values)), width // 2
    for k in range(len(values)):
        out[k] = middle(values[max(k - half, 0) : k + half + 1].copy())
    return out

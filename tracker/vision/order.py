"""Order statistics of small arrays, found without sorting them."""

from typing import Any

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

    >>> import numpy as np
    >>> int(middle(np.array([5, 1, 4, 9])))
    5
    """
    return nth(values, len(values) // 2)

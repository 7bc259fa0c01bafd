"""Functions compiled by numba, typed for mypy."""

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., Any])


def compiled(function: F) -> F:
    """The function compiled on first use and kept on disk; it releases the interpreter's lock."""
    return cast(
        F, numba.njit(cache=True, nogil=True, no_cfunc_wrapper=True, fastmath=True, error_model="numpy")(function)
    )

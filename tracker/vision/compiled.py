"""numba's compiler with the types kept: machine code, cached beside the source, run without the interpreter's lock."""

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., Any])


def compiled(function: F) -> F:
    """Compile on first use. Loops over pixels belong in here, nothing else."""
    return cast(F, numba.njit(cache=True, nogil=True, no_cfunc_wrapper=True, error_model="numpy")(function))

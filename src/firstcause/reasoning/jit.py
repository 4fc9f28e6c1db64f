"""The one door to numba: a function of loops over arrays becomes machine code, kept on disk for the next start."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

from numba import njit

F = TypeVar("F", bound=Callable[..., object])


def compiled(function: F) -> F:
    """Compile at the first call, or take the machine code of an earlier run from the cache (decision 0012).

    Sums may be taken in another order and products fused, which is the same on every run on one machine; nothing is
    taken for granted about infinities or NaN. Where no folder for the cache can be written, every start compiles.
    """
    how: dict[str, Any] = {"error_model": "numpy", "fastmath": {"reassoc", "contract"}}
    try:
        return cast(F, njit(cache=True, **how)(function))
    except RuntimeError:  # numba: "no locator available"
        return cast(F, njit(**how)(function))

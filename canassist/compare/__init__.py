"""Two vehicles, or before and after a repair: like compared with like.

``canassist.compare`` is this package as well as the public function of that name: Python
puts a package in its parent under its own name, so the package can be called like it.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import TYPE_CHECKING

from canassist.compare.comparing import compare

if TYPE_CHECKING:
    from canassist.compare.comparing import Rides
    from canassist.model import Case, Comparison

__all__ = ["compare"]


class _Callable(ModuleType):
    """A module that, when called, compares."""

    def __call__(
        self,
        result_a: Rides,
        result_b: Rides,
        *,
        names: tuple[str, str] = ("A", "B"),
        case: Case | None = None,
    ) -> Comparison:
        """Compare two sides; see `canassist.compare.comparing.compare`."""
        return compare(result_a, result_b, names=names, case=case)


sys.modules[__name__].__class__ = _Callable

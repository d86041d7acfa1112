"""Two vehicles, or before and after a repair: like compared with like."""

from canassist.comparison.compare_sides import compare

__all__ = ["compare"]

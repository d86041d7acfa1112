"""What a result can be turned into; whoever made the result says how."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, Protocol

if TYPE_CHECKING:
    import pandas as pd

    from canassist.model.result import Result


Units = Literal["metric", "us"]
"""Systems of units that a page is shown in."""


class ResultViews(Protocol):
    """Turns a result into pages, data and tables.

    The model knows no layer, so the pipeline hands one of these to each result that it makes.
    """

    def page(self, result: Result, *, units: Units, zone: str) -> str:
        """Return the whole report as one HTML page."""

    def data(self, result: Result) -> bytes:
        """Return the result JSON."""

    def notebook(self, result: Result) -> str:
        """Return answer, reasons and one picture as a piece of HTML."""

    def aligned(self, result: Result) -> pd.DataFrame:
        """Return all channels on one grid of times."""

    def write(self, path: str, content: bytes) -> None:
        """Write a file whole or not at all."""

"""What the pipeline hands to a result so that it can write its own report."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from canassist.model import Result, Units


@dataclass(frozen=True, slots=True)
class PackageViews:
    """Pages, data and tables by this package; each part is loaded when it is asked for."""

    def page(self, result: Result, *, units: Units, zone: str) -> str:
        """Return the whole report as one HTML page."""
        from canassist import report  # noqa: PLC0415 - most callers want figures, not pages

        return report.render_page(result, look=report.PageOptions(units, zone))

    def data(self, result: Result) -> bytes:
        """Return the result JSON, canonical."""
        from canassist import report  # noqa: PLC0415 - the same

        return report.result_json(result)

    def notebook(self, result: Result) -> str:
        """Return answer, reasons and one picture as a piece of HTML."""
        from canassist import report  # noqa: PLC0415 - the same

        return report.notebook_view(result)

    def aligned(self, result: Result) -> pd.DataFrame:
        """Return all channels on one grid of times, the time as index."""
        import pandas as pd  # noqa: PLC0415 - 0.4 s that most callers do not need

        from canassist.export import align  # noqa: PLC0415 - the same

        found = align(result)
        index = pd.Index(found.time_s, name="time_s")
        return pd.DataFrame({**found.values, **found.words}, index=index)

    def write(self, path: str, content: bytes) -> None:
        """Write a file whole or not at all."""
        from canassist.atomic_write import write_whole  # noqa: PLC0415 - the same

        write_whole({Path(path): content})

"""The ride's figure as a picture of its own, for places that show an answer beside others."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from markupsafe import escape

from canassist.report.charts.ride_chart import RideCharts
from canassist.report.charts.static_figures import draw
from canassist.report.charts.static_marks import HALO, INK, textures
from canassist.report.page.measures import Measures
from canassist.report.page.times import RideClock
from canassist.time_zones import find_zone

if TYPE_CHECKING:
    from canassist.model import Result

WIDTH_PX: Final = 960
_RIGHT_PX: Final = 44
"""Room for the marks of the axes."""


def answer_picture(result: Result) -> str:
    """Return the rows that carry the answer as one SVG file that needs nothing else."""
    clock = RideClock(result.log.start_utc, find_zone("UTC"))
    chart = RideCharts(result, Measures(), clock).ride()
    inner = WIDTH_PX - _RIGHT_PX
    still = str(draw(chart)).replace('width="100%"', f'width="{inner}"', 1)
    labels = "".join(
        f'<text x="4" y="{top + 11}" fill="{INK}" font-size="11" {HALO}>'
        f"{escape(row.label)} {escape(row.unit)}</text>"
        for row, top in zip(chart.rows, chart.tops(), strict=True)
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH_PX} {chart.height_px + 8}"'
        f' width="{WIDTH_PX}" height="{chart.height_px + 8}"'
        ' font-family="Segoe UI,Noto Sans,DejaVu Sans,sans-serif">'
        f"{textures()}{still}{labels}</svg>"
    )

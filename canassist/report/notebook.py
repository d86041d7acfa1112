"""A result as a piece of HTML for notebooks: the answer, its reasons, one picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

from markupsafe import Markup

from canassist.report.charts.ride_chart import RideCharts
from canassist.report.charts.static_figures import draw
from canassist.report.page.document import sheet
from canassist.report.page.measures import Measures
from canassist.report.page.times import RideClock
from canassist.time_zones import find_zone

if TYPE_CHECKING:
    from canassist.model import Result


_HEIGHT_PX = 640


def notebook_view(result: Result) -> str:
    """Return answer, certainty, reasons and the ride's picture; every text is escaped.

    It stands in a frame of its own without scripts, so that its style and the notebook's
    do not meet.
    """
    first = result.conclusions[0]
    clock = RideClock(result.log.start_utc, find_zone("UTC"))
    inner = Markup(
        '<!doctype html><meta charset="utf-8"><style>{style}</style><main><h2>{answer}</h2>'
        "<p>{basis}</p><ul>{reasons}</ul>{picture}</main>"
    ).format(
        style=Markup(sheet("")),  # noqa: S704 - our own style sheet
        answer=first.headline,
        basis=first.basis,
        reasons=Markup().join(Markup("<li>{}</li>").format(item.text) for item in first.because),
        picture=draw(RideCharts(result, Measures(), clock).ride()),
    )
    frame = Markup(
        '<iframe sandbox title="canassist: {answer}" srcdoc="{inner}" '
        'style="width:100%;height:{height}px;border:0"></iframe>'
    )
    return str(frame.format(answer=first.headline, inner=str(inner), height=_HEIGHT_PX))

"""The sheet of what was learned: one law a row, with its data, its bounds and its sources."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from markupsafe import Markup

from canassist.report.charts.chart_values import (
    Chart,
    ChartLine,
    Row,
    Style,
    extremes,
    marks,
    nice_range,
    nice_step,
)
from canassist.report.charts.static_figures import draw
from canassist.report.page.document import css_string, sealed, style_policy, templates
from canassist.report.page.embedded_data import script_text
from canassist.report.page.masks import mask_vins
from canassist.report.page.times import duration
from canassist.report.seal import seal
from canassist.report.seal.statement import (
    PageStatement,
    StatedFile,
    own_versions,
    statement_json,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canassist.model import InputFile, LearnedLaw, LearnedModel

_HEIGHT_PX: Final = 150
_MOST_POINTS: Final = 600
POINTS_LEAST: Final = 5
"""A limit of fewer rides is told in words alone: a picture of three dots shows nothing."""

_SHOWN_UNITS: Final = {"degC": "°C", "ohm": "Ω", "share": "(share)", "-": ""}

_RIDDEN: Final = {
    "low_speed_steering_s": "Slow steering",
    "cruise_s": "Cruising",
    "rest_s": "Straight ahead or standing, hands off",
    "hot_s": "Module near or above where heat begins to tell",
    "engine_running_s": "Engine running",
    "charging_s": "Engine above its charging speed",
}


def render_learned(
    found: LearnedModel,
    *,
    options: Mapping[str, bool | float | str] | None = None,
    further: Sequence[InputFile] = (),
) -> str:
    """Return the sheet beside a learned profile; sealed, without scripts, whole in itself.

    Parameters
    ----------
    found : LearnedModel
        What `learning.learn` gives.
    options : mapping of str to JSON value, optional
        Options that decided the result; the sheet states them.
    further : sequence of InputFile
        Files that decided it besides, such as the list of vehicles.
    """
    environment = templates()
    learned = [law for law in found.laws if law.figure is not None]
    title = f"Learned from {found.rides} rides of {found.vehicles} vehicles"
    style = environment.get_template("style.css").render(identity=css_string(title), gutter_px=0)
    page = environment.get_template("learned.html").render(
        title=title,
        found=found,
        laws=[law for law in learned if _is_drawn(law)],
        figures=[law for law in learned if not _is_drawn(law)],
        conditions=_conditions(found),
        missing=[law for law in found.laws if law.figure is None],
        picture=_picture,
        value=_value,
        unit=_unit,
        duration=duration,
        mask=mask_vins,
        style=Markup(style),  # noqa: S704 - our own sheet; its one variable went through css_string
        policy=style_policy(style),
        statement=Markup(script_text(statement_json(_statement(found, options or {}, further)))),  # noqa: S704 - escaped there
        statement_id=seal.STATEMENT_ID,
    )
    return sealed(page, seal.Sealer())


def _statement(
    found: LearnedModel, options: Mapping[str, bool | float | str], further: Sequence[InputFile]
) -> PageStatement:
    inputs = tuple(
        StatedFile(
            role=item.role,
            name=mask_vins(item.name),
            sha256=item.sha256,
            size_bytes=item.size_bytes,
        )
        for item in (*found.inputs, *further)
    )
    stated = {name: value for name, value in options.items() if value}
    return PageStatement(kind="learning", inputs=inputs, options=stated, versions=own_versions())


def _is_drawn(law: LearnedLaw) -> bool:
    """Tell whether a law is worth a picture: a curve, or a limit with rides enough."""
    curve = law.figure.value if law.figure is not None else None
    if isinstance(curve, tuple):
        return len({point.x for point in law.points}) > 1
    return law.name.startswith("limits.") and len(law.points) >= POINTS_LEAST


def _conditions(found: LearnedModel) -> list[tuple[str, float, int, int]]:
    """Return what was ridden: its name, seconds in all, rides and vehicles."""
    table = []
    for name, words in _RIDDEN.items():
        have = [ride for ride in found.used if ride.seconds.get(name, 0.0) > 0.0]
        seconds = sum(ride.seconds[name] for ride in have)
        table.append((words, seconds, len(have), len({ride.vehicle for ride in have})))
    return table


def _picture(law: LearnedLaw) -> Markup:
    """Draw a law's data, a cloud over all vehicles, and the curve where there is one."""
    curve = law.figure.value if law.figure is not None else None
    points = law.points[:: max(1, len(law.points) // _MOST_POINTS)]
    x, y = np.array([p.x for p in points]), np.array([p.y for p in points])
    lines = [ChartLine(key=f"{law.name}-data", label="Rides", x=x, y=y, style=Style.POINTS)]
    if isinstance(curve, tuple):
        at, level = np.array(curve).T
        line = ChartLine(key=f"{law.name}-law", label="Law", x=at, y=level, style=Style.FIT)
        lines.append(line)
    low, high = float(min(x.min(), *(line.x.min() for line in lines))), float(x.max())
    high = max(high, low + 1.0)
    ticks = marks(low, high, nice_step(high - low, 6))
    row = Row(
        label=law.words,
        unit=_unit(law.unit),
        lines=tuple(lines),
        span=nice_range(extremes(lines), most=5, floor=1e-6),
        places=1 if law.unit == "%" else 3,
        height_px=_HEIGHT_PX,
    )
    chart = Chart(
        name=law.name.replace(".", "-").replace("_", "-"),
        message=law.words,
        rows=(row,),
        x_from=low,
        x_to=high,
        ticks=ticks,
        lower=tuple(f"{tick:g}" for tick in ticks),
        over_time=False,
        x_label=_unit(law.x_words),
    )
    return draw(chart)


def _unit(name: str) -> str:
    return _SHOWN_UNITS.get(name, name)


def _value(law: LearnedLaw) -> str:
    """Return a law's figure in words."""
    figure = law.figure
    if figure is None:
        return ""
    if isinstance(figure.value, tuple):
        points = figure.value
        at, unit = _unit(law.x_words), _unit(law.unit)
        return ", ".join(f"{x:g} {at}: {y:g} {unit}" for x, y in points)
    if isinstance(figure.value, float):
        return f"{figure.value:g} {_unit(law.unit)}".strip()
    return str(figure.value)

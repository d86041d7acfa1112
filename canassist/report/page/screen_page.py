"""The overview of many logs as one HTML page that needs nothing else."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Final

from markupsafe import Markup

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
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from canassist.model import (
        BlamedPart,
        FigureSpread,
        InputFile,
        Rate,
        ScreenedVehicle,
        Screening,
        Standing,
    )

_WIDTH: Final = 300.0
_HEIGHT: Final = 84.0
_EDGE: Final = 10.0
_FOOT: Final = 24.0
_TOP: Final = 6.0
_STEP: Final = 6.0
_COLUMN: Final = 5.0
_MOST_LINKS: Final = 12
_SHOWN: Final = {
    "Ω": ("mΩ", 1000.0, 0),
    "V": ("V", 1.0, 2),
    "N·m": ("N·m", 1.0, 2),
    "share": ("%", 100.0, 0),
    "s/min": ("s/min", 1.0, 1),
    "°C": ("°C", 1.0, 1),
}
"""How each unit is shown, by what it is multiplied, and with how many places."""
_BRIEF: Final = {
    "path_ohm": "path resistance",
    "charging_v": "charging voltage",
    "offset_nm": "torque at rest",
    "assist_share": "assist given",
    "side_share": "right against left",
    "derate_s_per_slow_min": "assist reduced",
    "heat_s_per_slow_min": "reduced by heat",
    "onset_c": "heat derating from",
}


def render_screening(
    found: Screening,
    *,
    inputs: Sequence[InputFile] = (),
    options: Mapping[str, bool | float | str] | None = None,
) -> str:
    """Return the overview of many logs.

    Parameters
    ----------
    found : Screening
        What the logs say together.
    inputs : sequence of InputFile
        Databases, profile and list of vehicles that it was made with; the page states them.
    options : mapping of str to JSON value, optional
        Options that decided the result; the page states them.

    Returns
    -------
    str
        The page; its one script only sorts and filters, it loads nothing, and is sealed.
    """
    environment = templates()
    title = f"Screening of {found.logs} logs"
    identity = f"canassist screening   {found.logs} logs"
    sheet = environment.get_template("style.css")
    style = sheet.render(identity=css_string(identity), gutter_px=0)  # no live plot is here
    style += environment.get_template("screening.css").render()
    script = environment.get_template("screening.js").render()
    drawn = [item for item in found.spreads if item.vehicles]
    label = partial(vehicle_label, root=found.root)
    page = environment.get_template("screening.html").render(
        title=title,
        found=found,
        flagged=[item for item in found.vehicles if item.flagged],
        tables=_tables(found),
        groups=_groups(found),
        spreads=[strip(item, found.root) for item in drawn],
        units={str(item.figure): _SHOWN[item.figure.unit][0] for item in drawn},
        words={str(item.figure): _BRIEF[item.figure].capitalize() for item in found.spreads},
        label=label,
        name_of={item.place: label(item) for item in found.vehicles},
        reasons=sorted({part.code for item in found.vehicles for part in item.blamed}),
        log_name=lambda item: mask_vins(item.log.removeprefix(found.root)),
        mask=mask_vins,
        number=number,
        percent=percent,
        why=why_flagged,
        fit=fit_words,
        count_words=count_words,
        duration=duration,
        most_links=_MOST_LINKS,
        style=Markup(style),  # noqa: S704 - our own sheets; the one variable went through css_string
        script=Markup(script),  # noqa: S704 - our own, without a variable
        policy=style_policy(style, script),
        statement=Markup(script_text(statement_json(_statement(inputs, options or {})))),  # noqa: S704 - escaped there
        statement_id=seal.STATEMENT_ID,
    )
    return sealed(page, seal.Sealer())


def _tables(found: Screening) -> list[tuple[str, str, list[ScreenedVehicle]]]:
    """Return the lists of vehicles: what each is called, in a word, and who stands in it."""
    words = {
        "look": "Want looking at",
        "untold": "Nothing can be told: no ride answers, or the database is another vehicle’s",
        "hot": "Reduced by heat or duty as designed: no fault of the vehicle",
        "usual": "Nothing stands out",
        "little": "Too little riding to rank",
    }
    lists: dict[str, list[ScreenedVehicle]] = {name: [] for name in words}
    for item in found.vehicles:
        lists[_list_of(item)].append(item)
    return [(name, words[name], items) for name, items in lists.items() if items]


def _list_of(item: ScreenedVehicle) -> str:
    if item.flagged:
        return "look"
    if not item.ranked:
        return "little"
    if not item.answered:
        return "untold"
    return "hot" if item.designed else "usual"


def _statement(
    inputs: Sequence[InputFile], options: Mapping[str, bool | float | str]
) -> PageStatement:
    files = tuple(
        StatedFile(
            role=item.role,
            name=mask_vins(item.name),
            sha256=item.sha256,
            size_bytes=item.size_bytes,
            bus=item.bus,
        )
        for item in inputs
    )
    stated = {name: value for name, value in options.items() if value}
    return PageStatement(kind="screening", inputs=files, options=stated, versions=own_versions())


def _groups(found: Screening) -> list[tuple[str, str, Sequence[Rate]]]:
    """Return name, what is counted, and rates of each way to count vehicles."""
    return [
        ("conclusion", "Vehicles with this on any ride", found.by_code),
        ("batch", "Flagged vehicles", found.by_batch),
        ("model year", "Flagged vehicles", found.by_model_year),
        ("month", "Vehicles with a fault on a ride then", found.by_month),
    ]


def vehicle_label(vehicle: ScreenedVehicle, root: str) -> str:
    """Return what a vehicle is called on the page: vehicle numbers masked.

    One that stands for a log of no known vehicle is called as the log is, below `root`.
    """
    return mask_vins(vehicle.name.removeprefix(root))


def count_words(count: int, noun: str) -> str:
    """Return a count with its noun: "1 log", "2 logs"."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def percent(share: float) -> str:
    """Return a share in whole per cent."""
    return f"{100 * share:.0f} %"


def number(value: float, unit: str) -> str:
    """Return a figure with its unit and as many places as it deserves."""
    shown, scale, places = _SHOWN[unit]
    rounded = round(value * scale, places) + 0.0  # no minus before zero
    return f"{rounded:.{places}f} {shown}".replace("-", "−")


def why_flagged(vehicle: ScreenedVehicle) -> str:
    """Return in a few words why a vehicle is where it is in the list."""
    if not vehicle.ranked:
        return f"too little riding ({duration(vehicle.riding_s)})"
    reasons = [_blamed(item, vehicle.rides) for item in vehicle.blamed]
    reasons += [_apart(item) for item in vehicle.standings if item.outlier]
    if vehicle.fit_reason:
        reasons.append("the database is another vehicle’s")
    elif set(vehicle.codes) == {"inconclusive"}:
        reasons.append("no ride answers why the steering was heavy")
    if vehicle.designed:
        reasons.append("assist was reduced by heat or duty as designed")
    return "; ".join(reasons) or "nothing stands out"


def fit_words(vehicle: ScreenedVehicle) -> str:
    """Say how the databases go with the vehicle's bus, by the ride that they fit least."""
    if vehicle.fit_known is None:
        return ""
    return "another vehicle’s" if vehicle.fit_reason else percent(vehicle.fit_known)


def _blamed(item: BlamedPart, rides: int) -> str:
    words = item.code.replace("_", " ")
    if not item.sure:
        words = f"{words} suspected"
    where = f", {item.rides} of {rides} logs" if rides > 1 else ""
    return f"{words} ({item.strength}{where})"


def _apart(standing: Standing) -> str:
    """Say a figure that stands apart, beside that of the others."""
    unit = standing.figure.unit
    others = "" if standing.others is None else f" (others {number(standing.others, unit)})"
    return f"{_BRIEF[standing.figure]} {number(standing.value, unit)}{others}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """One small picture: a dot for each vehicle along the figure's axis."""

    title: str
    summary: str
    dots: tuple[dict[str, Any], ...]  # Any: templates take any value
    low: str
    high: str
    band: tuple[float, float] | None
    width: float = _WIDTH
    height: float = _HEIGHT


def strip(spread: FigureSpread, root: str = "") -> Strip:
    """Place the vehicles' dots; those of like value are stacked."""
    width = (spread.high - spread.low) or 1.0

    def x(value: float) -> float:
        inside = min(max(value, spread.low), spread.high)
        return round(_EDGE + (inside - spread.low) / width * (_WIDTH - 2 * _EDGE), 1)

    known = math.isfinite(spread.middle)
    band = (x(spread.middle - spread.spread), x(spread.middle + spread.spread)) if known else None
    summary = count_words(spread.vehicles, "vehicle")
    if known:
        summary += f", middle {number(spread.middle, spread.figure.unit)}, {spread.outliers} apart"
    else:
        summary += "; too few to say who stands apart"
    return Strip(
        title=spread.words,
        summary=summary,
        dots=tuple(_dots(spread, x, root)),
        low=number(spread.low, spread.figure.unit),
        high=number(spread.high, spread.figure.unit),
        band=band,
    )


def _dots(
    spread: FigureSpread, x: Callable[[float], float], root: str
) -> Iterator[dict[str, Any]]:  # Any: templates take any value
    stacked: dict[int, int] = {}

    def at(value: float) -> dict[str, Any]:  # Any: the same
        column = int(x(value) // _COLUMN)
        stacked[column] = stacked.get(column, -1) + 1
        return {"x": x(value), "y": max(_TOP, _HEIGHT - _FOOT - _STEP * stacked[column])}

    for value in spread.usual:
        yield at(value) | {"outlier": False}
    for place, name, value in spread.apart:
        text = f"{mask_vins(name.removeprefix(root))}: {number(value, spread.figure.unit)}"
        yield at(value) | {"outlier": True, "place": place, "text": text}

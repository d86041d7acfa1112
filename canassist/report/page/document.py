"""One self-contained page: style, pictures, data and seal in a single file.

A strict policy stands in the page: nothing is loaded, and of scripts only the page's
own loader and the plot library run, each named by its hash.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, Final

import jinja2
from markupsafe import Markup

from canassist.report.charts.chart_values import BOLD_PX, GUTTER_PX, LETTER_PX, WIDE_PX
from canassist.report.charts.event_styles import EVENT_STYLES
from canassist.report.charts.interactive_figures import (
    EPOCH_MS,
    GRID,
    LIMIT,
    NUMBER,
    PAPER,
    ROOM,
    TINT_STRENGTH,
    WIDE_LIMIT,
    WIDE_STRENGTH,
    data_table,
    faded,
    figure,
)
from canassist.report.charts.static_figures import draw, swatch
from canassist.report.charts.static_marks import FAINT, INK, textures
from canassist.report.page import packing
from canassist.report.page.embedded_data import (
    UNSOUND_CODES,
    embedded_text,
    is_packed,
    script_text,
)
from canassist.report.page.shortening import short, stopped
from canassist.report.page.tables import chart_table
from canassist.report.seal import seal
from canassist.report.seal.signing import fingerprint
from canassist.report.seal.statement import statement_json

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canassist.report.charts.chart_values import Chart
    from canassist.report.seal.statement import PageStatement

_EMPTY: Final = ""
"""plotly adds an empty style element and fills it by script: its hash is allowed."""

PAPER_STYLES: Final = {paper: f"@page{{size:{paper}}}" for paper in ("A4", "letter")}
"""What a printing program may add to the page; their hashes are in its policy."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """What a page is made of.

    Attributes
    ----------
    template : str
        Name of the body's template.
    context : mapping
        What the template shows; every text in it is escaped there.
    charts : sequence of Chart
        Every picture on the page.
    data : bytes
        The page's result as canonical JSON.
    statement : PageStatement
        All that was stated; it stands in the page as data, so that it can be made again.
    title, identity : str
        Title of the page; what identifies it on every printed page.
    """

    template: str
    context: Mapping[str, Any]  # Any: templates take any value
    charts: Sequence[Chart]
    data: bytes
    statement: PageStatement
    title: str
    identity: str


def build(document: Document, *, sealer: seal.Sealer | None = None) -> str:
    """Return a page as one HTML text, sealed and, where its sealer has a key, signed.

    Raises
    ------
    CanassistError
        If the key cannot be used or the plot library is missing.
    """
    environment = templates()
    style, loader = sheet(document.identity), _loader()
    library, figures = packing.packed_library(), _figures(document.charts)
    sealer = sealer or seal.Sealer()
    scripts = {
        seal.STATEMENT_ID: script_text(statement_json(document.statement)),
        seal.RESULT_ID: embedded_text(document.data),
        seal.FIGURES_ID: figures,
        seal.LIBRARY_ID: library,
        seal.LOADER_ID: loader,
    }
    charts = {chart.name: chart for chart in document.charts}
    page = environment.get_template(document.template).render(
        **document.context,
        title=document.title,
        identity=document.identity,
        charts=charts,
        draw=draw,
        swatch=swatch,
        chart_table=chart_table,
        textures=textures(),
        style=Markup(style),  # noqa: S704 - our own sheet; its one variable went through css_string
        policy=_policy(style, loader),
        packed=is_packed(scripts[seal.RESULT_ID]),
        scripts={name: Markup(text) for name, text in scripts.items()},  # noqa: S704 - see embedded_text
        signer=fingerprint(sealer.key) if sealer.key else "",
    )
    return sealed(page, sealer)


def sealed(page: str, sealer: seal.Sealer) -> str:
    """Return a page's text, sound and with the seal at its end."""
    page = sound_text(page).rstrip("\n") + "\n"
    return page + sealer.field(page.encode()).decode("ascii")


def sheet(identity: str) -> str:
    """Return the style sheet; `identity` runs along the foot of printed pages."""
    sheet = templates().get_template("style.css")
    return sheet.render(identity=css_string(identity), gutter_px=GUTTER_PX)


def _loader() -> str:
    """Return the page's own script."""
    return (
        templates()
        .get_template("page.js")
        .render(
            alphabet=packing.ALPHABET,
            dark=json.dumps(_dark_colours(), sort_keys=True),
            epoch_ms=EPOCH_MS,
            number=NUMBER,
            room=ROOM,
            limit=LIMIT,
            wide_limit=WIDE_LIMIT,
            narrow_px=WIDE_PX,
            letter_px=LETTER_PX,
            bold_px=BOLD_PX,
            gutter_px=GUTTER_PX,
        )
    )


def sound_text(text: str) -> str:
    """Return a page's text without what a browser would change or hide.

    Control characters, halves of surrogate pairs and marks that turn the direction of
    writing (a way to make text look like other text) become U+FFFD.
    """
    return _UNSOUND.sub("\ufffd", text)


_UNSOUND: Final = re.compile("[" + "".join(re.escape(chr(code)) for code in UNSOUND_CODES) + "]")


def _dark_colours() -> dict[str, str]:
    """Return what each colour of the interactive pictures becomes in the dark."""
    found = {
        INK: "#e8e6e1",
        FAINT: "#a9aeb5",
        PAPER: "#15191e",
        GRID: "rgba(232,230,225,0.12)",
    }
    for look in EVENT_STYLES.values():
        found[look.edge] = look.dark_edge
        for share in (TINT_STRENGTH, WIDE_STRENGTH):
            found[faded(look.hue, share)] = faded(look.dark_edge, share)
    return found


def css_string(text: str) -> str:
    """Return text as it may stand between quotes in a style sheet.

    Everything but plain letters, digits and blanks becomes an escape of six digits.
    """
    return "".join(
        char if char == " " or (char.isascii() and char.isalnum()) else f"\\{ord(char):06x}"
        for char in text
    )


@cache
def templates() -> jinja2.Environment:
    """Return the templates; every text is escaped unless marked as our own markup."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("canassist.report.page"),
        autoescape=jinja2.select_autoescape(("html",)),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"short": short, "stopped": stopped}
    return environment


def prepare() -> None:
    """Load and compress what every page needs; once a process, and safe to do ahead."""
    packing.packed_library()
    environment = templates()
    for name in ("style.css", "page.js", "parts.html", "report.html", "seal.html"):
        environment.get_template(name)


def _figures(charts: Sequence[Chart]) -> str:
    content = {
        "data": data_table(charts),
        "figures": {chart.name: figure(chart) for chart in charts},
    }
    text = json.dumps(content, separators=(",", ":"), ensure_ascii=False)
    return packing.pack(sound_text(text).encode("utf-8"))


def _policy(style: str, loader: str) -> str:
    scripts = f"{_hash(loader)} {_hash_bytes(packing.plot_library())}"
    styles = " ".join(_hash(text) for text in (style, _EMPTY, *PAPER_STYLES.values()))
    return (
        f"default-src 'none'; script-src {scripts}; style-src {styles}; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )


def style_policy(style: str, script: str = "") -> str:
    """Return the policy of a page with one style sheet, and one script or none at all."""
    scripts = f"script-src {_hash(script)}; " if script else ""
    return (
        f"default-src 'none'; {scripts}style-src {_hash(style)}; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )


def _hash(text: str) -> str:
    return _hash_bytes(text.encode("utf-8"))


def _hash_bytes(content: bytes) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(content).digest()).decode('ascii')}'"

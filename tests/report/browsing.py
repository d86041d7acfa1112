"""A page opened in a browser, and what can be asked of it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Locator, Page

WIDE, NARROW = (1280, 900), (390, 844)
Scheme = Literal["light", "dark"]

KNOWN_REFUSAL = "Applying inline style violates"
"""The plot library asks whether images may be drawn without smoothing, by way of a style
attribute. The policy refuses it, and the library draws without."""


@dataclass
class Seen:
    """What happened in a page while it was open."""

    requests: list[str] = field(default_factory=list)
    messages: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    dialogs: list[str] = field(default_factory=list)


@contextmanager
def opened(
    browser: Browser,
    path: Path,
    *,
    size: tuple[int, int] = WIDE,
    scheme: Scheme = "light",
    scripts: bool = True,
) -> Iterator[tuple[Page, Seen]]:
    """Open a page with everything that it does on record; its first picture is drawn."""
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]},
        color_scheme=scheme,
        java_script_enabled=scripts,
        accept_downloads=True,
    )
    seen, page = Seen(), context.new_page()
    page.on("request", lambda request: seen.requests.append(request.url))
    page.on("console", lambda message: seen.messages.append(message.text))
    page.on("pageerror", lambda error: seen.errors.append(str(error)))
    page.on("dialog", lambda dialog: (seen.dialogs.append(dialog.message), dialog.dismiss()))
    page.goto(path.as_uri())
    if scripts:
        page.locator(".plot:has(.live)").first.scroll_into_view_if_needed()
        page.wait_for_selector(".live .main-svg")
        page.evaluate("() => scrollTo(0, 0)")
    yield page, seen
    context.close()


def open_all(page: Page) -> None:
    """Show what waits behind a control."""
    for opener in page.locator("details.opener:not([open]) > summary").all():
        opener.click()


def draw_all(page: Page) -> None:
    """Scroll through the page until every picture is drawn."""
    open_all(page)
    for place in range(page.locator(".live").count()):
        # Not Playwright's own scrolling: it first waits for a box that keeps still, and
        # boxes move while the pictures above them are drawn.
        box = page.locator(".live").nth(place)
        box.evaluate("box => box.parentElement.scrollIntoView()")
        box.locator(".main-svg").first.wait_for()


def violations(
    browser: Browser, path: Path, size: tuple[int, int], scheme: Scheme
) -> list[dict[str, Any]]:
    """Return what axe-core has to say against a page, all its pictures drawn."""
    with opened(browser, path, size=size, scheme=scheme) as (page, _):
        draw_all(page)
        for opener in page.locator("details.as-table summary").all()[:2]:
            opener.click()
        result = Axe().run(page)
    return [
        {"id": item["id"], "nodes": [node["html"][:200] for node in item["nodes"][:3]]}
        for item in result.response["violations"]
    ]


def walk(page: Page, steps: int) -> list[str]:
    """Press Tab and return where each press led; every stop must show its focus."""
    stops = []
    for _ in range(steps):
        page.keyboard.press("Tab")
        focus = page.locator(":focus")
        if not focus.count():
            break
        outline = focus.evaluate("e => getComputedStyle(e).outlineStyle")
        assert outline != "none", focus.evaluate("e => e.outerHTML.slice(0, 120)")
        stops.append(focus.evaluate("e => (e.innerText || e.ariaLabel || e.id).slice(0, 60)"))
    return stops


def x_range(picture: Locator) -> list[float]:
    """Return what a live picture's horizontal axis spans."""
    return list(
        picture.evaluate(
            "box => box.layout.xaxis.range.map((x) => (typeof x === 'string'"
            " ? Date.parse(x + 'Z') : x))"
        )
    )

"""The page as PDF, printed by an installed browser of the Chromium family."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Final, Literal

from canassist.atomic_write import write_whole
from canassist.errors import MissingExtraError, OutputError
from canassist.report.page.document import PAPER_STYLES

BROWSER_VARIABLE: Final = "CANASSIST_BROWSER"
_NAMES: Final = ("chromium", "chromium-browser", "chrome", "headless_shell")
_TIME_LIMIT_S: Final = 120
_FLAGS: Final = (
    "--headless",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--no-first-run",
    "--no-pdf-header-footer",
)


def find_browser() -> str | None:
    """Return an installed browser that can print, or None.

    The environment variable ``CANASSIST_BROWSER`` names one that is not found by itself.
    """
    named = os.environ.get(BROWSER_VARIABLE, "")
    for name in (named, *_NAMES):
        found = shutil.which(name) if name else None
        if found:
            return found
    return None


def need_browser() -> str:
    """Return an installed browser that can print.

    Raises
    ------
    MissingExtraError
        If there is none.
    """
    browser = find_browser()
    if browser is None:
        problem = "No browser of the Chromium family was found to print with."
        fix = f"Install one or name it in {BROWSER_VARIABLE}; or print the page from any browser."
        raise MissingExtraError(problem, fix)
    return browser


def print_pdf(page: Path, pdf: Path, *, paper: Literal["A4", "letter"] = "A4") -> None:
    """Print a report to PDF.

    Parameters
    ----------
    page : path
        A report as `render_page` makes it.
    pdf : path
        Where the PDF goes; appears whole or not at all.
    paper : {"A4", "letter"}, optional
        Paper size.

    Raises
    ------
    MissingExtraError
        If no browser is found.
    OutputError
        If the browser fails.
    """
    browser = need_browser()
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        source = Path(folder) / "page.html"
        source.write_text(_for_paper(page.read_text("utf-8"), paper), encoding="utf-8")
        target = Path(folder) / "page.pdf"
        _run(browser, source, target, Path(folder) / "profile")
        write_whole({pdf: target.read_bytes()})


def _for_paper(html: str, paper: str) -> str:
    """Return the page with a paper size in its print rules, as its policy allows."""
    return html.replace("</head>", f"<style>{PAPER_STYLES[paper]}</style></head>", 1)


def _run(browser: str, source: Path, target: Path, profile: Path) -> None:
    flags = [*_FLAGS, f"--user-data-dir={profile}", f"--print-to-pdf={target}"]
    if getattr(os, "geteuid", lambda: 1)() == 0:
        flags.append("--no-sandbox")  # the browser refuses to start as root with it
    try:
        done = subprocess.run(  # noqa: S603 - an installed browser on our own file
            [browser, *flags, source.as_uri()],
            check=False,
            capture_output=True,
            timeout=_TIME_LIMIT_S,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        problem = f"The browser {Path(browser).name} did not print: {error}."
        raise OutputError(problem, "Print the page from the browser itself.") from error
    if not target.is_file():
        last = done.stderr.decode("utf-8", "replace").strip().splitlines()[-1:]
        problem = f"The browser {Path(browser).name} printed nothing ({' '.join(last)[:200]})."
        raise OutputError(problem, "Print the page from the browser itself.")

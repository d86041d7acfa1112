"""The printed report: two to five pages, named on each, on A4 and Letter."""

from __future__ import annotations

import re
import shutil
import stat
import subprocess
from pathlib import Path

import pytest

from canassist.errors import MissingExtraError, OutputError
from canassist.model import Result
from canassist.report import pdf
from canassist.report.data.result_json import result_json
from canassist.report.page.ride_page import page_number
from canassist.report.pdf import find_browser, print_pdf

SIZES = {"A4": (595, 842), "letter": (612, 792)}


@pytest.fixture
def no_browser(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(pdf.BROWSER_VARIABLE, "")
    monkeypatch.setattr(pdf.shutil, "which", lambda _: None)


def test_without_a_browser_it_says_what_to_do(no_browser: None, tmp_path: Path) -> None:
    page = tmp_path / "ride.html"
    page.write_text("<html></html>", encoding="utf-8")
    with pytest.raises(MissingExtraError, match="Chromium") as caught:
        print_pdf(page, tmp_path / "ride.pdf")
    assert pdf.BROWSER_VARIABLE in caught.value.fix
    assert not (tmp_path / "ride.pdf").exists()


def test_a_browser_that_prints_nothing_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    broken = tmp_path / "broken-browser"
    broken.write_text("#!/bin/sh\necho no display >&2\nexit 3\n", encoding="utf-8")
    broken.chmod(broken.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setenv(pdf.BROWSER_VARIABLE, str(broken))
    page = tmp_path / "ride.html"
    page.write_text("<html></html>", encoding="utf-8")
    with pytest.raises(OutputError, match="no display"):
        print_pdf(page, tmp_path / "ride.pdf")
    assert not (tmp_path / "ride.pdf").exists()


@pytest.mark.browser
@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_two_to_five_pages_each_with_its_name(
    page_file: Path, result: Result, tmp_path: Path, paper: str
) -> None:
    pages = printed(page_file, tmp_path, paper)
    assert 2 <= len(pages) <= 5
    number = page_number(result_json(result))
    for place, text in enumerate(pages, start=1):
        assert f"canassist report {number}" in text
        assert f"Page {place} of {len(pages)}" in text
    assert "It protected itself as designed." in pages[0]
    assert "Road speed" in pages[0]


@pytest.mark.slow
@pytest.mark.browser
@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_every_sample_prints_on_two_to_five_pages(
    sample_pages: list[Path], tmp_path: Path, paper: str
) -> None:
    counts = {path.name: len(printed(path, tmp_path, paper)) for path in sample_pages}
    assert {name: count for name, count in counts.items() if not 2 <= count <= 5} == {}


def printed(page: Path, folder: Path, paper: str) -> list[str]:
    """Print a page and return the text of each sheet."""
    if find_browser() is None:
        pytest.skip("no browser of the Chromium family is installed")
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext (poppler-utils) is not installed")
    target = folder / f"{page.stem}.{paper}.pdf"
    print_pdf(page, target, paper=paper)  # type: ignore[arg-type]  # parametrised
    about = subprocess.run(["pdfinfo", target], capture_output=True, text=True, check=True).stdout
    size = re.search(r"Page size: +([\d.]+) x ([\d.]+)", about)
    assert size is not None
    assert [float(side) for side in size.groups()] == pytest.approx(SIZES[paper], abs=1)
    command = ["pdftotext", "-layout", target, "-"]
    text = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    return text.split("\f")[:-1]

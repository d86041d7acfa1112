"""``canassist verify`` and ``keys`` on real files: first line, exit status, keys, names, bounds."""

from __future__ import annotations

import os
import shutil
import stat
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest
from typer.testing import CliRunner

from canassist.cli.app import app
from canassist.report.seal.page_parts import part_of, script
from canassist.report.seal.seal import LENGTH, STATEMENT_ID, Sealer

KNOWN = ["--dbc", "demo_trail_vehicle.dbc", "--profile", "demo_trail_vehicle.toml"]
CASE = ["--complaint", "Heavy uphill", "--vehicle", "1M8GDM9AXKP042789", "--at", "0:20"]


def said(*arguments: str) -> tuple[int, list[str]]:
    done = CliRunner().invoke(app, list(arguments))
    return done.exit_code, done.output.splitlines()


def first(*arguments: str) -> tuple[int, str]:
    status, lines = said("verify", *arguments)
    return status, lines[0]


@pytest.fixture(scope="module")
def shop(first_version: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with rides, a key, and reports on them, signed and not."""
    folder = tmp_path_factory.mktemp("shop")
    for name in ("ride_a.log.gz", "ride_b.log.gz", *KNOWN[1::2]):
        shutil.copy(first_version / name, folder)
    before = Path.cwd()
    os.chdir(folder)
    try:
        assert said("keys", "workshop")[0] == 0
        assert said("report", "ride_a.log.gz", *KNOWN, *CASE, "-o", "plain.html")[0] == 0
        signed = [*KNOWN, "--units", "us", "--zone", "Europe/Berlin", "--sign", "workshop.key"]
        assert said("report", "ride_a.log.gz", *signed, "-o", "signed.html")[0] == 0
    finally:
        os.chdir(before)
    return folder


@pytest.fixture
def here(shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a copy of the shop as the current folder, with a configuration folder of its own."""
    folder = tmp_path / "shop"
    shutil.copytree(shop, folder)
    monkeypatch.chdir(folder)
    monkeypatch.setattr("typer.get_app_dir", lambda name: str(tmp_path / "config" / name))
    return folder


def test_an_unsigned_page_is_proven_by_its_files(here: Path) -> None:
    assert first("plain.html") == (0, "UNDAMAGED, UNSIGNED")
    files = ["--log", "ride_a.log.gz", *KNOWN]
    assert first("plain.html", *files) == (0, "MADE AGAIN, UNSIGNED")
    assert first("plain.html", *files, "--key", "workshop.pub") == (4, "SIGNED BY ANOTHER KEY")


def test_copies_under_other_names_are_the_same_files(here: Path) -> None:
    (here / "copies").mkdir()
    names = ["copies/1.log.gz", "copies/2.dbc", "copies/3.toml"]
    for old, new in zip(["ride_a.log.gz", *KNOWN[1::2]], names, strict=True):
        (here / old).rename(new)
    given = ["--log", names[0], "--dbc", names[1], "--profile", names[2]]
    assert first("plain.html", *given) == (0, "MADE AGAIN, UNSIGNED")


def test_links_are_not_needed_to_make_it_again(here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Some systems give no links to everyone: files are copied then."""

    def refused(*_: object) -> None:
        raise OSError

    monkeypatch.setattr(os, "symlink", refused)
    monkeypatch.setattr(os, "link", refused)
    files = ["--log", "ride_a.log.gz", *KNOWN]
    assert first("plain.html", *files) == (0, "MADE AGAIN, UNSIGNED")


def test_other_and_missing_files_are_named(here: Path) -> None:
    wrong = "NOT FROM THESE FILES"
    assert first("plain.html", "--log", "ride_b.log.gz", *KNOWN) == (4, wrong)
    assert first("plain.html", "--log", "ride_a.log.gz") == (4, wrong)
    assert first("plain.html", "--log", "ride_a.log.gz", "--log", "ride_b.log.gz", *KNOWN) == (
        4,
        wrong,
    )
    assert first("plain.html", "--dbc", "demo_trail_vehicle.dbc") == (0, "UNDAMAGED, UNSIGNED")


def test_a_lie_with_a_new_seal_is_refused_by_its_files_and_never_called_genuine(here: Path) -> None:
    body = (here / "plain.html").read_bytes()[:-LENGTH]
    lie = body.replace(b"No fault shows", b"The module is faulty", 1)
    assert lie != body
    (here / "lie.html").write_bytes(lie + Sealer().field(lie))
    status, lines = said("verify", "lie.html")
    assert (status, lines[0]) == (0, "UNDAMAGED, UNSIGNED")
    assert "does not prove that the report is genuine" in lines[1]
    status, lines = said("verify", "lie.html", "--log", "ride_a.log.gz", *KNOWN)
    assert (status, lines[0]) == (4, "NOT FROM THESE FILES")
    assert any("another page" in line for line in lines)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b'"name":"ride_a.log.gz"', b'"name":"../ride_a.log.gz"'),
        (b'"name":"ride_a.log.gz"', b'"name":".."'),
        (b'"units":"metric"', b'"units":"metric","zone":"Nowhere/Land"'),
        (b'"complaint":"Heavy uphill"', b'"complaint":"Heavy uphill","price":"9"'),
        (b'"moments_s":[20]', b'"moments_s":[-1e300]'),
        (b'"moments_s":[20]', b'"moments_s":[20],"options":{"surprise":true}'),
        (b'"kind":"report"', b'"kind":"learning"'),
        (b'"kind":"report"', b'"kind":"comparison"'),
    ],
)
def test_a_statement_that_cannot_be_is_refused_in_words(here: Path, old: bytes, new: bytes) -> None:
    body = (here / "plain.html").read_bytes()[:-LENGTH]
    text = part_of(body, STATEMENT_ID)
    assert text is not None
    lie = body.replace(text, text.replace(old, new, 1), 1)
    assert lie != body
    (here / "lie.html").write_bytes(lie + Sealer().field(lie))
    status, lines = said("verify", "lie.html", "--log", "ride_a.log.gz", *KNOWN)
    assert (status, lines[0]) == (4, "NOT FROM THESE FILES"), lines


def test_keys_are_named_by_file_or_fingerprint_and_several_may_be(here: Path) -> None:
    said("keys", "other")
    status, lines = said("verify", "signed.html")
    assert (status, lines[0]) == (0, "SIGNED, KEY NOT CHECKED")
    shown = lines[1].split("key ")[1].rstrip(".")
    for key in ("workshop.pub", shown, shown.replace(" ", ""), shown.upper()):
        assert first("signed.html", "--key", key) == (0, "GENUINE")
    assert first("signed.html", "--key", "other.pub") == (4, "SIGNED BY ANOTHER KEY")
    both = ["--key", "other.pub", "--key", "workshop.pub"]
    assert first("signed.html", *both) == (0, "GENUINE")
    files = ["--log", "ride_a.log.gz", *KNOWN]
    assert first("signed.html", *files, "--key", "workshop.pub") == (0, "GENUINE")
    assert said("verify", "signed.html", "--key", "gone.pub")[0] == 3
    assert said("verify", "signed.html", "--key", "workshop.key")[0] == 3


def test_trusted_keys_make_a_page_genuine(here: Path, tmp_path: Path) -> None:
    status, lines = said("keys", "--trust", "The workshop", "workshop.pub")
    assert status == 0, lines
    assert (tmp_path / "config" / "canassist" / "trusted_keys.toml").is_file()
    status, lines = said("verify", "signed.html")
    assert (status, lines[0]) == (0, "GENUINE")
    assert "The workshop, a key that you trust" in lines[1]
    said("keys", "other")
    assert first("signed.html", "--key", "other.pub") == (4, "SIGNED BY ANOTHER KEY")
    assert said("keys", "--trust", "x", "workshop.key")[0] == 3
    assert said("keys", "--trust", "x", "gone.pub")[0] == 3


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such access bits")
def test_a_private_key_is_its_owners_alone_from_its_first_byte_on(
    here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    modes = []
    real = os.open

    def watched(path: Path, flags: int, mode: int = 0o777) -> int:
        handle = real(path, flags, mode)
        modes.append((Path(path).name, stat.S_IMODE(os.fstat(handle).st_mode)))
        return handle

    monkeypatch.setattr(os, "open", watched)
    before = os.umask(0)
    try:
        assert said("keys", "fresh")[0] == 0
    finally:
        os.umask(before)
    assert ("fresh.key", 0o600) in modes
    assert stat.S_IMODE((here / "fresh.key").stat().st_mode) == 0o600


@pytest.mark.parametrize("there", ["fresh.key", "fresh.pub", "link"])
def test_a_key_is_never_overwritten(here: Path, there: str) -> None:
    if there == "link":
        (here / "fresh.key").symlink_to(here / "nowhere")
    else:
        (here / there).write_text("mine")
    names = sorted(path.name for path in here.iterdir())
    status, lines = said("keys", "fresh")
    assert status == 2
    assert "never overwritten" in lines[0]
    assert sorted(path.name for path in here.iterdir()) == names


def test_a_key_that_appears_meanwhile_is_not_overwritten(
    here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (here / "fresh.key").write_text("mine")
    monkeypatch.setattr(os.path, "lexists", lambda _: False)
    status, lines = said("keys", "fresh")
    assert status == 2
    assert "never overwritten" in lines[0]
    assert (here / "fresh.key").read_text() == "mine"


def test_a_bad_key_is_refused_before_the_log_is_read(here: Path) -> None:
    (here / "notes.key").write_text("no key")
    (here / "ride_a.log.gz").write_bytes(b"unreadable")
    status, lines = said("report", "ride_a.log.gz", "--sign", "notes.key")
    assert status == 3
    assert "notes.key" in lines[0]


BIG = 10_000_000
MEASURED = """
import sys, time
from canassist.cli import main
begun = time.process_time()
sys.argv = ["canassist", "verify", *sys.argv[1:]]
status = main()
text = open("/proc/self/status").read()
peak_kb = text.split("VmHWM:")[1].split()[0]
print("MEASURED", peak_kb, time.process_time() - begun)
sys.exit(status)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="memory is told in these units on Linux alone")
@pytest.mark.parametrize(
    "kind",
    [
        "zeros",
        "nested tags",
        "nested data",
        "marks",
        "long statement",
        "many fields",
        "an old page",
        "a real page",
    ],
)
def test_any_file_of_ten_megabytes_is_verified_in_bounds(here: Path, kind: str) -> None:
    """Under 2 s of processor time and 200 MB, start of the interpreter included."""
    body = (here / "plain.html").read_bytes()[:-LENGTH]
    statement = b'<script type="application/json" id="canassist-statement">'
    contents = {
        "zeros": bytes(BIG),
        "nested tags": b"<!--canassist-seal/2 " + b"<b>" * (BIG // 3),
        "nested data": statement + b"[" * BIG,
        "marks": b"<!--canassist-seal/" * (BIG // 19),
        "long statement": _sealed(statement + b'{"a":' * (BIG // 5) + b"</script>"),
        "many fields": _sealed(body.replace(b'"kind"', b'"x":[' + b"[]," * 600_000 + b'0],"kind"')),
        "an old page": (
            b'<pre id="seal-manifest">{canassist-seal/1'
            + script("canassist-result")
            + b'{"inputs":['
            + b"[]," * (BIG // 3)
            + b"0]}</script>"
        ),
        "a real page": _sealed(body + b" " * (BIG - len(body))),
    }
    page = here / "page.html"
    page.write_bytes(contents[kind])
    command = [sys.executable, "-c", MEASURED, "page.html", "--dbc", "demo_trail_vehicle.dbc"]
    done = subprocess.run(command, capture_output=True, text=True, cwd=here, check=False)
    measured = done.stdout.splitlines()[-1].split()
    assert measured[0] == "MEASURED", done.stderr
    assert done.returncode in {3, 4, 0}
    assert int(measured[1]) < 200_000, kind
    assert float(measured[2]) < 2.0, kind


def _sealed(body: bytes) -> bytes:
    return body + Sealer().field(body)


def test_a_file_that_no_report_can_be_is_not_read(here: Path) -> None:
    page = here / "huge.html"
    with page.open("wb") as file:
        file.truncate(300 << 20)
    begun = time.process_time()
    status, lines = said("verify", "huge.html")
    assert status == 3
    assert "larger than any report" in lines[0]
    assert time.process_time() - begun < 1.0


def test_pages_of_the_first_version_are_called_old(here: Path, first_version: Path) -> None:
    files = ["--log", "ride_a.log.gz", *KNOWN]
    for name in ("unsigned", "signed"):
        page = str(first_version / f"{name}.html")
        assert first(page) == (4, "OLD SEAL")
        assert first(page, *files) == (4, "OLD SEAL")


def test_a_page_on_many_logs_is_made_again_from_their_folder(here: Path) -> None:
    for name in ("a", "b"):
        (here / "rides" / name).mkdir(parents=True)
        shutil.move(f"ride_{name}.log.gz", here / "rides" / name)
    asked = ["--report-of", "a", "--workers", "1"]
    status, lines = said("screen", "rides", "-o", "fleet", *KNOWN, *asked)
    assert status == 0, lines
    page = "fleet/overview.html"
    assert first(page) == (0, "UNDAMAGED, UNSIGNED")
    assert first(page, "--log", "rides", *KNOWN) == (0, "MADE AGAIN, UNSIGNED")
    assert first(page, "--log", "rides/a", *KNOWN) == (4, "NOT FROM THESE FILES")
    assert first(page, "--log", "rides", *KNOWN[:2]) == (4, "NOT FROM THESE FILES")


def test_folders_of_logs_are_taken_for_a_comparison(here: Path) -> None:
    for name in ("a", "b"):
        (here / name).mkdir()
        shutil.copy(f"ride_{name}.log.gz", here / name)
    assert said("compare", "a", "b", *KNOWN, "--same-vehicle", "-o", "c.html")[0] == 0
    assert "one vehicle, as stated, not proven" in Path("c.html").read_text("utf-8")
    assert first("c.html", "--log", "a", "--log", "b", *KNOWN) == (0, "MADE AGAIN, UNSIGNED")


def test_the_sheet_of_what_was_learned_is_made_again(here: Path) -> None:
    (here / "rides" / "unit").mkdir(parents=True)
    for name in ("a", "b"):
        shutil.copy(f"ride_{name}.log.gz", here / "rides" / "unit")
    status, lines = said("learn", "rides", "--keep", *KNOWN[:2], "-o", "v.toml", "--workers", "1")
    assert status == 0, lines
    page = "v.learned.html"
    assert first(page, "--log", "rides", *KNOWN[:2]) == (0, "MADE AGAIN, UNSIGNED")
    assert first(page, "--log", "rides/unit/ride_a.log.gz", *KNOWN[:2]) == (
        4,
        "NOT FROM THESE FILES",
    )


def test_options_that_decide_a_page_are_stated_and_taken_from_it(here: Path) -> None:
    both = ["ride_a.log.gz", "ride_b.log.gz"]
    status, lines = said("report", *both, *KNOWN, "--one-ride", "-o", "one.html")
    assert status == 0, lines
    given = [word for log in both for word in ("--log", log)]
    assert first("one.html", *given, *KNOWN) == (0, "MADE AGAIN, UNSIGNED")


def test_a_comparison_of_overlapping_files_is_made_again(here: Path) -> None:
    with zipfile.ZipFile("both.zip", "w") as archive:
        for name in ("ride_a.log.gz", "ride_b.log.gz"):
            archive.write(name)
    words = ["compare", "both.zip", "ride_a.log.gz", *KNOWN, "-o", "c.html"]
    status, lines = said(*words)
    assert (status, "--one-ride" in " ".join(lines)) == (2, True)
    assert said(*words, "--one-ride")[0] == 0
    logs = ["--log", "both.zip", "--log", "ride_a.log.gz"]
    assert first("c.html", *logs, *KNOWN) == (0, "MADE AGAIN, UNSIGNED")

"""What the workshop said of a job, as a page of ours has it: for a shelf that lost its index."""

from __future__ import annotations

import html
import re
from dataclasses import fields
from typing import Final

from canassist.model import Case
from canassist.report.seal import old_seal, seal
from canassist.report.seal.page_parts import part_of
from canassist.report.seal.statement import read_statement

_TEXTS: Final = frozenset(item.name for item in fields(Case) if item.type == "str")
_OLD_NAMES: Final = {
    "Complaint": "complaint",
    "Correction": "correction",
    "Odometer": "odometer",
    "Work order": "work_order",
    "Technician": "technician",
    "Equipment": "equipment",
}
_OLD_FACT: Final = re.compile(rb"<div><dt>([A-Z][a-z ]{1,20})</dt><dd>([^<]{1,20000})</dd></div>")
_OLD_HEADER: Final = b"</header>"


def page_case(page: bytes) -> dict[str, str]:
    """Return the case data of a page, masked as it is; empty where it has none.

    Nothing is checked: ask `verify_page` whether the page is to be believed.
    """
    stated = part_of(page, seal.STATEMENT_ID)
    if stated is not None:
        try:
            case = read_statement(stated).case
        except ValueError:
            return {}
        return {name: text for name, text in case.items() if name in _TEXTS}
    if not old_seal.is_old(page):
        return {}
    header = page[: max(page.find(_OLD_HEADER), 0)]
    facts = {
        name.decode("ascii"): html.unescape(text.decode("utf-8", "replace"))
        for name, text in _OLD_FACT.findall(header)
    }
    return {_OLD_NAMES[name]: text for name, text in facts.items() if name in _OLD_NAMES}

"""Result to page and data: what the outside asks of this layer."""

from canassist.report.charts.answer_picture import answer_picture
from canassist.report.data.comparison_json import comparison_json
from canassist.report.data.result_json import result_json
from canassist.report.learned_page import render_learned
from canassist.report.notebook import notebook_view
from canassist.report.page.comparison_page import render_comparison
from canassist.report.page.document import prepare
from canassist.report.page.first_screen import answer_lines
from canassist.report.page.masks import mask_vins
from canassist.report.page.ride_page import PageOptions, render_page
from canassist.report.page.screen_page import render_screening, vehicle_label, why_flagged
from canassist.report.pdf import need_browser, print_pdf
from canassist.report.seal.key_file import check_private_key
from canassist.report.seal.page_case import page_case
from canassist.report.seal.page_parts import page_data
from canassist.report.seal.page_verdict import Answer, KnownKeys, PageVerdict, verify_page
from canassist.report.seal.signing import fingerprint, load_public_key, make_keys
from canassist.report.seal.statement import PageStatement, StatedFile, StatedSide, own_versions
from canassist.report.seal.trusted_keys import read_trusted, trust

__all__ = [
    "Answer",
    "KnownKeys",
    "PageOptions",
    "PageStatement",
    "PageVerdict",
    "StatedFile",
    "StatedSide",
    "answer_lines",
    "answer_picture",
    "check_private_key",
    "comparison_json",
    "fingerprint",
    "load_public_key",
    "make_keys",
    "mask_vins",
    "need_browser",
    "notebook_view",
    "own_versions",
    "page_case",
    "page_data",
    "prepare",
    "print_pdf",
    "read_trusted",
    "render_comparison",
    "render_learned",
    "render_page",
    "render_screening",
    "result_json",
    "trust",
    "vehicle_label",
    "verify_page",
    "why_flagged",
]

"""Result to page and data: what the outside asks of this layer."""

from canassist.report.data.comparison_json import comparison_json
from canassist.report.data.result_json import result_json
from canassist.report.page.comparison_page import render_comparison
from canassist.report.page.document import prepare
from canassist.report.page.masks import mask_vins
from canassist.report.page.notebook import notebook_view
from canassist.report.page.ride_page import PageOptions, render_page
from canassist.report.page.screen_page import render_screening, vehicle_label, why_flagged
from canassist.report.pdf import need_browser, print_pdf
from canassist.report.seal.signing import make_keys
from canassist.report.seal.verify_page import Check, VerifyAnswer, page_data, verify_page

__all__ = [
    "Check",
    "PageOptions",
    "VerifyAnswer",
    "comparison_json",
    "make_keys",
    "mask_vins",
    "need_browser",
    "notebook_view",
    "page_data",
    "prepare",
    "print_pdf",
    "render_comparison",
    "render_page",
    "render_screening",
    "result_json",
    "vehicle_label",
    "verify_page",
    "why_flagged",
]

"""Result to page and data: what the outside asks of this layer."""

from canassist.report.compare_page import render_comparison
from canassist.report.comparison_json import comparison_json
from canassist.report.document import prepare
from canassist.report.page import Look, render_page
from canassist.report.pdf import print_pdf
from canassist.report.result_json import result_json
from canassist.report.signing import make_keys
from canassist.report.verify import Answer, Check, page_data, verify_page

__all__ = [
    "Answer",
    "Check",
    "Look",
    "comparison_json",
    "make_keys",
    "page_data",
    "prepare",
    "print_pdf",
    "render_comparison",
    "render_page",
    "result_json",
    "verify_page",
]

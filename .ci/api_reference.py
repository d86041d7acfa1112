"""Write the API reference from the docstrings: ``python .ci/api_reference.py FOLDER``.

A warning of the generator (a name that does not resolve, a docstring that it cannot read) is an
error. The package's own names are loaded as they are asked for; here all of them are.
"""

import sys
import warnings
from pathlib import Path

import pdoc

import canassist

ROOMS = (
    "model", "stats", "profile", "frames", "decode", "timeline", "physics", "detect", "conclude",
    "report", "export", "comparison", "learning", "screen", "record", "units", "errors",
)  # fmt: skip
"""What each room gives its neighbours stands in its ``__all__``, and so in the pages."""

NAMED_TUPLES = "Error parsing type annotation ForwardRef"
"""The constructor of a `NamedTuple` does not say which module its hints are of."""

STUBS_ONLY = "Error parsing type annotation pd.Series"
"""pandas lets `Series[float]` stand in hints only."""

if len(sys.argv) != 2:  # noqa: PLR2004 - the command and a folder
    sys.exit("Name the folder that the pages go into.")
warnings.simplefilter("error")
for known in (NAMED_TUPLES, STUBS_ONLY):
    warnings.filterwarnings("ignore", message=known)
for name in canassist.__all__:
    setattr(canassist, name, getattr(canassist, name))
pdoc.render.configure(docformat="numpy", show_source=False, search=False)
pdoc.pdoc("canassist", *(f"canassist.{room}" for room in ROOMS), output_directory=Path(sys.argv[1]))

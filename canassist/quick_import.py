"""Import the CAN libraries without the measurement library that they look for by themselves."""

from __future__ import annotations

import importlib
import sys
import threading
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from types import ModuleType

_LOCK = threading.Lock()
_HIDDEN = "asammdf"


def quick_import(name: str) -> ModuleType:
    """Import a module, keeping python-can from pulling in asammdf and pandas.

    Where asammdf is installed, ``import can`` loads it (0.6 to 0.8 s) though a log in any
    other format needs nothing of it. For the time of this import it looks absent; a later
    ``import asammdf`` finds it as ever.

    Parameters
    ----------
    name : str
        Module to import: ``"can"`` or ``"cantools.database"``, say.
    """
    modules: dict[str, Any] = sys.modules  # Any: None is how Python marks an absent module
    with _LOCK:
        hide = _HIDDEN not in modules and name not in modules
        if hide:
            modules[_HIDDEN] = None
        try:
            return importlib.import_module(name)
        finally:
            if hide:
                modules.pop(_HIDDEN, None)

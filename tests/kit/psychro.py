"""psychrolib in SI units, interpreted: where it finds numba it compiles itself for many seconds."""

import importlib
import sys
from types import ModuleType
from unittest.mock import patch


def psychrolib() -> ModuleType:
    """Return the library."""
    with patch.dict(sys.modules, {"numba": None}):
        library = importlib.import_module("psychrolib")
    library.SetUnitSystem(library.SI)
    return library

"""CPython 3.11 fails to parse where the collector runs in the middle of it and what it finds parses something itself.

A future whose exception nobody took is logged with a traceback when it is collected, and a traceback parses the lines
that it shows. Both keep one count of how deep they are, and the outer one ends in a SystemError that has nothing to do
with what it parses: "AST constructor recursion depth mismatch". It came twice in four runs of all tests, of which one
was broken off by it.
"""

import ast
import gc
import sys
from typing import Any

__all__ = ["parse_undisturbed"]

_parse = ast.parse


def parse_undisturbed() -> None:
    """From now on no collection begins within `ast.parse`, where that matters."""
    if sys.version_info < (3, 12):
        ast.parse = _undisturbed


def _undisturbed(*given: Any, **named: Any) -> Any:
    collects = gc.isenabled()
    gc.disable()
    try:
        return _parse(*given, **named)
    finally:
        if collects:
            gc.enable()

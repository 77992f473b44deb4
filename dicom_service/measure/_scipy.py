"""Parts of scipy as untyped modules: they build their names in ways that type checkers miss."""

from importlib import import_module
from typing import Any

ndimage: Any = import_module("scipy.ndimage")
optimize: Any = import_module("scipy.optimize")
special: Any = import_module("scipy.special")

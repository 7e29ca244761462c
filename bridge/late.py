"""Lazy imports: a module is loaded when one of its attributes is first used.

The standard library imports some modules for rare cases only. `dataclasses` imports `inspect`,
which imports the parser of source code, for classes without a docstring (from Python 3.12 on for
every class). A process that runs all night keeps that in memory (measured with 3.11: 1.4 MB for
each process). `importlib.util.LazyLoader` does not help: it loads at the second ``import``.

A lazy import changes `sys.modules` for the whole process. So only our own programs ask for it, as
the first thing they do, and this module imports nothing that Python has not loaded already.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType

WITHOUT_COLUMNS = ("-X", "no_debug_ranges")
"""Python options: keep no column numbers of source lines (measured: 0.3 MB less)."""
SELDOM = (
    "bz2",
    "inspect",
    "ipaddress",
    "locale",
    "lzma",
    "secrets",
    "shutil",
    "subprocess",
    "tokenize",
)
"""Modules of the standard library that most of our processes never use, or use once."""
ASKED_BY_IMPORTS = ("__all__", "__path__")
"""The attributes that ``from MODULE import *`` and ``import MODULE.OTHER`` read."""


class LateModule(ModuleType):
    """A placeholder in `sys.modules` that loads the real module on first use."""

    def __getattr__(self, name: str) -> object:
        if name.startswith("__") and name not in ASKED_BY_IMPORTS:
            # Inspecting a module (`hasattr(module, "__file__")`) is no use of it.
            raise AttributeError(name)
        if sys.modules.get(self.__name__) is self:
            del sys.modules[self.__name__]
        module = import_module(self.__name__)
        self.__dict__.update(vars(module))
        return getattr(module, name)


def load_late(*names: str) -> None:
    """Load these modules on first use. Modules that are loaded already stay as they are.

    Args:
        names: full module names.
    """
    for name in names:
        sys.modules.setdefault(name, LateModule(name))

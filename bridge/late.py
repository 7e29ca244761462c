"""Modules that are loaded when something of them is asked for, and not before.

Python's own libraries name at their head what they need for one rare thing: `dataclasses` names
`inspect`, with what reads source code, for a class without a docstring (from 3.12 on for each
class). A process that stays all night keeps all of that (measured with 3.11: 1.4 MB of each).
`importlib.util.LazyLoader` of the standard library was left: a second ``import`` of a module ends
its wait.

It changes what a whole process loads, so only those say it that are ours alone, before they import
anything else. So nothing may be imported here that is not there anyway.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType

WITHOUT_COLUMNS = ("-X", "no_debug_ranges")
"""Options of Python: it keeps no columns of the lines of its programs (measured: 0.3 MB)."""
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
"""Of the standard library: what its other modules name, and what ours ask for once, or only in some
processes (a player begins none)."""


ASKED_BY_IMPORTS = ("__all__", "__path__")
"""What ``from MODULE import *`` and ``import MODULE.OTHER`` ask for."""


class LateModule(ModuleType):
    """Stands for a module that has not been loaded yet."""

    def __getattr__(self, name: str) -> object:
        if name.startswith("__") and name not in ASKED_BY_IMPORTS:  # somebody only looks round
            raise AttributeError(name)
        if sys.modules.get(self.__name__) is self:
            del sys.modules[self.__name__]
        module = import_module(self.__name__)
        self.__dict__.update(vars(module))
        return getattr(module, name)


def load_late(*names: str) -> None:
    """From now on these modules are loaded when something of them is asked for. What is loaded
    already stays.

    Args:
        names: full names.
    """
    for name in names:
        sys.modules.setdefault(name, LateModule(name))

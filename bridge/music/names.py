"""Names before and after a change of the set."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

SAME: Mapping[str, str] = MappingProxyType({})
"""Nothing has got another name."""


def after(name: str, renamed: Mapping[str, str]) -> str | None:
    """What `name` is called after the change; None when another has taken its name (and so it is
    there no longer)."""
    new = renamed.get(name)
    if new is None and name not in renamed.values():
        return name
    return new

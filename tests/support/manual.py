"""The tables of the manual as their lines, for tests that read them by their own means and play them."""

from __future__ import annotations

from bridge.files import reference
from bridge.files.blocks import Head, Signs


def named_tables() -> dict[str, tuple[str, ...]]:
    """The tables that have pictures, by the first name of those."""
    return {
        block.names[0]: block.lines
        for block in reference.text()
        if isinstance(block, Signs) and block.names
    }


def table_under(title: str) -> tuple[str, ...]:
    """The first table after a heading."""
    blocks = iter(reference.text())
    for block in blocks:
        if isinstance(block, Head) and block.text == title:
            return next(found.lines for found in blocks if isinstance(found, Signs))
    raise KeyError(title)

"""Small pieces of sentences that warnings and sheets share."""

from __future__ import annotations

from collections.abc import Sequence


def listed(parts: Sequence[str], word: str = "and") -> str:
    """``kick, rim and shaker``.

    Args:
        parts: one at least.
        word: what stands before the last of several.
    """
    if len(parts) == 1:
        return parts[0]
    return f"{', '.join(parts[:-1])} {word} {parts[-1]}"

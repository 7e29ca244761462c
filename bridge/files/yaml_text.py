"""Values as YAML on one line, written as people write them."""

from __future__ import annotations

import json
import re
from typing import Any

_PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9_./-]*|[0-9]+/[0-9]+[T.]?")
_TRAPS = frozenset({"y", "n", "yes", "no", "on", "off", "true", "false", "null"})


def render(value: Any) -> str:
    """A value (None, bool, number, str, list, dict) as flow-style YAML; numbers to ten digits.

    Raises:
        TypeError: a value of another kind.
    """
    match value:
        case None:
            return "null"
        case bool():
            return "true" if value else "false"
        case int():
            return str(value)
        case float():
            return str(int(value)) if value.is_integer() else f"{value:.10g}"
        case str():
            plain = value == "." or (_PLAIN.fullmatch(value) and value.lower() not in _TRAPS)
            return value if plain else json.dumps(value, ensure_ascii=False)
        case list() | tuple():
            return f"[{', '.join(map(render, value))}]"
        case dict():
            return "{" + ", ".join(f"{render(k)}: {render(v)}" for k, v in value.items()) + "}"
    raise TypeError(f"{type(value).__name__} cannot be written")

"""Values as YAML on one line, written as people write them."""

from __future__ import annotations

import json
import math
import re

_PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9_./-]*|[0-9]+/[0-9]+[T.]?")
_UNPRINTED = re.compile("[\x7f-\x9f\u2028\u2029\ufeff\ufffe\uffff]")
_TRAPS = frozenset({"y", "n", "yes", "no", "on", "off", "true", "false", "null"})


def render(value: object) -> str:
    """A value (None, bool, number, str, list, dict) as flow-style YAML, read back as the same.

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
            return _number(value)
        case str():
            plain = value == "." or (_PLAIN.fullmatch(value) and value.lower() not in _TRAPS)
            return value if plain else _quoted(value)
        case list() | tuple():
            return f"[{', '.join(map(render, value))}]"
        case dict():
            return "{" + ", ".join(f"{render(k)}: {render(v)}" for k, v in value.items()) + "}"
    raise TypeError(f"{type(value).__name__} cannot be written")


def _number(value: float) -> str:
    """The shortest number that is read as the same, by YAML 1.1 (which wants a point before an
    exponent) as by 1.2. What is not finite is written so that it is refused when read."""
    if math.isnan(value) or math.isinf(value):
        return ".nan" if math.isnan(value) else f"{'-' if value < 0 else ''}.inf"
    if value.is_integer() and abs(value) < 2**53:
        return str(int(value))
    text = repr(value)
    return text if "." in text else text.replace("e", ".0e")


def _quoted(text: str) -> str:
    """In double quotes, with escapes for what YAML does not allow as it is (yaml.org/spec/1.2.2,
    section 5.1), and for what breaks lines in some readers."""
    said = json.dumps(text, ensure_ascii=False)
    return _UNPRINTED.sub(lambda found: f"\\u{ord(found[0]):04x}", said)

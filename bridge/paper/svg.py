"""A very small writer of SVG: elements as strings, numbers rounded, text escaped.

SVG 1.1 (W3C), the parts used here: svg, g, line, path, rect, text, title.
"""

from __future__ import annotations

from collections.abc import Iterable
from html import escape as escape


def number(value: float) -> str:
    """A coordinate with at most two decimals and no trailing zeros."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _attributes(attributes: dict[str, object]) -> str:
    parts = []
    for key, value in attributes.items():
        if value is None:
            continue
        name = key.rstrip("_").replace("_", "-")
        shown = number(value) if isinstance(value, float) else str(value)
        parts.append(f' {name}="{escape(shown, quote=True)}"')
    return "".join(parts)


def element(name: str, content: str = "", /, **attributes: object) -> str:
    """One element; `content` is already SVG. ``class_`` becomes ``class``."""
    head = f"<{name}{_attributes(attributes)}"
    return f"{head}>{content}</{name}>" if content else f"{head}/>"


def line(x1: float, y1: float, x2: float, y2: float, **attributes: object) -> str:
    return element("line", x1=x1, y1=y1, x2=x2, y2=y2, **attributes)


def text(x: float, y: float, words: str, **attributes: object) -> str:
    return element("text", escape(words), x=x, y=y, **attributes)


def path(points: Iterable[tuple[float, float]], **attributes: object) -> str:
    """A polyline through `points`."""
    d = " ".join(
        f"{'M' if i == 0 else 'L'}{number(x)} {number(y)}" for i, (x, y) in enumerate(points)
    )
    return element("path", d=d, fill="none", **attributes)


def picture(
    width: float, height: float, content: Iterable[str], label: str, /, **extra: object
) -> str:
    """A whole drawing with an accessible name; scales to the width it is given."""
    return element(
        "svg",
        element("title", escape(label)) + "".join(content),
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {number(width)} {number(height)}",
        role="img",
        **extra,
    )

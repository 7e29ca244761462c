"""Plain data as YAML in any style that people use, drawn at random: block and flow, quotes of each
kind, block texts, odd indentation, comments, anchors and aliases, either line end. Every comment
has a number of its own, so that a test sees which of them are left.

Written from the YAML 1.2.2 specification (yaml.org/spec/1.2.2), chapters 6 to 8, and knows nothing
of the product's own way to write.
"""

from __future__ import annotations

import json
import re
from random import Random
from typing import Any

_PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9./()-]*(?: [A-Za-z0-9./()-]+)*\Z")
_WORDS = frozenset(["y", "n", "yes", "no", "on", "off", "true", "false", "null"])
_ESCAPED = re.compile("[\x7f-\x9f\u2028\u2029\ufeff\ufffe\uffff]")


def styled(data: dict[str, Any], random: Random, *, aliases: bool = True) -> str:
    """The data as a text that says it."""
    writer = _Writer(random, aliases)
    head = "---\n" if random.random() < 0.1 else ""
    if random.random() < 0.08:
        text = head + writer.flow(data, 1) + "\n"
    else:
        text = head + "".join(line + "\n" for line in writer.mapping(data, 0))
    if random.random() < 0.15:
        text = text.replace("\n", "\r\n")
    return text.rstrip("\r\n") if random.random() < 0.1 and not writer.open_end else text


def comments(text: str) -> set[str]:
    """The numbered comments that a text still has."""
    return set(re.findall(r"# note \d+", text))


class _Writer:
    def __init__(self, random: Random, aliases: bool) -> None:
        self._random = random
        self._aliases = aliases
        self._anchors: dict[str, str] = {}
        self._notes = self._count = 0
        self.open_end = False
        """Whether a block text was written: the last line break may belong to it."""

    def mapping(self, data: dict[str, Any], indent: int) -> list[str]:
        lines: list[str] = []
        for key, value in data.items():
            lines += self._between(indent)
            head = " " * indent + self._key(key)
            alias = self._alias(value)
            anchor = "" if alias else self._anchor(value)
            if alias:
                lines.append(f"{head}: {alias}{self._note()}")
            elif self._chance(0.04) and not isinstance(value, dict | list):
                lines += [
                    " " * indent + "? " + self._key(key),
                    " " * indent + ": " + anchor + self.scalar(value, flow=False),
                ]
            else:
                lines += self._below(f"{head}:", anchor, value, indent)
            self._known(anchor, value)
        return lines

    def _below(self, head: str, anchor: str, value: Any, indent: int) -> list[str]:
        """A value behind its key or dash, or under it."""
        if isinstance(value, dict) and value and self._chance(0.5):
            deeper = indent + self._random.randint(1, 4)
            return [f"{head} {anchor}".rstrip() + self._note(), *self.mapping(value, deeper)]
        if isinstance(value, list) and value and self._chance(0.5):
            deeper = indent + self._random.randint(0, 3) * head.endswith(":")
            deeper += 0 if head.endswith(":") else 2
            return [f"{head} {anchor}".rstrip() + self._note(), *self.rows(value, deeper)]
        if isinstance(value, str) and self._fits_block(value) and self._chance(0.3):
            self.open_end = True
            sign = self._random.choice("|>")
            inside = " " * (indent + self._random.randint(1, 4))
            return [f"{head} {anchor}{sign}-{self._note()}", inside + value]
        if value is None and not anchor and self._chance(0.3):
            return [head + self._note()]
        if isinstance(value, dict | list):
            return [f"{head} {anchor}{self.flow(value, indent + 1)}{self._note()}"]
        return [f"{head} {anchor}{self.scalar(value, flow=False)}{self._note()}"]

    def rows(self, data: list[Any], indent: int) -> list[str]:
        lines: list[str] = []
        for value in data:
            lines += self._between(indent)
            alias = self._alias(value)
            if alias:
                lines.append(" " * indent + f"- {alias}{self._note()}")
            elif isinstance(value, dict) and value and self._chance(0.4):
                inner = self.mapping(value, indent + 2)
                first = next(i for i, line in enumerate(inner) if _is_content(line))
                inner[first] = " " * indent + "- " + inner[first][indent + 2 :]
                lines += inner
            else:
                anchor = self._anchor(value)
                lines += self._below(" " * indent + "-", anchor, value, indent + 1)
                self._known(anchor, value)
        return lines

    def flow(self, data: Any, indent: int) -> str:
        """A value within brackets, sometimes over several lines."""
        if isinstance(data, dict):
            parts = [f"{self._key(k)}: {self._inside(v, indent)}" for k, v in data.items()]
            return "{" + self._joined(parts, indent) + "}"
        if isinstance(data, list):
            return "[" + self._joined([self._inside(v, indent) for v in data], indent) + "]"
        return self.scalar(data, flow=True)

    def _inside(self, value: Any, indent: int) -> str:
        anchor = self._anchor(value)
        text = (
            self.flow(value, indent) if anchor else self._alias(value) or self.flow(value, indent)
        )
        self._known(anchor, value)
        return anchor + text

    def _joined(self, parts: list[str], indent: int) -> str:
        if not parts:
            return ""
        gap = " " * self._random.randint(0, 2)
        if self._chance(0.2):
            line = "\n" + " " * (indent + self._random.randint(0, 3))
            text = "".join(f"{line}{part},{self._note()}" for part in parts)
            return text + line
        tail = "," if self._chance(0.1) else ""
        return gap + ("," + (gap or " ")).join(parts) + tail + gap

    def scalar(self, value: Any, *, flow: bool) -> str:
        if value is None:
            return self._random.choice(["~", "null", "Null"])
        if isinstance(value, bool):
            return self._random.choice(["true", "True"] if value else ["false", "FALSE"])
        if isinstance(value, int | float):
            return repr(value)
        return self._text(value)

    def _text(self, value: str) -> str:
        ways = [_escaped(value)]
        if value.isprintable() and not _ESCAPED.search(value):
            ways.append("'" + value.replace("'", "''") + "'")
        if _PLAIN.match(value) and value.lower() not in _WORDS:
            ways += [value, value]
        return self._random.choice(ways)

    def _key(self, key: str) -> str:
        return self._text(key)

    def _fits_block(self, value: str) -> bool:
        return bool(value.strip()) and value == value.strip() and value.isprintable()

    def _alias(self, value: Any) -> str:
        if not self._aliases or not isinstance(value, dict | list | str) or not value:
            return ""
        name = self._anchors.get(json.dumps(value))
        return f"*{name} " if name and self._chance(0.5) else ""

    def _anchor(self, value: Any) -> str:
        worth = self._aliases and isinstance(value, dict | list | str) and bool(value)
        if not worth or not self._chance(0.08):
            return ""
        self._count += 1
        return f"&a{self._count} "

    def _known(self, anchor: str, value: Any) -> None:
        """What an anchor stands for may be named from here on: it has ended."""
        if anchor:
            self._anchors[json.dumps(value)] = anchor.strip("& ")

    def _between(self, indent: int) -> list[str]:
        if self._chance(0.1):
            return [" " * indent + self._note(always=True).lstrip()]
        return [""] if self._chance(0.05) else []

    def _note(self, *, always: bool = False) -> str:
        if not always and not self._chance(0.25):
            return ""
        self._notes += 1
        return f"  # note {self._notes}"

    def _chance(self, share: float) -> bool:
        return self._random.random() < share


def _escaped(value: str) -> str:
    said = json.dumps(value, ensure_ascii=False)
    return _ESCAPED.sub(lambda found: f"\\u{ord(found[0]):04x}", said)


def _is_content(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith("#")

"""What a page of the reference is made of. The same blocks become Markdown here and HTML elsewhere.

In texts, ``code`` stands between backquotes, as in Markdown.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Row:
    """One key: what may be written, where it starts, what it does, an example."""

    key: str
    allowed: str
    start: str
    says: str
    example: str

    def __str__(self) -> str:
        cells = (f"`{self.key}`", self.allowed, self.start, self.says, f"`{self.example}`")
        return table_row(cells)


@dataclass(frozen=True, slots=True)
class Head:
    """A heading; level 1 begins a chapter."""

    level: int
    text: str


@dataclass(frozen=True, slots=True)
class Words:
    """A paragraph."""

    text: str


@dataclass(frozen=True, slots=True)
class Points:
    """A list."""

    texts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Keys:
    """A table of keys."""

    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Pairs:
    """A table of two columns: something written, and what it does."""

    heads: tuple[str, str]
    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Signs:
    """A truth or timing table, as it stands in a docstring."""

    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Picture:
    """A place for drawings, by name. Markdown has none."""

    names: tuple[str, ...]


Block = Head | Words | Points | Keys | Pairs | Signs | Picture


def table_row(cells: Iterable[str]) -> str:
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def markdown(blocks: Iterable[Block]) -> str:
    """The blocks as Markdown, one empty line between two of them."""
    parts = ("\n".join(_lines(block)) for block in blocks if not isinstance(block, Picture))
    return "\n\n".join(parts) + "\n"


def _lines(block: Block) -> Iterator[str]:
    if isinstance(block, Head):
        yield f"{'#' * block.level} {block.text}"
    elif isinstance(block, Words):
        yield block.text
    elif isinstance(block, Points):
        yield from (f"- {text}" for text in block.texts)
    elif isinstance(block, Keys):
        yield table_row(("key", "may be", "starts at", "meaning", "example"))
        yield table_row(["---"] * 5)
        yield from map(str, block.rows)
    elif isinstance(block, Pairs):
        yield table_row(block.heads)
        yield table_row(["---"] * 2)
        yield from (table_row((f"`{key}`", says)) for key, says in block.rows)
    elif isinstance(block, Signs):
        yield "```text"
        yield from block.lines
        yield "```"


def of_docstring(text: str) -> Iterator[Block]:
    """A docstring: paragraphs, and tables of signs as they stand."""
    signs: list[str] | None = None
    words: list[str] = []
    for line in [*text.splitlines(), ""]:
        rule = bool(line.strip()) and set(line) <= {"=", " "}
        if rule and signs is None:
            if words:
                yield Words(" ".join(words))
                words = []
            signs = []
        elif signs is not None and not line.strip():
            yield Signs(tuple(signs))
            signs = None
        elif signs is not None:
            if not rule and set(line) != {"-", " "}:
                signs.append(line.rstrip())
        elif line.strip():
            words.append(line.strip().replace("``", "`"))
        elif words:
            yield Words(" ".join(words))
            words = []

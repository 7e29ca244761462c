"""What a page of the reference is made of, read from Markdown and written as Markdown.

In texts, ``code`` stands between backquotes, as in Markdown. What is read has two things of its
own: a line ``:: WORD ARGUMENTS`` is a `Directive`, and a code block names the pictures that are
drawn of its table (``text``: none), which follow it.
"""

from __future__ import annotations

import re
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
    """A truth or timing table; `names` are those of its pictures."""

    lines: tuple[str, ...]
    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Picture:
    """A place for drawings, by name. Markdown has none."""

    names: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Directive:
    """A place for what is made from the program's own tables."""

    word: str
    arguments: tuple[str, ...]


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


def read(text: str) -> Iterator[Block | Directive]:
    """Reads Markdown whose blocks are set apart by empty lines: headings, paragraphs, lists, tables
    of two columns, code blocks and directives."""
    for chunk in re.split(r"\n{2,}", text.strip()):
        first, *lines = chunk.split("\n")
        if first.startswith("#"):
            marks, _, title = first.partition(" ")
            yield Head(len(marks), title)
        elif first.startswith(":: "):
            word, *arguments = first.split()[1:]
            yield Directive(word, tuple(arguments))
        elif first.startswith("```"):
            names = tuple(name for name in first[3:].split() if name != "text")
            yield Signs(tuple(lines[:-1]), names)
            if names:
                yield Picture(names)
        elif first.startswith("- "):
            yield Points(tuple(" ".join(part.split()) for part in chunk[2:].split("\n- ")))
        elif first.startswith("| "):
            rows = [line.strip("| ").split(" | ", 1) for line in (first, *lines[1:])]
            (left, right), *pairs = rows
            yield Pairs((left, right), tuple((key.strip("`"), says) for key, says in pairs))
        else:
            yield Words(" ".join(chunk.split()))

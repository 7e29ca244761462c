"""One word for one thing: the table of DEVELOPERS.md, held against everything that people read."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "bridge"
PAGE = PACKAGE / "web" / "page"
# Where another language speaks: the words that others use, and what is said instead.
OTHERS = {"bridge/files/trade_words.py", "bridge/files/older.py", "bridge/web/page/js/types.d.ts"}
# Terms of a standard, or of English, that have a banned word in them.
TERMS = (
    r"S-trig",  # a trigger that is pulled to ground: a term of the trade, no source
    r"daemon-reload",  # systemctl(1)
    r"`engine/`|engine\.",
)
CODE_NAMES = {"Did", "trickle", "Scene", "Shelf", "heading", "night", "doors", "did"}
CODE_MODULES = {"lost", "night", "doors", "heading"}


def table() -> dict[str, str]:
    """Banned words and what is written instead, as DEVELOPERS.md has them."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| ([^|]+) \| [^|]+ \| ([^|]+) \|$", text[text.index("## Words") :], re.M)
    found = {
        word.strip(): instead
        for instead, banned in rows[2:]
        for word in banned.split(",")
        if word.strip()
    }
    assert len(found) > 30
    return found


def strings(path: Path) -> str:
    """Every text in a module: messages, help and documentation."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return "\n".join(
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    )


def said() -> Iterator[tuple[str, str]]:
    """What people read, by file: documents, errors and help, the page, files that ship."""
    for name in ("README.md", "DEVELOPERS.md", "systemd/README.md", "bridge/files/manual.md"):
        text = (ROOT / name).read_text(encoding="utf-8")
        yield name, text[: text.index("## Words")] if name == "DEVELOPERS.md" else text
    for path in sorted(PACKAGE.rglob("*.py")):
        yield str(path.relative_to(ROOT)), strings(path)
    for path in sorted([*PAGE.rglob("*.js"), *PAGE.rglob("*.html"), *PACKAGE.rglob("*.yaml")]):
        yield str(path.relative_to(ROOT)), path.read_text(encoding="utf-8")
    for path in sorted((ROOT / "profiles").glob("*.yaml")):
        yield str(path.relative_to(ROOT)), path.read_text(encoding="utf-8")


def matches(word: str, text: str) -> list[str]:
    """The lines of a text that have a word, its plural too, whatever its capitals."""
    if word.startswith("`"):
        pattern = re.escape(word)
    else:
        pattern = rf"(?<![\w-]){re.escape(word)}s?(?![\w-])"
    terms = "|".join(TERMS)
    return [
        line.strip()
        for line in text.splitlines()
        if re.search(pattern, re.sub(terms, "", line), re.IGNORECASE)
    ]


def test_what_is_banned_is_found() -> None:
    """The search itself: a word, its plural, no part of another word, no term of a standard."""
    assert matches("scene", "A new Scene.")
    assert matches("scene", "two scenes")
    assert not matches("scene", "obscene scenery")
    assert not matches("trig", "polarity: S-trig")
    assert matches("`~` rest", "a `~` rest")


def test_nothing_that_people_read_has_a_second_word_for_a_thing() -> None:
    wrong = [
        f"{name}: {word!r} is {instead!r}: {line[:100]}"
        for name, text in said()
        if name not in OTHERS
        for word, instead in table().items()
        for line in matches(word, text)
    ]
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize(
    "path", sorted(PACKAGE.rglob("*.py")), ids=lambda p: str(p.relative_to(PACKAGE))
)
def test_no_odd_name_in_the_code(path: Path) -> None:
    assert path.stem not in CODE_MODULES
    tree = ast.parse(path.read_text(encoding="utf-8"))
    names = {
        node.id if isinstance(node, ast.Name) else node.name
        for node in ast.walk(tree)
        if isinstance(node, ast.Name | ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef)
    }
    assert not names & CODE_NAMES

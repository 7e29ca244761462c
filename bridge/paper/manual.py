"""The reference as one page to read or print: self-contained HTML, no script, our own look.

It is made of the same blocks as the Markdown, with a drawing at each place for pictures. Every
drawing but one comes from a tiny set that is played while the page is made, so none can be out of
date; that of a tuning is drawn from what was measured. Pictures of the control
page were taken of it.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Iterable, Iterator
from hashlib import sha256
from html import escape
from pathlib import Path

from bridge import __version__
from bridge.files import reference
from bridge.files.blocks import Block, Head, Keys, Pairs, Picture, Points, Signs, Words
from bridge.paper import heard
from bridge.paper.figure_sets import figures
from bridge.paper.figures import draw
from bridge.paper.page_pictures import PREFIX, page_picture

TITLE = "Lanebridge: the manual"


def style() -> str:
    """The style sheet, as it stands inside the page."""
    return Path(__file__).with_suffix(".css").read_text(encoding="utf-8")


def style_source(text: str) -> str:
    """The source expression that allows this inline style (CSP Level 3, section 2.3.1)."""
    return f"'sha256-{base64.b64encode(sha256(text.encode()).digest()).decode()}'"


def manual_html() -> str:
    """The whole manual."""
    says = f"Version {__version__}. Each drawing of a lane is played while this page is made."
    return page_html(TITLE, says, reference.document())


def page_html(title: str, says: str, blocks: list[Block]) -> str:
    """A page in the manual's look: a title, a line below it, contents, and the blocks.

    Args:
        title: of the page and of its tab, as plain text.
        says: the line below it, as plain text.
        blocks: what follows; headings among them make the contents.
    """
    text = style()
    body = "\n".join(_html(block, name) for block, name in _named(blocks))
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{text}</style></head>\n<body>\n"
        '<a class="skip" href="#main">To the text</a>\n'
        f"<header><h1>{escape(title)}</h1><p>{escape(says)}</p></header>\n"
        f'{_contents(blocks)}\n<main id="main">\n{body}\n</main>\n</body></html>\n'
    )


def _named(blocks: Iterable[Block]) -> Iterator[tuple[Block, str]]:
    """Each block with the anchor it gets; headings have one, and no two are the same."""
    seen: set[str] = set()
    for block in blocks:
        name = ""
        if isinstance(block, Head):
            words = re.sub(r"[^a-z0-9]+", "-", block.text.lower().split("(")[0]).strip("-")
            name, number = words, 2
            while name in seen:
                name, number = f"{words}-{number}", number + 1
            seen.add(name)
        yield block, name


def _contents(blocks: Iterable[Block]) -> str:
    """The list of chapters and their parts, as links."""
    parts: list[str] = []
    depth = 0
    for block, name in _named(blocks):
        if not isinstance(block, Head) or block.level > 3:
            continue
        level = min(block.level, 2)
        while depth < level:
            parts.append("<ul>")
            depth += 1
        while depth > level:
            parts.append("</li></ul>")
            depth -= 1
        parts.append(f'<li><a href="#{name}">{_inline(block.text)}</a>')
    parts.append("</li></ul>" * depth)
    return f'<nav aria-label="Contents">{"".join(parts)}</nav>'


def _inline(text: str) -> str:
    return re.sub(r"`([^`]*)`", r"<code>\1</code>", escape(text, quote=False))


def _html(block: Block, name: str) -> str:
    if isinstance(block, Head):
        level = block.level + 1
        return f'<h{level} id="{name}">{_inline(block.text)}</h{level}>'
    if isinstance(block, Words):
        return f"<p>{_inline(block.text)}</p>"
    if isinstance(block, Points):
        return "<ul>" + "".join(f"<li>{_inline(text)}</li>" for text in block.texts) + "</ul>"
    if isinstance(block, Keys):
        rows = [
            (f"`{row.key}`", row.allowed, row.start, row.says, f"`{row.example}`")
            for row in block.rows
        ]
        return _table(("key", "may be", "starts at", "meaning", "example"), rows, "wide keys")
    if isinstance(block, Pairs):
        return _table(block.heads, [(f"`{key}`", says) for key, says in block.rows], "wide pairs")
    if isinstance(block, Signs):
        return f'<pre tabindex="0">{escape(chr(10).join(block.lines), quote=False)}</pre>'
    return "\n".join(_figures(block))


def _table(heads: tuple[str, ...], rows: Iterable[tuple[str, ...]], look: str) -> str:
    head = "".join(f'<th scope="col">{_inline(text)}</th>' for text in heads)
    body = "".join(
        "<tr>" + "".join(f"<td>{_inline(cell)}</td>" for cell in row) + "</tr>" for row in rows
    )
    return (
        f'<div class="{look}"><table><thead><tr>{head}</tr></thead>'
        f"<tbody>{body}</tbody></table></div>"
    )


HEARD = "tuning-heard"
"""The one picture that was measured and is not played while the page is made."""


def _figures(block: Picture) -> Iterator[str]:
    for name in block.names:
        if name == HEARD:
            caption = f"<figcaption>{_inline(heard.WORDS)}</figcaption>"
            yield f'<figure id="figure-{name}">{caption}{heard.heard_tuning()}</figure>'
            continue
        if name.startswith(PREFIX):
            yield f'<figure id="figure-{name}">{page_picture(name)}</figure>'
            continue
        drawn = "".join(
            (f"<figcaption>{_inline(words)}</figcaption>" if words else "") + draw(figure)
            for words, figure in figures(name)
        )
        yield f'<figure id="figure-{name}">{drawn}</figure>'

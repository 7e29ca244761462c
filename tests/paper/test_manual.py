"""The manual: whole, self-contained, without script, and well-formed."""

from __future__ import annotations

import base64
import itertools
import re
from collections import Counter
from hashlib import sha256
from html.parser import HTMLParser

import pytest

from bridge.files import reference
from bridge.files.blocks import Keys, Picture
from bridge.paper.figure_sets import names
from bridge.paper.manual import HEARD, manual_html, style, style_source
from bridge.paper.page_pictures import WORDS as PAGE_PICTURES

VOID = {"meta", "link", "br", "img", "input", "hr"}


@pytest.fixture(scope="module")
def page() -> str:
    return manual_html()


class Reader(HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data


def test_every_key_and_every_picture_is_there(page: str) -> None:
    read = Reader(page)
    for block in reference.document():
        if isinstance(block, Keys):
            for row in block.rows:
                assert row.key in read.text
                assert row.example in read.text
    pictured = [n for b in reference.document() if isinstance(b, Picture) for n in b.names]
    assert Counter(pictured) == Counter([*names(), HEARD, *PAGE_PICTURES])
    assert page.count("<figure ") == len(pictured)


def test_nothing_comes_from_elsewhere_and_nothing_runs(page: str) -> None:
    read = Reader(page)
    assert not {tag for tag, _ in read.tags} & {"script", "link", "iframe", "object"}
    for tag, attributes in read.tags:
        assert not [name for name in attributes if name.startswith("on")], tag
        assert "style" not in attributes, "the policy allows no style on elements"
        if tag == "img":
            assert str(attributes["src"]).startswith("data:image/webp;base64,")
            assert attributes["alt"] in PAGE_PICTURES.values()
        else:
            assert "src" not in attributes
        assert (attributes.get("href") or "#").startswith("#")
    assert "url(" not in style()
    assert "@import" not in style()


def test_anchors_are_unique_and_every_link_arrives(page: str) -> None:
    read = Reader(page)
    ids = [attributes["id"] for _, attributes in read.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    links = {attributes["href"] for tag, attributes in read.tags if tag == "a"}
    assert {link[1:] for link in links if link} <= set(ids)


def test_headings_never_skip_a_level(page: str) -> None:
    levels = [int(level) for level in re.findall(r"<h([1-6])", page)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))


def test_the_policy_names_the_style_in_the_page(page: str) -> None:
    """CSP Level 3: the hash is of the exact text between the tags."""
    (inside,) = re.findall(r"<style>(.*?)</style>", page, re.DOTALL)
    digest = base64.b64encode(sha256(inside.encode()).digest()).decode()
    assert style_source(style()) == f"'sha256-{digest}'"


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, contrast ratio of two colours."""

    def light(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((light(one), light(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_text_stands_out_by_day_and_by_night() -> None:
    """WCAG 2.2, 1.4.3: at least 4.5 to 1."""
    wanted = r"--paper: (#\w{6}).*?--ink: (#\w{6}); --ink2: (#\w{6})"
    themes = re.findall(wanted, style().partition("@media print")[0], re.DOTALL)
    assert len(themes) == 2
    for paper, ink, quiet in themes:
        assert contrast(paper, ink) > 7
        assert contrast(paper, quiet) > 4.5

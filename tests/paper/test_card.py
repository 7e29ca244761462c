"""The patch card, and what the rig file notes about its cables."""

from __future__ import annotations

import re
from base64 import b64decode
from datetime import date
from pathlib import Path

import pytest

from bridge.errors import InputError
from bridge.files.rig import load_rig, parse_rig
from bridge.files.set import parse_set
from bridge.paper.card import css_text, patch_card, photos
from bridge.paper.sheet import sheet_html

DAY = date(2026, 3, 1)
RIG = """rig: Quay rack
interfaces:
  main:
    profile: eight-gates-four-cv
    cables:
      gate-1: {to: "kick voice, trigger input", colour: red, notes: "decay <low>", photo: kick.png}
      gate-2: rim voice
"""
SET = """set: Low tide
lanes:
  kick: {euclid: {hits: 4, steps: 16}, out: main.gate-1}
  bell: {euclid: {hits: 5, steps: 16}, out: main.gate-3}
"""
# The smallest PNG there is to show: one grey pixel, made by the rules of ISO/IEC 15948.
PIXEL = b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR4nGNoAAAAggCBd81ytgAAAABJRU5ErkJggg=="
)


def test_a_cable_in_words_and_one_with_keys_are_the_same() -> None:
    rig = parse_rig(RIG)
    assert rig.wired["main.gate-1"].cable == "kick voice, trigger input"
    assert rig.wired["main.gate-2"].cable == "rim voice"
    assert rig.cables["main.gate-1"].colour == "red"
    assert rig.cables["main.gate-2"].notes == ""


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("{color: red, to: kick}", "colour"),
        ("{colour: red}", "to"),
        ("5", "must be text, not 5"),
        ("{to: kick, notes: [a]}", "must be text, not a list"),
    ],
)
def test_a_cable_that_is_wrong_says_where(written: str, said: str) -> None:
    with pytest.raises(InputError) as error:
        parse_rig(RIG.replace("rim voice", written))
    problem = error.value.problems[0]
    assert problem.line == 7
    assert said in problem.message or said in problem.path


def test_only_what_is_used_is_on_the_card() -> None:
    rig = parse_rig(RIG)
    card = patch_card(rig, parse_set(SET, "set.yaml", rig).spec, DAY)
    named = re.findall(r"<b>(.*?)</b>", card)
    assert named == ["main.gate-1", "main.gate-2", "main.gate-3"]
    assert card.count("class='tick'") == 3
    assert "kick voice, trigger input (red)" in card
    assert "decay &lt;low&gt;" in card
    assert card.count("class='line'") == 1, "room where a cable is not written down"


def test_a_picture_is_in_the_page_itself(tmp_path: Path) -> None:
    path = tmp_path / "rig.yaml"
    path.write_text(RIG, encoding="utf-8")
    assert "kick.png: not there" in photos(load_rig(path))
    (tmp_path / "kick.png").write_bytes(PIXEL)
    shown = photos(load_rig(path))
    data = re.search(r"data:image/png;base64,([^']+)", shown)
    assert data is not None
    assert b64decode(data[1]) == PIXEL
    (tmp_path / "kick.png").write_bytes(PIXEL + bytes(5 << 20))
    assert "is too big: the limit is 4 MiB" in photos(load_rig(path))
    (tmp_path / "kick.png").write_text("not a picture")
    assert "neither PNG nor JPEG" in photos(load_rig(path))
    path.write_text(RIG.replace("kick.png", "../kick.png"), encoding="utf-8")
    assert "not beside the rig file" in photos(load_rig(path))


def test_names_do_not_end_the_style() -> None:
    assert css_text("Low tide, 1") == '"Low tide, 1"'
    for wild in ('a"; } body { display: none', "</style><script>", "a\\", "a\nb"):
        assert not re.search(r'[<>;{}\n]|(?<!^)"(?!$)', css_text(wild))
    text = RIG.replace("Quay rack", '"Rack </style>"')
    rig = parse_rig(text)
    page = sheet_html(rig, parse_set(SET, "set.yaml", rig), DAY)
    assert page.count("</style>") == 1


def test_notes_of_cables_are_printed_with_the_knobs() -> None:
    rig = parse_rig(RIG)
    page = sheet_html(rig, parse_set(SET, "set.yaml", rig), DAY)
    knobs = page[page.index("knobs and switches") :]
    assert "decay &lt;low&gt;" in knobs

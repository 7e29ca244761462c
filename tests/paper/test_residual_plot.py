"""The picture of a tuning's residual."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest

from bridge.paper.residual_plot import drawing
from bridge.protocol.state import TuningRow

SVG = "{http://www.w3.org/2000/svg}"


def row(note: int, before: float, after: float, left_out: bool = False) -> TuningRow:
    return {
        "note": note,
        "name": "",
        "asked": 0.0,
        "measured": 0.0,
        "before": before,
        "after": after,
        "missed": 0.0,
        "left_out": left_out,
    }


ROWS = [row(36, 30.0, 0.4), row(48, 10.0, -0.2), row(54, 400.0, 390.0, True), row(60, -8.0, 0.1)]


def circles(text: str) -> list[ET.Element]:
    return list(ET.fromstring(text).iter(f"{SVG}circle"))


def words(text: str) -> str:
    return " ".join(node.text or "" for node in ET.fromstring(text).iter(f"{SVG}text"))


def test_every_reading_and_every_checked_note_is_a_mark_with_its_words() -> None:
    made = drawing("main.pitch-1", ROWS, [(42, 0.3), (54, -0.6)])
    titles = [node.findtext(f"{SVG}title") for node in circles(made)]
    assert titles == [
        "C2: +30.00 cents",
        "C3: +10.00 cents",
        "F#3: +400.00 cents",
        "C4: -8.00 cents",
        "F#2: +0.30 cents",
        "F#3: -0.60 cents",
    ]
    assert "before, worst 30.0 cents" in words(made)
    assert "checked: heard with the tuning, worst 0.60 cents" in words(made)


def test_what_was_left_out_is_hollow() -> None:
    assert [node.get("fill") == "none" for node in circles(drawing("x", ROWS, [(42, 0.3)]))] == [
        False,
        False,
        True,
        False,
        False,
    ]


def test_without_a_check_it_says_that_the_readings_speak_for_themselves() -> None:
    said = words(drawing("x", ROWS))
    assert "after: what the readings leave, worst 0.40 cents" in said
    assert "checked" not in said


def test_sharp_is_up_and_each_strip_has_a_scale_of_its_own() -> None:
    made = circles(drawing("x", [row(36, 50.0, 0.0), row(48, -50.0, 0.0)], [(36, 1.0), (48, 0.0)]))
    heights = [float(node.get("cy") or 0) for node in made]
    assert heights[1] - heights[0] == pytest.approx(170.0)  # the whole strip: -50 to +50
    assert heights[3] - heights[2] == pytest.approx(85.0)  # half of -1 to +1
    assert "+50" in words(drawing("x", [row(36, 50.0, 0.0)]))

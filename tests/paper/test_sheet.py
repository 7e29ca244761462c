"""The patch sheet: complete, self-contained, and safe to open."""

from __future__ import annotations

import re
from datetime import date
from html.parser import HTMLParser
from pathlib import Path

import pytest

from bridge.files.rig import load_rig, parse_rig
from bridge.files.set import load_set, parse_set
from bridge.paper.sheet import sheet_html
from bridge.paper.words import CAUTIONS

DEMO = Path(__file__).parent.parent.parent / "bridge/demo"
DAY = date(2026, 3, 1)


class Balance(HTMLParser):
    """Every element that opens is closed, in order (void elements aside)."""

    void = frozenset(("meta", "br"))

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        if tag not in self.void:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


@pytest.fixture(scope="module")
def demo() -> str:
    rig = load_rig(DEMO / "rig.yaml")
    return sheet_html(rig, load_set(DEMO / "set.yaml", rig), DAY)


def test_it_is_well_formed(demo: str) -> None:
    parser = Balance()
    parser.feed(demo)
    assert parser.open == []


def test_everything_needed_to_rebuild_the_rig_is_on_it(demo: str) -> None:
    rig = load_rig(DEMO / "rig.yaml")
    spec = load_set(DEMO / "set.yaml", rig).spec
    words = Balance()
    words.feed(demo)
    text = " ".join(words.words)
    for lane in spec.lanes:
        assert lane.name in text
    for name, wired in rig.wired.items():
        assert name in text
        assert wired.cable in text
    for macro in spec.macros:
        assert f"{macro.name}" in text
    for section in spec.sections:
        assert section.name in text
    for fact in ("A minor", "126 BPM", "54 %", "2026-03-01", "not tuned", "photo"):
        assert fact in text
    for caution in CAUTIONS:
        assert caution in text
    assert demo.count("<svg") >= len(spec.lanes) + len(spec.macros) + 2


def test_it_stands_alone(demo: str) -> None:
    """No script, no link, nothing fetched; XML names are the only addresses in it."""
    assert not re.search(r"<(script|link|img|iframe|object)\b", demo)
    assert set(re.findall(r"https?://[^\"' <]+", demo)) == {"http://www.w3.org/2000/svg"}
    assert "url(" not in demo
    assert "@import" not in demo


RIG = """\
rig: "Quay <b>rack</b> & co"
interfaces:
  main:
    profile: eight-gates-four-cv
    cables: {gate-1: "kick <voice>, trigger", gate-8: nobody drives this}
"""
SET = """\
set: "<script>alert(1)</script>"
lanes:
  kick: {steps: "x...", out: main.gate-1}
  rim: {steps: "..x.", out: main.gate-2, muted: true}
  ghost: {logic: "kick or rim"}
"""


def test_what_people_write_is_text_and_not_markup() -> None:
    rig = parse_rig(RIG)
    page = sheet_html(rig, parse_set(SET, "set.yaml", rig), DAY)
    assert "<script" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert "kick &lt;voice&gt;" in page
    parser = Balance()
    parser.feed(page)
    assert parser.open == []


def test_loose_ends_are_marked() -> None:
    rig = parse_rig(RIG)
    page = sheet_html(rig, parse_set(SET, "set.yaml", rig), DAY)
    assert "Driven, but no cable is written down: main.gate-2" in page
    assert "Cabled, but nothing drives it: main.gate-8" in page
    assert "Lanes without an output (they help others): ghost" in page
    assert "starts muted" in page


def test_tuning_is_said() -> None:
    rig = parse_rig(RIG)
    document = parse_set(SET, "set.yaml", rig)
    page = sheet_html(rig, document, DAY, {"main.pitch-1": "2026-02-28, worst 1.1 cents"})
    assert "2026-02-28, worst 1.1 cents" in page
    assert page.count("not tuned") == 1


CONTROLLED = (
    RIG
    + """\
clock: {offset_ms: -12.5, send_to: [main]}
controllers:
  desk:
    port: simulated
    controls:
      - {cc: 21, macro: tide, pair: true}
      - {note: 36, channel: 3, mute: kick, feedback: true}
      - {note: 37, section: nowhere}
      - {note: 38, transport: start}
"""
)
MOVED = (
    SET
    + """\
macros:
  tide: {curve: 0.5, slew_ms: 80, drives: [{lane: rim, setting: chance, depth: 0.5}]}
sections:
  low: {play: [kick], tempo: 97, lanes: {rim: {chance: 0.25}}}
"""
)


def spoken(page: str) -> str:
    words = Balance()
    words.feed(page)
    assert words.open == []
    return " ".join(" ".join(words.words).split())


def test_controllers_and_what_they_move_are_on_it() -> None:
    rig = parse_rig(CONTROLLED)
    text = spoken(sheet_html(rig, parse_set(MOVED, "set.yaml", rig), DAY))
    for said in (
        "desk MIDI port simulated",
        "knob, controllers 21 and 53, channel 1 moves tide macro tide picks up at the value",
        "button, note C2 (36), channel 3 moves kick mute kick is told the state",
        "section nowhere not in this set",
        "transport start",
    ):
        assert said in text
    assert text.count("not in this set") == 1


def test_what_else_a_stranger_needs() -> None:
    rig = parse_rig(CONTROLLED)
    text = spoken(sheet_html(rig, parse_set(MOVED, "set.yaml", rig), DAY))
    for said in (
        "offset -12.5 ms",
        "clock goes to main",
        "eight-gates-four-cv, port simulated, usb",
        "gate, 0 to 5 V, note C2 (36), channel 10",
        "curve 0.5; takes 80 ms",
        "low : 97 BPM; rim: chance 0.25",
    ):
        assert said in text


def test_the_running_order_says_what_waits_and_whether_it_begins_anew() -> None:
    rig = parse_rig(CONTROLLED)
    rows = "order: [{section: low, bars: open}, {section: low, bars: 4, times: 2}]\n"
    ended = spoken(sheet_html(rig, parse_set(MOVED + rows, "set.yaml", rig), DAY))
    assert "Running order: low until you go on, low 4 bars x 2" in ended
    assert "again from the first" not in ended
    anew = MOVED + rows + "after_order: again\n"
    again = spoken(sheet_html(rig, parse_set(anew, "set.yaml", rig), DAY))
    assert "low 4 bars x 2, and again from the first" in again


def test_a_trace_says_what_its_ends_are() -> None:
    rig = parse_rig(RIG)
    lanes = (
        "set: S\nlanes:\n  line: {notes: [A1, C3], rate: 1/4, out: main.pitch-1}\n"
        "  tide: {levels: [0, 0.5], rate: 1/4, out: main.level-1}\n"
    )
    page = sheet_html(rig, parse_set(lanes, "set.yaml", rig), DAY)
    for end in (">A1</text>", ">C3</text>", ">0.00 V</text>", ">2.50 V</text>"):
        assert page.count(end) == 1

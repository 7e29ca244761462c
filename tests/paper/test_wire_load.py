"""The worst step of a set on each wire."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.files.rig import Rig, parse_rig
from bridge.files.set import parse_set
from bridge.music.render import events_between
from bridge.music.score import Score, compile_score
from bridge.paper.wire_load import Load, advice, lines, loads, moments

DRUMS = """\
rig: Quay rack
interfaces:
  drums: {profile: drum-triggers-eight}
  main: {profile: eight-gates-four-cv}
"""


@pytest.fixture
def rig() -> Rig:
    return parse_rig(DRUMS)


def score(rig: Rig, lanes: list[str], more: str = "") -> Score:
    text = "set: Low tide\nlanes:\n" + "".join(f"  {line}\n" for line in lanes) + more
    return compile_score(parse_set(text, "set.yaml", rig).spec, rig.ranges)


def eight(out: str = "drums.trigger", rate: str = "1/4") -> list[str]:
    return [f"l{i}: {{every: 1, rate: {rate}, out: {out}-{i}}}" for i in range(1, 9)]


def one(rig: Rig, played: Score) -> Load:
    (load,) = loads(rig, played)
    return load


def test_eight_triggers_on_din(rig: Rig) -> None:
    """Eight note-ons of 0.96 ms: 6.72 ms from the first to the last (320 us a byte)."""
    load = one(rig, score(rig, eight()))
    assert (load.port, load.link, load.section) == ("drums", "din", None)
    assert load.din.spread_ms == pytest.approx(7 * 0.96)
    assert load.own == load.din
    assert load.lanes == tuple(f"l{i}" for i in range(1, 9))


def test_the_same_on_usb_is_one_frame(rig: Rig) -> None:
    load = one(rig, score(rig, eight("main.gate")))
    assert (load.link, load.own.spread_ms) == ("usb", 0.0)
    assert load.din.spread_ms == pytest.approx(7 * 0.96)
    assert advice(load) == []


def test_what_to_do_above_5_ms(rig: Rig) -> None:
    text = list(lines(rig, score(rig, eight())))
    assert text[0].startswith("wire drums: the fullest step is bar 1 beat ")
    assert "8 hits" in text[0]
    assert "6.7 ms from first to last on DIN" in text[0]
    assert "6.7 ms can be heard: l1, l2, l3" in text[1]
    assert "(l7, l8 are last)" in text[2]
    assert "connect by USB" in text[3]
    quiet = list(lines(rig, score(rig, eight()[:5])))
    assert len(quiet) == 1
    assert "5 hits" in quiet[0]


def test_offs_that_fall_on_the_step_count_as_bytes_but_not_as_hits(rig: Rig) -> None:
    lanes = ["a: {every: 1, rate: 1/4, gate: 1, out: main.gate-1}"]
    load = one(rig, score(rig, [*lanes, "b: {every: 2, rate: 1/8, out: main.gate-2}"]))
    assert load.din.bytes == 9  # off and on of a, on of b
    assert load.din.hits == ("main.gate-1", "main.gate-2")
    assert load.din.spread_ms == pytest.approx(0.96)


def test_pitch_goes_first_and_levels_wait(rig: Rig) -> None:
    played = score(
        rig,
        [
            "a: {every: 1, rate: 1/4, out: main.gate-1}",
            "line: {notes: [C2, E2], rate: 1/4, out: main.pitch-1}",
            "swell: {shape: sine, rate: 1/1, out: main.level-1}",
        ],
    )
    for _, sent in moments(rig.wired, events_between(played, 0, 960 * 8)):
        outputs = [output for output, message in sorted(sent, key=lambda pair: pair[1].order)]
        assert "main.level-1" not in outputs
        if "main.gate-1" in outputs and "main.pitch-1" in outputs:
            assert outputs[-1] == "main.gate-1"
    assert one(rig, played).din.bytes == 9  # two controllers and a note


def test_a_longer_gate_is_closed_once(rig: Rig) -> None:
    played = score(rig, ["a: {every: 1, rate: 1/4, gate: 1.5, out: main.gate-1}"])
    found = moments(rig.wired, events_between(played, 0, 960 * 4))
    kinds = [message.data[0] & 0xF0 for _, pairs in found for _, message in pairs]
    assert kinds == [0x90, 0x80] * 4
    # Each hit ends the one before; only the last one ends by itself.
    assert [tick for tick, _ in found] == [0, 960, 1920, 2880, 2880 + 1440]


def test_muted_lanes_and_sections_count(rig: Rig) -> None:
    lanes = [
        "a: {every: 1, rate: 1/4, out: main.gate-1}",
        "b: {every: 1, rate: 1/4, chance: 0, muted: true, out: main.gate-2}",
    ]
    assert len(one(rig, score(rig, lanes)).din.hits) == 1
    more = "sections:\n  flood: {lanes: {b: {chance: 1}}}\n"
    load = one(rig, score(rig, lanes, more))
    assert (len(load.din.hits), load.section) == (2, "flood")
    assert "of section flood" in next(lines(rig, score(rig, lanes, more)))


def test_a_set_without_hits_has_no_load(rig: Rig) -> None:
    assert loads(rig, score(rig, ["swell: {levels: [0, 1], out: main.level-1}"])) == []


def test_the_demo_has_no_step_that_can_be_heard() -> None:
    from bridge.files.rig import load_rig
    from bridge.files.set import load_set

    demo = Path(__file__).parents[2] / "bridge" / "demo"
    rig = load_rig(demo / "rig.yaml")
    spec = load_set(demo / "set.yaml", rig).spec
    for load in loads(rig, compile_score(spec, rig.ranges)):
        assert advice(load) == []

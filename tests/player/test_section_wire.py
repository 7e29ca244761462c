"""Sections that change what is played, as bytes: no gate is left open at their lines, and the first
hit of each is on its line."""

from __future__ import annotations

from pathlib import Path

import bridge
from bridge.files.rig import load_rig
from bridge.files.set import load_set, parse_set
from bridge.music.score import compile_score
from bridge.player.offline import perform_rig
from bridge.protocol.performing import RunOrder

DEMO = Path(bridge.__file__).parent / "demo"
BAR = 3840
Key = tuple[int, int]


def gates(data: list[tuple[float, bytes]]) -> dict[Key, list[tuple[float, float]]]:
    """By channel and note, when each gate opened and closed (MIDI 1.0: note on with velocity 0 is
    note off). Fails where a gate opens twice or is left open."""
    opened: dict[Key, float] = {}
    found: dict[Key, list[tuple[float, float]]] = {}
    for tick, message in data:
        kind, key = message[0] & 0xF0, (message[0] & 0x0F, message[1] if len(message) > 1 else 0)
        if kind == 0x90 and message[2] > 0:
            assert key not in opened, (tick, key)
            opened[key] = tick
        elif kind in (0x80, 0x90) and key in opened:
            found.setdefault(key, []).append((opened.pop(key), tick))
    assert opened == {}
    return found


def test_every_gate_closes_and_sections_begin_on_their_lines() -> None:
    rig = load_rig(DEMO / "rig.yaml")
    score = compile_score(load_set(DEMO / "ideas/shores.yaml", rig).spec, rig.ranges)
    night = perform_rig(rig, score, 20, commands={0: [RunOrder(run=True)]})
    played = gates([(sent.tick, bytes(sent.data)) for sent in night.sent])
    kick = [tick for tick, _ in played[(9, 36)]]  # channel 10, note C2
    per_bar = [
        [round((t - bar * BAR) / 240, 1) for t in kick if bar == int((t + 60) // BAR)]
        for bar in range(20)
    ]
    assert [len(hits) for hits in per_bar] == [4] * 20
    for bar, hits in enumerate(per_bar):
        wanted = [0, 6, 8, 11] if 8 <= bar < 16 else [0, 4, 8, 12]
        assert all(abs(hit - step) < 0.5 for hit, step in zip(hits, wanted, strict=True)), bar
    assert all(abs(hits[0]) < 0.1 for hits in per_bar)


def test_a_tied_lane_is_closed_by_the_section_that_rests() -> None:
    """The tie before the line lasts to the section's first hit, as it is known by then; where the
    section has none for long, for four bars at most (manual: `gate`)."""
    rig = load_rig(DEMO / "rig.yaml")
    text = """set: t
lanes:
  a: {steps: "x...x...", gate: tie, out: main.gate-1}
sections:
  one: {}
  two: {lanes: {a: {steps: "........", gate: 0.5}}}
  three: {lanes: {a: {steps: "..x.....", gate: 0.5}}}
order: [{section: one, bars: 1}, {section: three, bars: 1}, {section: one, bars: 1}, {section: two, bars: 8}]
"""
    score = compile_score(parse_set(text, rig=rig).spec, rig.ranges)
    night = perform_rig(rig, score, 11, commands={0: [RunOrder(run=True)]})
    (key,) = played = gates([(sent.tick, bytes(sent.data)) for sent in night.sent])
    spans = [(round(a / 240), round((b - a) / 120) / 2) for a, b in played[key]]
    assert spans == [
        *((0, 4), (4, 4), (8, 4), (12, 6)),  # the last one until the hit of the next section
        *((18, 0.5), (26, 0.5)),
        *((32, 4), (36, 4), (40, 4), (44, 64)),  # and no longer than four bars where none comes
    ]

"""Whatever the files accept can be played: random sets made of everything that may be written."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.desk import Desk
from support.written import GATES, lanes, output_for

from bridge.files.rig import Rig, parse_rig
from bridge.files.set import parse_set
from bridge.music.render import events_between
from bridge.music.score import Score, compile_score


@pytest.fixture(scope="module")
def rig() -> Rig:
    return parse_rig("rig: R\ninterfaces: {main: {profile: eight-gates-four-cv}}\n")


def plays_and_stops(score: Score, rig: Rig) -> None:
    """The player takes it: nothing fails, nothing is late, and at the end no gate is open."""
    desk = Desk(score, rig=rig.wired)
    desk.start()
    desk.run(1500)
    desk.do("mute", lane="kick", muted=True, when="beat")
    desk.do("macro", macro="knob", value=1.0)
    desk.run(500)
    assert desk.player.song.playing
    desk.do("stop")
    desk.run(200)
    assert desk.player.warnings == []
    opened: set[tuple[int, int]] = set()
    for _, data in desk.ports["main"].sent:
        if data[0] & 0xE0 == 0x80:  # note-on and note-off (MIDI 1.0, table II)
            key = (data[0] & 0x0F, data[1])
            (opened.add if data[0] & 0x10 and data[2] else opened.discard)(key)
    assert opened == set()


@settings(
    max_examples=80,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
@given(
    st.lists(lanes(), min_size=1, max_size=4),
    st.floats(20, 400),
    st.floats(50, 75),
    st.integers(0, 2**32 - 1),
    st.sampled_from(["4/4", "7/8", "3/2", "1/32"]),
    st.floats(0, 1),
)
def test_what_is_accepted_plays_within_its_bounds(
    rig: Rig,
    drawn: list[dict[str, Any]],
    tempo: float,
    swing: float,
    seed: int,
    meter: str,
    start: float,
) -> None:
    gates, used = list(GATES), set()
    helpers: dict[str, Any] = {
        "kick": {"euclid": {"hits": 4, "steps": 16}, "out": gates.pop()},
        "rim": {"euclid": {"hits": 5, "steps": 12}, "rate": "1/16T", "out": gates.pop()},
        "spare": {"steps": "x.x"},
        "line": {"notes": ["A1", "C2"], "advance": "1/4"},
        "swell": {"levels": [0, 1], "advance": "1/4"},
    }
    for number, lane in enumerate(drawn):
        out = output_for(lane, gates)
        if out is not None and not (out == "main.pitch-1" and out in used):
            lane = {**lane, "out": out}
            used.add(out)
        helpers[f"lane-{number}"] = lane
    text = json.dumps(
        {  # JSON is YAML with everything in quotes
            "set": "S",
            "tempo": tempo,
            "swing": swing,
            "seed": seed,
            "meter": meter,
            "key": {"root": "A", "scale": "minor"},
            "lanes": helpers,
            "macros": {
                "knob": {
                    "start": start,
                    "drives": [
                        {"out": "main.level-1", "depth": 0.5},
                        {"lane": "kick", "setting": "density"},
                    ],
                }
            },
        }
    )
    spec = parse_set(text, rig=rig).spec
    score = compile_score(spec, rig.ranges)
    end = min(4 * 3840, 8 * spec.bar_ticks)
    events = events_between(score, 0, end)
    assert [e.tick for e in events] == sorted(e.tick for e in events)
    for event in events:
        assert 0 <= event.tick < end
        assert math.isfinite(event.value)
        if event.kind == "hit":
            assert 0 <= event.value <= 1
            assert event.length >= 1
        elif event.kind == "level":
            reach = rig.ranges[str(event.output)]
            assert reach.low <= event.value <= reach.high
        else:
            assert 0 <= event.value <= 127
    plays_and_stops(score, rig)
    middle = end // 2 + 1  # the same events, however the time is cut
    assert events_between(score, middle, end) == [e for e in events if e.tick >= middle]

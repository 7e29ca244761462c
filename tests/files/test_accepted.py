"""Whatever the files accept can be played: random sets made of everything that may be written."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.desk import Desk

from bridge.files.rig import Rig, parse_rig
from bridge.files.set import parse_set
from bridge.music.model import HIT_KINDS, SETTINGS
from bridge.music.render import events_between
from bridge.music.score import Score, compile_score

GATES = [f"main.gate-{n}" for n in range(1, 9)]
RATES = ["1/16", "1/8T", "1/8.", "3/32", "3:4", "1/4", "5:4", "1/1", "1/64"]


@pytest.fixture(scope="module")
def rig() -> Rig:
    return parse_rig("rig: R\ninterfaces: {main: {profile: eight-gates-four-cv}}\n")


@st.composite
def euclid(draw: st.DrawFn) -> dict[str, Any]:
    steps = draw(st.integers(1, 64))
    found = {
        "hits": draw(st.integers(0, steps)),
        "steps": steps,
        "rotate": draw(st.integers(-64, 64)),
    }
    if draw(st.booleans()):
        length = draw(st.integers(1, steps))
        hits = draw(st.integers(0, length))
        found["fill"] = {"hits": hits, "length": length, "every": draw(st.integers(1, 4))}  # type: ignore[assignment]
    return found


STEPS = st.text("xX.", min_size=1, max_size=32)
NOTE = st.sampled_from(["A1", "C2", "Bb3", "G9", 60.5, 0, 127, ".", "-", None])
SOURCES: dict[str, st.SearchStrategy[Any]] = {
    "euclid": euclid(),
    "steps": STEPS,
    "every": st.integers(1, 16),
    "logic": st.sampled_from(
        [
            "kick",
            "not kick",
            "kick xor rim",
            "(kick or rim) and not rim",
            "nth(rim, 3, 2)",
            "toggle(kick) and rim",
            "delay(rim, 1/8T)",
            "gap(kick, 1/8)",
            "at-least(2, kick, rim)",
            "edge(rim)",
            "chance(rim, 0.5)",
            "latch(kick, rim)",
            "hold(rim, 1/8) and kick",
        ]
    ),
    "notes": st.lists(
        NOTE | st.builds(lambda glide: {"note": "E2", "glide": glide}, st.booleans()),
        min_size=1,
        max_size=6,
    ),
    "levels": st.lists(st.floats(-1, 1) | st.just("."), min_size=1, max_size=6),
    "shape": st.sampled_from(
        ["sine", "triangle", "ramp", "saw", "square", "random-steps", "random-smooth"]
    ),
    "decay": st.sampled_from(["kick", "rim"]),
    "hold": st.builds(
        lambda value, by: {"value": value, "by": by},
        st.sampled_from(["line", "swell"]),
        st.sampled_from(["kick", "rim"]),
    ),
    "walk": st.just(True),
}


@st.composite
def lanes(draw: st.DrawFn) -> dict[str, Any]:
    """A lane: one source, some keys that are for every lane, some settings of its kind."""
    kind = draw(st.sampled_from(sorted(SOURCES)))
    lane: dict[str, Any] = {kind: draw(SOURCES[kind])}
    hits = kind in HIT_KINDS
    if draw(st.booleans()):
        lane["rate"] = draw(st.sampled_from(RATES))
    elif draw(st.booleans()) and kind not in ("logic", "decay", "hold"):
        lane["advance"] = draw(st.sampled_from([*RATES, "kick", "rim"]))
    if kind not in ("decay", "hold") and draw(st.booleans()):
        lane["reset"] = draw(st.sampled_from([1, 3, "kick"]))
    if kind in ("euclid", "steps", "every", "notes", "levels") and draw(st.booleans()):
        lane["direction"] = draw(
            st.sampled_from(["forward", "backward", "back-and-forth", "random-walk", "shuffle"])
        )
    if kind == "logic":
        lane["by"] = draw(st.sampled_from(["steps", "gates"]))
    if kind in ("logic", "decay"):
        lane["tap"] = draw(st.sampled_from(["after-mute", "before-mute"]))
    if hits and draw(st.booleans()):
        lane["accents"] = draw(STEPS)
        lane["passes"] = {"on": [1, 3], "of": 4}
    if hits and draw(st.booleans()):
        lane["gate"] = "tie"
    if kind in ("notes", "shape", "walk", "hold") and draw(st.booleans()):
        lane["quantise"] = draw(st.sampled_from(["key", "off", "major", [0, 7]]))
        lane["octaves"] = draw(st.sampled_from([[1, 3], [-1, -1], [9, 9]]))
        lane["chord"] = draw(st.sampled_from([[1], [1, 3, 5], [9, 13]]))
        lane["transpose_by"] = "line"
    own = [s for s in SETTINGS.values() if kind in s.kinds and s.name not in ("hits", "steps")]
    names = st.lists(st.sampled_from(own), max_size=4, unique_by=lambda s: s.name)
    for setting in draw(names):
        if setting.name in lane or (setting.name in ("low", "high", "rotate")):
            continue
        whole = st.integers(int(setting.low), int(setting.high))
        lane[setting.name] = draw(whole if setting.whole else st.floats(setting.low, setting.high))
    if not hits and draw(st.booleans()):
        # A lane of its own to drive: one that is read here as well would make a circle.
        lane["drives"] = [{"lane": "spare", "setting": "chance", "depth": draw(st.floats(-1, 1))}]
    return lane


def output_for(lane: dict[str, Any], gates: list[str]) -> str | None:
    kind = next(key for key in SOURCES if key in lane)
    if kind in HIT_KINDS:
        return gates.pop() if gates else None
    pitched = kind == "notes" or "quantise" in lane or "transpose" in lane or kind == "hold"
    return "main.pitch-1" if pitched else "main.level-1"


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

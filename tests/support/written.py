"""Random lanes as they are written: everything that a set may hold, for properties of files."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from bridge.music.model import HIT_KINDS, SETTINGS

GATES = [f"main.gate-{n}" for n in range(1, 9)]
RATES = ["1/16", "1/8T", "1/8.", "3/32", "3:4", "1/4", "5:4", "1/1", "1/64"]


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
            "between(kick, rim)",
            "extend(rim, 1/8) and kick",
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
    "sample": st.builds(
        lambda value, at: {"value": value, "at": at},
        st.sampled_from(["line", "swell"]),
        st.sampled_from(["kick", "rim"]),
    ),
    "walk": st.just(True),
    "arpeggio": st.sampled_from(["line", "swell"]),
}


@st.composite
def lanes(draw: st.DrawFn) -> dict[str, Any]:
    """A lane: one source, some keys that are for every lane, some settings of its kind."""
    kind = draw(st.sampled_from(sorted(SOURCES)))
    lane: dict[str, Any] = {kind: draw(SOURCES[kind])}
    hits = kind in HIT_KINDS
    if draw(st.booleans()):
        lane["rate"] = draw(st.sampled_from(RATES))
    elif draw(st.booleans()) and kind not in ("logic", "decay", "sample"):
        lane["advance"] = draw(st.sampled_from([*RATES, "kick", "rim"]))
    if kind not in ("decay", "sample") and draw(st.booleans()):
        lane["reset"] = draw(st.sampled_from([1, 3, "kick"]))
    if kind in ("euclid", "steps", "every", "notes", "levels", "arpeggio") and draw(st.booleans()):
        lane["direction"] = draw(
            st.sampled_from(["forward", "backward", "back-and-forth", "random-walk", "shuffle"])
        )
    if kind == "logic":
        lane["compare"] = draw(st.sampled_from(["steps", "gates"]))
    if kind in ("logic", "decay"):
        lane["reads"] = draw(st.sampled_from(["after-mute", "before-mute"]))
    if hits and draw(st.booleans()):
        lane["accents"] = draw(STEPS)
        lane["passes"] = {"on": [1, 3], "of": 4}
    if hits and draw(st.booleans()):
        lane["gate"] = "tie"
    if kind in ("notes", "shape", "walk", "sample", "arpeggio") and draw(st.booleans()):
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
    pitched = (
        kind == "notes"
        or "quantise" in lane
        or "transpose" in lane
        or kind in ("sample", "arpeggio")
    )
    return "main.pitch-1" if pitched else "main.level-1"


@st.composite
def sets(draw: st.DrawFn) -> dict[str, Any]:
    """A set that is accepted, as plain data."""
    gates = list(GATES)
    made: dict[str, Any] = {
        "kick": {"euclid": {"hits": 4, "steps": 16}, "out": gates.pop()},
        "rim": {"euclid": {"hits": 5, "steps": 12}, "rate": "1/16T", "out": gates.pop()},
        "spare": {"steps": "x.x"},
        "line": {"notes": ["A1", "C2"], "advance": "1/4"},
        "swell": {"levels": [0, 1], "advance": "1/4"},
    }
    used = set()
    for number, lane in enumerate(draw(st.lists(lanes(), max_size=3))):
        out = output_for(lane, gates)
        if out is not None and out not in used:
            lane = {**lane, "out": out}
            used.add(out)
        made[f"lane-{number}"] = lane
    data = {
        "set": draw(TITLES),
        "tempo": draw(st.floats(20, 400)),
        "seed": draw(st.integers(0, 2**32 - 1)),
        "lanes": made,
        "macros": {"push": {"start": draw(st.floats(0, 1)), "drives": [DRIVE, DRIVE]}},
        "sections": {"low": {"play": ["kick", "rim"], "macros": {"push": 0.25}}, "all": {}},
        "order": [{"section": "low", "bars": 4}, {"section": "all", "bars": "open"}],
    }
    keys = draw(st.permutations(sorted(data)))
    return {key: data[key] for key in keys if key != "sections" or data["sections"]}


DRIVE = {"lane": "kick", "setting": "chance", "depth": 0.5}
TITLES = st.text(
    st.characters(codec="utf-8", categories=["L", "N", "P", "S"]), min_size=1, max_size=20
) | st.sampled_from(["Low tide", "no", "1:30", "a # b", "it's", 'say "so"', "ends:", "- dash"])

"""What of the performance a change of the text takes away is known, and nothing else."""

from __future__ import annotations

from typing import Any

from support.said import carry_out

from bridge.music.model import Lane, Macro, Section, SetSpec, Steps
from bridge.music.performance import Performance
from bridge.music.score import compile_score
from bridge.protocol.state import PerformanceState
from bridge.session.restoring import reversed_names, to_restore


def spec(lanes: str, macros: str = "m", sections: str = "flood") -> SetSpec:
    return SetSpec(
        "Low tide",
        lanes=tuple(Lane(name, Steps((1, 0))) for name in lanes.split()),
        macros=tuple(Macro(name, 0.2) for name in macros.split()),
        sections=tuple(Section(name) for name in sections.split()),
    )


def state(before: SetSpec, *commands: dict[str, Any]) -> PerformanceState:
    performance = Performance(compile_score(before, {}))
    for command in commands:
        carry_out(performance, command, 0)
    return performance.state()


def test_what_outlives_the_change_by_name_is_not_brought_back() -> None:
    before = spec("kick rim")
    told = state(before, {"do": "mute", "lane": "rim", "muted": True})
    assert to_restore(told, before, spec("kick rim hat"), {}, {}) == {}
    names = {"lanes": {"rim": "clap"}, "macros": {"m": "n"}}
    assert to_restore(told, before, spec("kick clap", "n"), names, {}) == {}


def test_a_lane_and_a_macro_that_go_are_kept_whole() -> None:
    before = spec("kick rim")
    told = state(
        before,
        {"do": "mute", "lane": "rim", "muted": True},
        {"do": "macro", "macro": "m", "value": 0.7},
    )
    found = to_restore(told, before, spec("kick", ""), {}, {})
    assert found["lanes"]["rim"]["under"] is True
    assert list(found["lanes"]) == ["rim"]
    assert found["macros"]["m"]["value"] == 0.7


def test_what_another_takes_the_name_of_is_gone_all_the_same() -> None:
    before = spec("kick rim", sections="shallow flood")
    told = state(before, {"do": "section", "section": "shallow", "when": "now"})
    names = {"lanes": {"kick": "rim"}, "sections": {"flood": "shallow"}}
    found = to_restore(told, before, spec("rim", sections="shallow"), names, {})
    assert (list(found["lanes"]), found["section"]) == (["rim"], "shallow")
    assert reversed_names(names) == {"lanes": {"rim": "kick"}, "sections": {"shallow": "flood"}}


def test_hands_and_tempo_that_the_change_itself_moves_come_back() -> None:
    before = spec("kick")
    told = state(before, {"do": "setting", "lane": "kick", "setting": "chance", "value": 0.5})
    parts = {"lanes": {"kick": {"hand": {}}}, "tempo": 99.0}
    found = to_restore(told, before, before, {}, parts)
    assert found["lanes"] == {"kick": {"hand": {"chance": 0.5}}}
    assert found["tempo"] == 120.0

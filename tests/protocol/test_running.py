"""Commands for the transport, the tempo, the clock and the outputs: how each is taken back."""

from __future__ import annotations

from typing import Any

import pytest
from support.said import say
from support.states import EMPTY, lane_state, player_report

from bridge.protocol.command import Command
from bridge.protocol.internal import PutBack
from bridge.protocol.state import PlayerReport

STATE = player_report(
    {**EMPTY, "tempo": 97.5, "lanes": {"kick": lane_state(pending=None), "rim": lane_state()}},
    clock={
        "source": "host",
        "state": "locked",
        "tempo": 97.5,
        "jitter_ms": 0.0,
        "block_ms": 0.0,
        "two": [],
        "offset_ms": -3.0,
        "others": {},
    },
)


@pytest.mark.parametrize(
    ("command", "back"),
    [
        (say("tempo", bpm=120.0), (say("tempo", bpm=97.5),)),
        (say("tap"), (say("tempo", bpm=97.5),)),
        (say("nudge", ms=4.0), (say("nudge", ms=-4.0),)),
        (say("nudge", ms=0.0), ()),
        (say("offset", ms=5.0), (say("offset", ms=-3.0),)),
        (say("offset", ms=-3.0), ()),
        (say("follow", source="internal"), (say("follow", source="host"),)),
        (say("follow", source="host"), ()),
        (say("start"), ()),
        (say("position", tick=960), ()),
        (say("cancel", lane="kick"), ()),
        (say("cancel", section="flood"), ()),
    ],
    ids=repr,
)
def test_a_command_is_taken_back_from_the_state_before_it(
    command: Command, back: tuple[Command, ...]
) -> None:
    assert command.inverse(STATE, {}) == back


@pytest.mark.parametrize("name", ["tempo", "offset"])
def test_what_is_on_its_way_to_the_player_counts_as_the_present(name: str) -> None:
    fields = {"tempo": ("bpm", 100.0, 110.0), "offset": ("ms", 1.0, 2.0)}
    key, first, second = fields[name]
    before, after = say(name, **{key: first}), say(name, **{key: second})
    unconfirmed = {before.address(): before.remembered()}
    assert after.inverse(STATE, unconfirmed) == (before,)
    assert after.merges()


def test_a_tempo_that_glides_is_put_back_into_its_glide() -> None:
    glide: Any = {"tick": 0, "ticks": 3840, "from": 90.0}
    state: PlayerReport = {**STATE, "tempo_glide": glide}
    put_back = PutBack(parts={"tempo": 97.5, "tempo_glide": glide})
    assert say("tempo", bpm=120.0).inverse(state, {}) == (put_back,)
    assert say("tap").merges()


@pytest.mark.parametrize(
    ("command", "remembered"),
    [(say("start"), "running"), (say("stop"), "stopped"), (say("continue"), "running")],
    ids=repr,
)
def test_the_transport_remembers_what_was_asked_last(command: Command, remembered: str) -> None:
    assert command.remembered() == remembered
    assert command.address() == say("start").address()


def test_a_waiting_mute_and_a_waiting_section_are_put_back() -> None:
    waits: Any = {"muted": True, "tick": 3840, "bar": 2, "text": "", "back": None, "auto": False}
    coming: Any = {"section": "flood", "tick": 3840, "by": "hand"}
    state: PlayerReport = {
        **STATE,
        "lanes": {"kick": lane_state(pending=waits)},
        "section_pending": coming,
    }
    (mute,) = say("cancel", lane="kick").inverse(state, {})
    assert mute == PutBack(parts={"lanes": {"kick": {"pending": waits}}})
    (section,) = say("cancel", section="flood").inverse(state, {})
    assert section == PutBack(parts={"section_pending": coming})
    assert say("cancel", section="ebb").inverse(state, {}) == ()


def test_a_setting_that_a_morph_moves_goes_back_into_the_morph() -> None:
    morph: Any = {"tick": 0, "ticks": 3840, "from": [["kick", "chance", 1.0]]}
    lane = lane_state(hand={"chance": 0.4, "gate": 0.5})
    state: PlayerReport = {**STATE, "lanes": {"kick": lane}, "morph": morph}
    (back,) = say("setting", lane="kick", setting="chance", value=0.9).inverse(state, {})
    hand = {"gate": 0.5, "chance": 0.4}
    assert back == PutBack(parts={"lanes": {"kick": {"hand": hand}}, "morph": morph})
    same = say("setting", lane="kick", setting="chance", value=0.4)
    assert same.inverse({**STATE, "lanes": {"kick": lane}}, {}) == ()


@pytest.mark.parametrize(
    ("command", "words"),
    [
        (say("offset", ms=-3.5), ("-3.5", "ms")),
        (say("copy", lane="kick", to="rim"), ("kick", "rim")),
        (say("clear", lane="kick"), ("kick",)),
        (say("randomise", lane="kick", amount=0.5, seed=1), ("kick",)),
        (say("cancel", section="flood"), ("flood",)),
        (say("solo", lane="kick", on=True), ("kick",)),
        (say("freeze", lane="kick", on=True), ("kick",)),
        (say("section", section="flood"), ("flood",)),
        (say("setting", lane="kick", setting="chance", value=0.5), ("kick", "chance")),
        (say("tempo", bpm=120.0), ("120",)),
        (say("macro", macro="swell", value=0.5), ("swell",)),
    ],
    ids=repr,
)
def test_a_label_names_what_was_moved(command: Command, words: tuple[str, ...]) -> None:
    for word in words:
        assert word in command.label()

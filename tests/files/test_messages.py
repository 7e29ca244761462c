"""What a newcomer gets wrong first, and whether the message says what is meant."""

from __future__ import annotations

import pytest
from support.refusals import lines_of

from bridge.files import trade_words
from bridge.files.profile import ProfileModel, parse_profile
from bridge.files.rig import ClockModel, InterfaceModel, RigModel, parse_rig
from bridge.files.set import parse_set
from bridge.files.set_lane import DriveModel, EuclidModel, LaneModel
from bridge.files.set_models import MacroModel, SectionModel, SetModel
from bridge.files.strict import written_keys

SET = "set: S\nlanes:\n  a: {every: 1}\n"
RIG = "rig: R\ninterfaces: {main: {profile: eight-gates-four-cv}}\n"
PROFILE = "profile: p\noutputs:\n  a: {kind: gate, by: note, number: 36}\n"
MODELS = {
    model.called: model
    for model in (
        SetModel,
        LaneModel,
        EuclidModel,
        DriveModel,
        MacroModel,
        SectionModel,
        RigModel,
        InterfaceModel,
        ClockModel,
    )
}


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (
            f"{SET}  macros:\n    b: {{start: 0.5}}\n",
            "set.yaml:4:3  lanes.macros: is a key of the set, not a lane: write macros at the left "
            "edge, as lanes is",
        ),
        (
            f"{SET}  order: [{{section: x, bars: 4}}]\n",
            "set.yaml:4:3  lanes.order: is a key of the set, not a lane: write order at the left "
            "edge, as lanes is",
        ),
        (
            f"{SET}kick: {{every: 4}}\n",
            "set.yaml:4:1  kick: is not a key of a set; if it is a lane, indent it under lanes",
        ),
        (
            "set: S\nlanes:\n  a: {every: 1, chance: 0,5}\n",
            "set.yaml:3:27  lanes.a.5: stands after a comma; a decimal is written with a point, as "
            "in 0.5",
        ),
        (
            "set: S\nlanes:\n  a:\n    every: 1\n    chance: 0,5\n",
            "set.yaml:5:13  lanes.a.chance: must be a number from 0 to 1, not 0,5; write decimals "
            "with a point: 0.5",
        ),
        (
            f"set: S\ntempo:118\n{SET[7:]}",
            "set.yaml:2:1  needs a space after the colon: tempo: 118",
        ),
        (f"set:S\n{SET[7:]}", "set.yaml:1:1  needs a space after the colon: set: S"),
        (
            "set: S\nlanes:\n  k:\n    every:1\n    chance: 1\n",
            "set.yaml:4:5  needs a space after the colon: every: 1",
        ),
        (
            "set: S\nlanes:\n  a: {every: 1, rate:1/8}\n",
            "set.yaml:3:17  lanes.a.rate:1/8: needs a space after the colon: rate: 1/8",
        ),
        (
            "set: S\nlanes:\n  Kick Drum: {every: 1}\n",
            "set.yaml:3:3  lanes.Kick Drum: Kick Drum is not a name: a name is lower-case letters, "
            "digits and hyphens, begins with a letter, at most 32; write kick-drum",
        ),
        (
            "set: S\nlanes:\n  a: {every: 1, velocity: 0.5}\n",
            "set.yaml:3:17  lanes.a.velocity: is not a key of a lane; did you mean level?",
        ),
        (
            "set: S\nlanes:\n  a: {every: 1, reverse: true}\n",
            "set.yaml:3:17  lanes.a.reverse: is not a key of a lane; did you mean direction: "
            "backward?",
        ),
        (
            "set: S\nlanes:\n  a: {every: 1, direction: reverse}\n",
            "set.yaml:3:28  lanes.a.direction: must be forward, backward, back-and-forth, "
            "random-walk or shuffle, not reverse; did you mean backward?",
        ),
        (f"bpm: 118\n{SET}", "set.yaml:1:1  bpm: is not a key of a set; did you mean tempo?"),
        (RIG, "set.yaml:1:1  this is a rig, and a set is wanted here; were two files swapped?"),
        (
            PROFILE,
            "set.yaml:1:1  this is a profile, and a set is wanted here; were two files swapped?",
        ),
    ],
)
def test_one_slip_is_one_message_that_says_what_is_meant(text: str, line: str) -> None:
    assert lines_of(lambda: parse_set(text)) == [line]


@pytest.mark.parametrize("text", [SET, PROFILE])
def test_another_kind_of_file_is_told_as_such(text: str) -> None:
    (line,) = lines_of(lambda: parse_rig(text))
    assert "and a rig is wanted here; were two files swapped?" in line
    assert lines_of(lambda: parse_profile(RIG)) == [
        "profile:1:1  this is a rig, and a profile is wanted here; were two files swapped?"
    ]
    assert ProfileModel.called == "a profile"


WORDS = [
    (called, word, key)
    for called, words in trade_words._INSTEAD.items()
    for word, key in words.items()
]


@pytest.mark.parametrize(("called", "word", "key"), WORDS)
def test_every_trade_word_leads_to_a_key_that_is_there(called: str, word: str, key: str) -> None:
    known = written_keys(MODELS[called])
    assert key in known
    assert word not in known, "the model has that very key: nothing to say"
    assert trade_words.instead(called, word.upper(), known).endswith(f"did you mean {key}?")


@pytest.mark.parametrize(
    ("word", "key"),
    [
        ("velocity", "level"),
        ("probability", "chance"),
        ("ratchet", "repeats"),
        ("lfo", "shape"),
        ("reverse", "direction: backward"),
        ("humanize", "humanise_ms"),
        ("mute", "muted"),
        ("Division", "rate"),
        ("ping-pong", "direction: back-and-forth"),
    ],
)
def test_words_of_the_trade_on_a_lane(word: str, key: str) -> None:
    (line,) = lines_of(lambda: parse_set(f"set: S\nlanes:\n  a: {{every: 1, {word}: 1}}\n"))
    assert line.endswith(f"did you mean {key}?")


def test_a_lane_may_bear_the_name_of_a_key() -> None:
    """Only what has no source is taken for a key in the wrong place."""
    assert (
        lines_of(lambda: parse_set("set: S\nlanes: {order: {every: 1}, key: {every: 2}}\n")) == []
    )

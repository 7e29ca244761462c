"""What is written in a rig and has no effect."""

from __future__ import annotations

import pytest

from bridge.files.rig import parse_rig
from bridge.files.rig_effects import drivers, rig_warnings, without_driver
from bridge.files.set import parse_set

RIG = """\
rig: Quay rack
interfaces:
  main:
    profile: eight-gates-four-cv
    port: simulated
    cables: {gate-1: kick voice, pitch-1: bass voice}
  sync: {profile: clock-and-reset, cables: {clock-24: drum box clock, reset: drum box reset}}
clock: {follow: internal, send_to: [sync]}
"""
SET = "set: Low tide\nlanes:\n  kick: {every: 4, out: main.gate-1}\n"


def said(rig: str, text: str | None = None) -> list[str]:
    read = parse_rig(rig)
    return [str(p) for p in rig_warnings(read, parse_set(text).spec if text else None)]


def test_a_good_rig_says_nothing() -> None:
    assert said(RIG) == []
    assert said(RIG, SET) == []


@pytest.mark.parametrize("word", ["intern", "int", "Internal", "intenal", "internl"])
def test_a_slip_of_internal_is_asked_about(word: str) -> None:
    assert said(RIG.replace("internal", word)) == [
        f"rig.yaml:8:17  clock.follow: the rig waits for the clock of a MIDI input called {word}; "
        "did you mean internal?"
    ]


@pytest.mark.parametrize("word", ["Interface", "Interlude 2", "Recorder", "internet of things"])
def test_a_name_of_a_port_is_no_slip(word: str) -> None:
    assert said(RIG.replace("internal", word)) == []


def test_a_slip_of_simulated_is_asked_about() -> None:
    assert said(RIG.replace("simulated", "simulate")) == [
        "rig.yaml:5:11  interfaces.main.port: looks for a MIDI port called simulate; did you mean "
        "simulated?"
    ]


def test_played_outputs_without_a_cable_are_said_in_one_line() -> None:
    more = (
        "  rim: {every: 3, out: main.gate-2}\n  swell: {levels: [0, 1], out: main.level-1}\n"
        "macros: {glow: {drives: [{out: main.level-1, depth: 0.1}]}}\n"
    )
    assert said(RIG, SET + more) == [
        "rig.yaml:6:5  interfaces.main.cables: main.gate-2 (rim) and main.level-1 (swell and "
        "macro glow) are played, but no cable is written down"
    ]


def test_a_cable_that_this_set_does_not_play_is_no_mistake_but_is_known() -> None:
    assert without_driver(parse_rig(RIG), parse_set(SET).spec) == ["main.pitch-1"]


def test_a_clock_jack_with_a_cable_needs_our_clock() -> None:
    assert said(RIG.replace("send_to: [sync]", "send_to: [main]")) == [
        f"rig.yaml:7:{column}  interfaces.sync.cables.{jack}: sync.{jack} never moves: sync gets "
        "no clock; write send_to: [sync] under clock"
        for jack, column in (("clock-24", 55), ("reset", 78))
    ]


def test_the_clock_drives_its_outputs_where_it_is_sent() -> None:
    sent = drivers(parse_rig(RIG), parse_set(SET).spec)
    assert sent["sync.clock-24"] == sent["sync.clock-4"] == ["clock"]
    assert sent["sync.reset"] == sent["sync.run"] == ["transport"]
    assert sent["sync.pulse-1"] == []
    silent = drivers(parse_rig(RIG.replace("[sync]", "[main]")), None)
    assert not any(silent.values())


def test_the_player_drives_a_clock_output_with_an_address_of_its_own(tmp_path) -> None:  # type: ignore[no-untyped-def]
    (tmp_path / "box.yaml").write_text(
        "profile: box\noutputs:\n  beat: {kind: clock, by: note, number: 40, ppqn: 4}\n"
    )
    rig = parse_rig("rig: R\ninterfaces: {x: {profile: box}}\n", beside=tmp_path)
    assert drivers(rig, None) == {"x.beat": ["clock"]}


def test_controls_that_move_nothing_in_this_set_are_said() -> None:
    more = (
        "controllers:\n  desk: {port: K, controls: [{cc: 1, macro: lamp}, {note: 1, mute: kik}, "
        "{note: 2, mute: kick}]}\n"
    )
    assert said(RIG + more, SET) == [
        "rig.yaml:10:45  controllers.desk.controls.0.macro: the set has no macro lamp",
        "rig.yaml:10:68  controllers.desk.controls.1.mute: the set has no lane kik; "
        "did you mean kick?",
    ]

"""Voices lined up by ear: the plan, the rig file, and the player that plays by it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from support.desk import BAR, Desk, score_of
from support.drums import RATE, Drum, room
from support.earshot import Earshot

from bridge.bench.checklist import FULL, QUIET
from bridge.bench.hearing import Hearing, Hit, Struck
from bridge.bench.lining import LiningUp, late_words, lined_up, plan_of, plan_words
from bridge.files.rig import Rig, parse_rig
from bridge.listen.onset import first_onset
from bridge.listen.sound import Sound
from bridge.music.model import Lane, Steps
from bridge.music.pattern import parse_steps
from bridge.music.ticks import parse_rate
from bridge.player.start import port_specs

FOUR = """\
rig: Quay rack          # four boxes, bought over the years
interfaces:
  one: {profile: eight-gates-four-cv, cables: {gate-1: kick voice}}
  two: {profile: eight-gates-four-cv, latency_ms: 9, cables: {gate-1: rim voice}}
  three:
    profile: eight-gates-four-cv
    cables:
      gate-1: shaker voice   # from the flea market
      gate-2: {to: bell voice, notes: long decay}
clock: {follow: Recorder, offset_ms: -3}
"""
LATE = {"one.gate-1": 0.0, "two.gate-1": 12.0, "three.gate-1": 3.7, "three.gate-2": 8.2}
KINDS = {"one.gate-1": "kick", "two.gate-1": "rim", "three.gate-1": "click", "three.gate-2": "bell"}
HERTZ = {"kick": 50.0, "rim": 450.0, "click": 2500.0, "bell": 550.0}


def drums(seed: int) -> dict[str, Drum]:
    return {
        name: Drum(kind, HERTZ[kind], 150.0, 0.3, LATE[name], seed=seed)
        for name, kind in KINDS.items()
    }


def measured(seed: int, hits: int = 6) -> dict[str, Struck]:
    world = Earshot(drums(seed), seed=seed)
    ears = Hearing(world.ear, world)
    return {name: ears.strike(name, 0.3, hits) for name in LATE}


def struck(*late_ms: float) -> Struck:
    sound = Sound(-12.0, (-10.0,) * 10, 500.0, 50.0)
    return Struck(0.3, max(1, len(late_ms)), tuple(Hit(ms, sound) for ms in late_ms))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_four_voices_up_to_twelve_ms_late_sound_within_half_a_millisecond(seed: int) -> None:
    """Measured by ear, written to the rig, read again, and played by the player: the sounds of one
    bar's hits are then placed anew in what the four voices sound."""
    rig = parse_rig(FOUR)
    plan = plan_of(rig, measured(seed))
    again = parse_rig(lined_up(rig, plan))
    assert played_apart_ms(rig, seed) > 8.0
    assert played_apart_ms(again, seed) <= 0.5
    assert plan.apart_ms(1) <= 0.5


def played_apart_ms(rig: Rig, seed: int) -> float:
    """How far apart the sounds of the four voices begin, at worst, when all hit on each quarter."""
    lanes = [
        Lane(f"l{i}", Steps(parse_steps("x...")), parse_rate("1/16"), out=name)
        for i, name in enumerate(LATE)
    ]
    desk = Desk(score_of(*lanes, rig=rig.wired), rig=rig.wired, specs=port_specs(rig.interfaces))
    desk.start()
    desk.run_to(BAR)
    begins: list[list[float]] = []
    for name, one in drums(seed).items():
        port, jack = name.split(".")
        note = 35 + int(jack[-1])
        sent = [ms for ms, data in desk.sent(port) if data[:2] == bytes((0x99, note))]
        begins.append([heard_ms(one, ms, i) for i, ms in enumerate(sent[1:4])])
    apart: float = max(max(row) - min(row) for row in zip(*begins, strict=True))
    return apart


def heard_ms(one: Drum, sent_ms: float, number: int) -> float:
    """When the sound of a message begins, in a room of its own."""
    line = room(round(0.8 * RATE), RATE, np.random.default_rng(number))
    at = round((sent_ms % 100.0 + 200.0) * RATE / 1e3)
    voice = one.hit(number, seconds=0.3)
    line[at : at + len(voice)] += voice
    found = first_onset(line, RATE, 9000)
    assert found is not None
    return float(sent_ms + (found.at - at) / RATE * 1e3)


def test_the_rig_keeps_its_comments_and_gets_only_what_changes() -> None:
    rig = parse_rig(FOUR)
    late = {name: struck(ms, ms, ms) for name, ms in LATE.items()}
    plan = plan_of(rig, late)
    assert dict(plan.interfaces) == {"one": (0.0, 0.0), "two": (9.0, 12.0), "three": (0.0, 3.7)}
    text = lined_up(rig, plan)
    assert "# four boxes, bought over the years" in text
    assert "# from the flea market" in text
    assert "gate-2: {to: bell voice, notes: long decay, latency_ms: 4.5}" in text
    again = parse_rig(text)
    assert [i.latency_ms for i in again.interfaces.values()] == [0.0, 12.0, 3.7]
    assert again.interfaces["three"].voice_ms == {"three.gate-2": 4.5}
    assert again.cables["three.gate-2"].notes == "long decay"
    assert again.clock == rig.clock
    words = plan_words(rig, plan)
    assert "  two: latency_ms 9 -> 12" in words
    assert "  three.gate-2, bell voice: latency_ms 0 -> 4.5" in words
    assert "hits fall 8.20 ms apart before, 0.00 after" in words


def test_a_second_time_nothing_changes_and_a_voice_that_got_faster_loses_its_own() -> None:
    rig = parse_rig(FOUR)
    late = {name: struck(ms, ms, ms) for name, ms in LATE.items()}
    text = lined_up(rig, plan_of(rig, late))
    again = parse_rig(text)
    plan = plan_of(again, late)
    assert not plan.changes
    assert lined_up(again, plan) == text
    late["three.gate-2"] = struck(3.8, 3.8)
    faster = parse_rig(lined_up(again, plan_of(again, late)))
    assert faster.interfaces["three"].voice_ms == {}


def test_the_delay_of_the_input_itself_does_not_count() -> None:
    rig = parse_rig(FOUR)
    near = plan_of(rig, {name: struck(ms) for name, ms in LATE.items()})
    far = plan_of(rig, {name: struck(ms + 31.0) for name, ms in LATE.items()})
    assert far.interfaces == near.interfaces
    assert far.voices == near.voices


def test_what_was_not_heard_is_left_as_it_is() -> None:
    rig = parse_rig(FOUR)
    plan = plan_of(rig, {"one.gate-1": struck(2.0), "two.gate-1": struck()})
    assert plan.interfaces == {"one": (0.0, 0.0)}
    assert "  two: no voice of it was heard clearly; it stays as it is" in plan_words(rig, plan)
    with pytest.raises(ValueError, match="no voice was heard"):
        plan_of(rig, {"two.gate-1": struck()})


def test_a_voice_of_which_it_is_not_sure_when_it_sounds_gets_no_figure() -> None:
    """It is struck at full level, too, and what is not sure then is left out."""
    rig = parse_rig(FOUR)
    voices = {
        "one.gate-1": Drum("rim", 450.0, 60.0, 0.8, 4.0),
        "two.gate-1": Drum("wash", 7000.0, 900.0, 0.3, 2.0, attack_ms=20.0),
    }
    world = Earshot(voices, noise_db=-30.0)
    lining = LiningUp(rig, Hearing(world.ear, world), 4)
    assert list(lining.run(list(voices))) == list(voices)
    rim, wash = lining.late.values()
    assert (rim.placed, wash.heard, wash.placed) == (True, True, False)
    assert {level for output, what, level in world.moves if what == "open" and "two" in output} == {
        QUIET,
        FULL,
    }
    assert "heard, but not sure when" in late_words(rig, "two.gate-1", wash)
    plan = plan_of(rig, lining.late)
    assert dict(plan.interfaces) == {"one": (0.0, 0.0)}
    assert plan.apart_ms(0) == 0.0
    with pytest.raises(ValueError, match="no voice was heard clearly"):
        plan_of(rig, {"two.gate-1": wash})


def test_hits_that_are_not_sure_do_not_move_the_median() -> None:
    sure = struck(2.0, 2.2, 2.4)
    odd = replace(sure.hits[0], late_ms=13.0, sure=False)
    both = replace(sure, sent=4, hits=(*sure.hits, odd))
    assert (both.placed, both.late_ms) == (True, 2.2)
    assert not replace(sure, sent=2, hits=(sure.hits[0], odd, odd)).placed


def test_a_voice_without_a_cable_has_no_place_for_its_own() -> None:
    rig = parse_rig(FOUR)
    plan = plan_of(rig, {"one.gate-1": struck(1.0), "one.gate-5": struck(6.0)})
    assert plan.unwritten == ("one.gate-5",)
    assert any("write its cable down" in line for line in plan_words(rig, plan))


def test_more_than_can_be_made_up_for_is_said() -> None:
    rig = parse_rig(FOUR)
    with pytest.raises(ValueError, match="rim voice is 200 ms later than the earliest"):
        plan_of(rig, {"one.gate-1": struck(0.0), "two.gate-1": struck(200.0)})

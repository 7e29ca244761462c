"""When the player is to be awake next: a step that only sends leaves nothing out."""

from __future__ import annotations

from fractions import Fraction

import pytest
from support.desk import BAR, BEAT, Desk, gate_lane, score_of

from bridge import demo
from bridge.files.rig import load_rig
from bridge.files.set import load_set
from bridge.music.model import Lane, Shape
from bridge.music.score import compile_score
from bridge.player.sending import EARLY_NS
from bridge.player.waking import Waking

SWELL = Lane("swell", Shape("sine"), Fraction(2 * BEAT), out="main.level-1")
KICK = gate_lane("kick", "x...")


def low_tide() -> Desk:
    """The demo's set, as it is played."""
    rig_path, set_path = demo.files()
    rig = load_rig(rig_path)
    return Desk(compile_score(load_set(set_path, rig).spec, rig.ranges), rig=rig.wired)


def evening(desk: Desk) -> list[tuple[float, bytes]]:
    """Some bars with a hand on everything; what was sent on all ports."""
    desk.start()
    for number in range(40):
        desk.run(193.7)
        if number % 3 == 0:
            desk.do("macro", macro="brightness", value=number / 40)
        if number % 7 == 2:
            desk.do("mute", lane="rim", muted=number % 2 == 0)
        if number % 11 == 5:
            desk.do("tempo", bpm=120.0 + number)
        if number % 13 == 6:
            desk.do("offset", ms=float(number % 5))
    desk.do("stop")
    desk.run(500)
    return [row for port in sorted(desk.ports) for row in desk.sent(port)]


def test_what_is_sent_is_the_same_when_each_step_looks_at_everything(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    desk = low_tide()
    steps, only_sent = 0, 0
    calm = Waking.calm

    def counted(waking: Waking, now: int) -> bool:
        nonlocal steps, only_sent
        found = calm(waking, now)
        steps, only_sent = steps + 1, only_sent + found
        return found

    monkeypatch.setattr(Waking, "calm", counted)
    sent = evening(desk)
    assert only_sent > steps // 4, "most steps look at everything, so this test shows nothing"
    monkeypatch.setattr(Waking, "calm", lambda waking, now: False)
    assert sent == evening(low_tide())
    assert len(sent) > 1500


def test_another_set_takes_over_at_the_next_bar_however_calm_it_is() -> None:
    desk = Desk(score_of(KICK, SWELL))
    desk.start()
    desk.run_to(BAR + BAR // 2)
    desk.player.swap(score_of(gate_lane("kick", "x.x.x.x."), SWELL), 2, "bar")
    desk.run_to(2 * BAR - 100)
    assert desk.player.part.revision == 1
    before = len(desk.ons())
    desk.run_to(3 * BAR - 100)
    assert desk.player.part.revision == 2
    assert len(desk.ons()) - before == 8


def sent_before_time(ns: int) -> list[bytes]:
    """What leaves when the player is called so long before each deadline, in two bars."""
    desk = Desk(score_of(KICK, SWELL))
    desk.start()
    desk.run(300)
    early: list[bytes] = []
    end = desk.player.song.time_of(3 * BAR)
    while desk.now < end:
        wanted, due = desk.player.step(desk.now), desk.player.sender.next_due()
        if due is None or not desk.now < due - ns <= wanted:
            desk.now = wanted
            continue
        desk.now = due - ns
        before = len(desk.sent())
        wanted = desk.player.step(desk.now)
        early += [data for _, data in desk.sent()[before:]]
        desk.now = wanted
    assert len(desk.ons()) > 8
    return early


def test_only_steps_of_a_glide_leave_before_their_deadline_and_only_a_moment() -> None:
    early = sent_before_time(EARLY_NS)
    assert len(early) > 150
    assert {data[:2] for data in early} == {bytes((0xB0, 20))}
    assert sent_before_time(EARLY_NS + 1) == []

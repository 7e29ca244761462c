"""Lanes that read others are asked only where those do something; what is played is the same as
when every one is asked in every window."""

from __future__ import annotations

from random import Random

import pytest
from support import corpus

from bridge.music.ensemble import Ensemble
from bridge.music.event import Event
from bridge.music.performance import Performance
from bridge.music.render import Renderer

BARS = 6


def played(number: int) -> list[Event]:
    """A made-up set, with what a hand does, resets among it, in windows of a few milliseconds."""
    score, dice = corpus.score_of(number), Random(number)
    renderer = Renderer(score, Performance(score))
    end, hand = BARS * score.spec.bar_ticks, corpus.hand_of(number)
    names = [lane.name for lane in score.lanes]
    resets = {dice.randrange(1, end): dice.choice(names) for _ in range(6)}
    events: list[Event] = []
    while renderer.position < end:
        now = renderer.position
        for command in hand.pop(now, ()):
            renderer.performance.apply(command, now)
        if now in resets:
            renderer.reset(resets.pop(now))
        until = min([end, now + dice.choice((3, 12, 20, 61)), *hand, *resets])
        events += renderer.advance(until)
        hand = {tick: made for tick, made in hand.items() if tick >= until}
        resets = {tick: lane for tick, lane in resets.items() if tick >= until}
    return events


@pytest.mark.parametrize("number", range(1, 300, 3))
def test_it_plays_as_if_all_were_asked(number: int, monkeypatch: pytest.MonkeyPatch) -> None:
    found = played(number)
    # Whatever the version is, it is not the one with which they were asked last.
    always = property(lambda self: None, lambda self, version: None)
    monkeypatch.setattr(Ensemble, "_asked", always, raising=False)
    assert played(number) == found

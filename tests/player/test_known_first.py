"""What leaves next is sent before anything else is done, where it is sure to be the next."""

from __future__ import annotations

import random

import pytest
from support.desk import MS, Desk, gate_lane, score_of

from bridge.player.core import PlayerCore


def played(seed: int) -> list[tuple[float, bytes]]:
    """What a player sends that is moved in time by hand, called at odd moments too.

    Nothing is shifted by milliseconds: how many ticks those are is settled where the player
    renders, and how far it has rendered when another tempo comes is its own affair.
    """
    draws = random.Random(seed)
    desk = Desk(
        score_of(
            gate_lane("kick", "x... x..x x.x. xx..", 1),
            gate_lane("hat", "xxxx", 2, rate="1/32"),
            gate_lane("bell", "x.x", 3, rate="1/8T", settings={"shift": -0.07}),
        )
    )
    desk.start()
    until = desk.now + 4000 * MS
    while desk.now < until:
        desk.run(draws.uniform(0.05, 30))
        if draws.random() < 0.4:
            desk.do("offset", ms=round(draws.uniform(-12, 12), 1))
        if draws.random() < 0.3:
            desk.do("tempo", bpm=round(draws.uniform(90, 170), 1))
        if draws.random() < 0.2:
            desk.do("nudge", ms=draws.choice((-4, 4)))
    return desk.sent()


@pytest.mark.parametrize("seed", range(12))
def test_the_same_leaves_at_the_same_time_as_when_everything_is_looked_at_before(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    sent = played(seed)
    assert len(sent) > 200
    monkeypatch.setattr(PlayerCore, "_known_until", lambda self: 0)
    assert played(seed) == sent

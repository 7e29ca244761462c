"""What is played stays what it was, tick for tick and byte for byte: see support.corpus, which
compares every set; here it is each third, since that takes a minute less."""

from __future__ import annotations

from random import Random

import pytest
from support import corpus

from bridge.music.event import Event
from bridge.music.performance import Performance
from bridge.music.render import Renderer

GROUPS = 10
KNOWN = corpus.reference()


@pytest.mark.parametrize("group", range(GROUPS))
def test_made_up_sets_play_as_they_did(group: int) -> None:
    numbers = [n for n in KNOWN if n % GROUPS == group and n // GROUPS % 3 == 0]
    assert len(numbers) >= 10
    for number in numbers:
        assert corpus.prints_of(number) == KNOWN[number], f"set {number}"


@pytest.mark.parametrize("number", range(3, 300, 33))
def test_a_jump_ends_where_playing_would(number: int) -> None:
    score, dice = corpus.score_of(number), Random(number)
    bar = score.spec.bar_ticks
    played, jumped = (Renderer(score, Performance(score)) for _ in range(2))
    for goal in (bar, 2 * bar + dice.randrange(bar), 6 * bar + dice.choice((0, 1, 7, 240))):
        while played.position < goal:
            played.advance(min(goal, played.position + dice.choice((31, 96, 500, 4000))))
        jumped.rewind()
        while jumped.position < goal:  # also in pieces, as the player goes
            jumped.seek(min(goal, jumped.position + dice.choice((500, 9000, 99999))))
        jumped.performance.settle(goal)
        then = Renderer(score, Performance(score))
        then.stand(played.place)
        assert _next_bar(jumped) == _next_bar(then)


def _next_bar(renderer: Renderer) -> list[Event]:
    """What every output holds, then what is played."""
    now = renderer.hold_values()
    return now + renderer.advance(renderer.position + renderer.score.spec.bar_ticks)

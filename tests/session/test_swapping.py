"""Scores on their way to the player: none outlives its use, however edits overtake one another."""

from __future__ import annotations

import gc
from typing import Any

from support.patience import until

from bridge.music.score import Score
from bridge.session.setbook import SetBook

OTHER = "set: Ebb\ntempo: {tempo}\nlanes:\n  kick: {{steps: x..., out: main.gate-1}}\n"


def scores() -> int:
    """How many scores are in memory: the one thing of an edit that is large."""
    gc.collect()
    return sum(isinstance(one, Score) for one in gc.get_objects())


async def edits(stage: Any, count: int, first: int) -> None:
    """Puts one text after another in, each overtaking the one before: the player, which tells the
    newest state only, says of the last alone that it sounds."""
    book: SetBook = stage.service.book
    player = stage.player
    player.telling = False
    for number in range(first, first + count):
        await book.put(OTHER.format(tempo=60 + number), "step", "page")
    player.telling = True
    player.tell({"type": "state", **player.state()})
    await until(
        lambda: stage.state["revision"] == book.session.loaded()[1].revision, "the last one sounds"
    )


async def test_scores_that_were_overtaken_do_not_stay_in_memory(stage: Any) -> None:
    await edits(stage, 3, 0)
    before = scores()
    await edits(stage, 40, 3)
    assert scores() <= before
    assert not stage.service.book.swapping.expects(stage.state["revision"])

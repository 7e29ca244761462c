"""What edits leave in the service's memory is collected soon, not when a quarter of it is old."""

from __future__ import annotations

import gc
import weakref
from collections.abc import Callable, Iterator

import pytest

from bridge.control.stream import ScoreChanged, Stream
from bridge.music.model import SetSpec
from bridge.music.score import Score, compile_score
from bridge.service.__main__ import SWEEP_S, settle


class Ring:
    """Refers to itself, as a renderer and its performance do."""

    def __init__(self) -> None:
        self.itself = self


@pytest.fixture
def collector() -> Iterator[None]:
    """The collector does nothing by itself; what `settle` has frozen is its own again afterwards."""
    gc.disable()
    yield
    gc.enable()
    gc.unfreeze()


@pytest.mark.usefixtures("collector")
def test_what_a_score_leaves_is_collected_once_the_next_one_sounds() -> None:
    stream, calls = Stream(), []

    def later(seconds: float, do: Callable[[], object]) -> None:
        calls.append((seconds, do))

    score: Score = compile_score(SetSpec(name="Ebb"), {})
    settle(stream, later)
    assert gc.get_freeze_count() > 0
    assert calls == []
    for _ in range(3):
        ring = Ring()
        left = weakref.ref(ring)
        del ring
        for _ in range(5):  # edits that follow one another are one
            stream.tell(ScoreChanged(score))
        ((seconds, do),) = calls
        assert seconds == SWEEP_S
        assert left() is not None
        do()
        assert left() is None
        calls.clear()

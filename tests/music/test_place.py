"""Where a renderer stands, through a file and back: it plays on as if it had never stopped."""

from __future__ import annotations

import json
from random import Random
from typing import Any

import pytest
from support import corpus

from bridge.music.performance import Performance
from bridge.music.place import plain, stand
from bridge.music.render import Renderer, Stood
from bridge.music.score import Score


def played(score: Score, seed: int) -> Renderer:
    """A set played up to any tick, in pieces of any size."""
    dice = Random(seed)
    renderer = Renderer(score, Performance(score))
    for _ in range(dice.randrange(1, 9)):
        renderer.advance(renderer.position + dice.randrange(100, 3840))
    return renderer


def through_a_file(value: Any) -> Any:
    return json.loads(json.dumps(value, allow_nan=False))


def another(renderer: Renderer) -> Renderer:
    """A renderer of the same set in the same state, that has played nothing."""
    performance = Performance(renderer.score)
    performance.restore(through_a_file(renderer.performance.state()), renderer.position)
    return Renderer(renderer.score, performance)


@pytest.mark.parametrize("number", range(0, corpus.COUNT, 6))
def test_any_set_goes_on_from_any_tick(number: int) -> None:
    """Sets made from their number: lanes of every kind, logic, sections, feel."""
    one = played(corpus.score_of(number), number)
    place = through_a_file(plain(one.place))
    other = another(one)
    stand(other, place)
    assert other.position == one.position
    for beats in range(2, 10, 2):
        tick = place["position"] + beats * 960
        assert other.advance(tick) == one.advance(tick)


def test_a_place_of_another_set_is_refused() -> None:
    place = through_a_file(plain(played(corpus.score_of(3), 3).place))
    with pytest.raises(ValueError, match="no place of this set"):
        stand(another(played(corpus.score_of(4), 4)), place)


BAD: dict[str, Any] = {
    "of a later version": ("format", 2),
    "out of reach": ("grid", 1 << 50),
    "long before the song": ("position", -(1 << 30)),
    "of a section that is not there": ("form", 1000),
    "of no number": ("hand", ["dict", [0, float("nan")]]),
    "too deep": ("waiting", json.loads("[" + '"list",[' * 20 + "]" * 21)),
    "too much": ("waiting", ["list", *range(300_000)]),
    "of an unknown kind": ("waiting", ["Surprise"]),
    "of a step that is none": ("hand", ["dict", [0, ["ratio", 1, 2]]]),
    "divided by nothing": ("hand", ["dict", [0, ["ratio", 1, 0]]]),
    "no list": ("nodes", 7),
    "of half a line": ("waiting", ["line", 1, 2, 3]),
}


@pytest.mark.parametrize("what", BAD)
def test_what_is_no_place_is_refused(what: str) -> None:
    one = played(corpus.score_of(9), 9)
    name, value = BAD[what]
    with pytest.raises(ValueError, match="no place of this set"):
        stand(another(one), {**(plain(one.place) or {}), name: value})


def test_what_is_too_much_is_not_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bridge.music.place.MOST", 50)
    assert plain(played(corpus.score_of(9), 9).place) is None


def test_numbers_without_end_are_carried() -> None:
    from bridge.music.place import _Pen

    assert _Pen().read(_Pen().write(float("-inf"))) == float("-inf")
    with pytest.raises(TypeError):
        _Pen().write(object())


def test_what_cannot_be_written_is_left_out_and_raises_nothing() -> None:
    """The player asks for it while it plays: a take that is less exact is better than silence."""
    place = played(corpus.score_of(9), 9).place
    assert isinstance(place, Stood)
    assert plain(place) is not None
    assert plain(Stood(place.position, place.mark, going=object())) is None  # type: ignore[arg-type]

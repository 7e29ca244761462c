from __future__ import annotations

from bridge.player.standing import HOLD_NS, Standing


class Offers:
    def __init__(self) -> None:
        self.made: list[tuple[str, float]] = []

    def offer(self, output: str, value: float, now: int) -> None:
        self.made.append((output, value))


def test_only_what_was_moved_is_sent() -> None:
    offers = Offers()
    standing = Standing(offers)  # type: ignore[arg-type]
    standing.take({"a": 1.0, "b": 2.0})
    standing.touch(5)
    assert standing.at is not None
    standing.send({"a": 1.0, "b": 2.5, "c": 0.0}, standing.at)
    assert offers.made == [("b", 2.5), ("c", 0.0)]
    assert standing.at is None


def test_at_most_a_hundred_times_a_second_and_the_last_is_never_forgotten() -> None:
    offers = Offers()
    standing = Standing(offers)  # type: ignore[arg-type]
    standing.send({"a": 0.0}, 1_000_000_000)
    standing.touch(1_000_000_001)
    assert standing.at == 1_000_000_000 + HOLD_NS
    standing.touch(1_000_000_002)
    assert standing.at == 1_000_000_000 + HOLD_NS
    standing.send({"a": 0.7}, standing.at)
    assert offers.made[-1] == ("a", 0.7)

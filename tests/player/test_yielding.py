"""Commands give way to hits, but not for ever."""

from __future__ import annotations

from bridge.player.yielding import Yielding

US, MS = 1_000, 1_000_000


def test_a_command_waits_for_a_hit_that_is_near() -> None:
    yielding = Yielding()
    assert yielding.waits(100 * US, 101 * MS)
    assert not yielding.waits(5 * MS, 101 * MS)


def test_messages_without_a_pause_keep_commands_waiting_10_ms_at_most() -> None:
    """A gesture is heard within 30 ms of the finger (common practice, no source): a third of it."""
    yielding = Yielding()
    waited = [ms for ms in range(100, 200) if yielding.waits(50 * US, ms * MS)]
    assert waited == list(range(100, 110))


def test_what_is_already_late_goes_first() -> None:
    yielding = Yielding()
    assert yielding.waits(-1 * MS, 101 * MS)


def test_a_command_that_comes_after_a_pause_waits_too() -> None:
    """Nothing has come in for seconds: the first command is no more urgent than the hit."""
    yielding = Yielding()
    assert not yielding.waits(5 * MS, 100 * MS)
    assert yielding.waits(100 * US, 5_000 * MS)
    yielding.handled()
    assert yielding.waits(100 * US, 9_000 * MS)

"""A random walk over a pattern, many steps at once, as `pattern.Cursor` goes it step by step.

Where only its end matters, nobody needs to know at which step it went up: the draws for one step of
many passes are made together, and those that go up are counted.
"""

from __future__ import annotations

from bridge.music.batches import Draws
from bridge.music.pattern import Cursor, CursorState


def walk_on(cursor: Cursor, count: int, steps: int) -> None:
    """Do what `count` times ``cursor.move(steps)`` does.

    Args:
        cursor: its direction is a random walk.
        count: how many steps.
        steps: how many the pattern has.
    """
    while count and not cursor.carry().walking:  # it begins at the first step, without a draw
        cursor.move(steps)
        count -= 1
    if not count:
        return
    state, (pass_index, step) = cursor.carry(), cursor.next(steps)
    passes, last = divmod(step + count - 1, steps)
    ups = 0
    for place in range(steps):
        # The first pass is gone through from `step` on, the last one up to `last`.
        begin, end = int(place < step), passes + int(place <= last)
        if end > begin:
            ups += Draws(cursor.stream, pass_index + begin, place, end - begin).under(0.5).count(1)
    at = (state.place + 2 * ups - count) % steps
    cursor.adopt(CursorState(pass_index + passes, last, at, cursor.first_pass, True))

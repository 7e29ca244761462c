"""A take played again offline and held against what was recorded."""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import zip_longest
from typing import NamedTuple

from bridge.errors import BridgeError, CommandError
from bridge.files.take import WAITED, Take, TakeError
from bridge.paper.take_course import Places, Played, ends_at, played, score_of
from bridge.player.messages import Place
from bridge.player.replay import Replay, Row
from bridge.player.start import port_specs
from bridge.player.tape import AT_ONCE, REALTIME

SENDING_NS = 20_000_000


def replay_of(take: Take, made: Played) -> Replay:
    """The take, ready to be played again. Raises TakeError when that cannot be done exactly."""
    begin = take.head["begin"]
    try:
        return Replay(
            begin,
            take.marks,
            _turns(take),
            made.score,
            made.rig.wired,
            port_specs(made.rig.interfaces),
            lambda text: score_of(text, made.rig),
            timing=made.rig.timing,
            send_to=made.rig.clock.send_to,
            corrections=made.tuned,
        )
    except (KeyError, TypeError, ValueError) as error:
        raise TakeError(f"this take cannot be replayed: {error}") from None


class Standing(NamedTuple):
    """Where a take stood: the place, and the text of the set that played there. `exact`: patterns
    stand there too as they did; of a take that began in the middle of a song only what was set is
    known, and what counts or walks may stand elsewhere."""

    place: Place
    text: str
    exact: bool


def standing_at(take: Take, bar: int) -> Standing:
    """
    Where everything stood when a take came to a bar.

    Args:
        take: the take.
        bar: from 1, as its file and its list count them.

    Returns:
        What `bridge.player.dispatch.load` puts a player to.

    Raises:
        CommandError: kind ``unknown``, there is no such bar.
        TakeError: that cannot be done exactly.
    """
    made = played(take)
    ticks = made.spec.bar_ticks
    places = Places(take, ticks)
    stretch = places.stretch((bar - 1) * ticks)
    tick = max((bar - 1) * ticks - stretch.shift, stretch.tick)
    if "continues" in take.head["begin"] and take.marks and take.marks[0]["is"] == "stands":
        tick = max(
            tick, int(take.marks[0]["rendered"])
        )  # what came just before is in the other file
    if stretch.last is None and tick >= ends_at(take):
        raise CommandError(f"this take has no bar {bar}", "unknown")
    try:
        place, text, exact = replay_of(take, made).place_at(tick, stretch.first, stretch.last)
    except (CommandError, ArithmeticError, AttributeError, LookupError, TypeError, ValueError) as e:
        raise TakeError(f"this take cannot go on from there: {e}") from None
    return Standing(place, made.text if text is None else text, exact)


def _turns(take: Take) -> Iterator[tuple[int, int]]:
    """Place and time of each value that had waited for its turn."""
    place = 0
    clock = [data[0] >= REALTIME for _, _, data in take.whats]
    for due, late, what in zip(take.due, take.late, take.what, strict=True):
        if late == WAITED:
            yield place, due
        place += not clock[what]


def _near(one: Row | None, other: Row | None) -> bool:
    """Whether two messages that left at once are the same. When such a one left is known only from
    the clock after it was sent, so the port's own time is in it."""
    if one is None or other is None or one[1:] != other[1:]:
        return False
    return abs(one.due - other.due) < SENDING_NS


class Compared(NamedTuple):
    """`messages` that are the same before the first that is not (`recorded`, `again`; None: one of
    them is shorter); both None when all are."""

    messages: int
    recorded: Row | None
    again: Row | None

    @property
    def same(self) -> bool:
        return self.recorded is None and self.again is None


def compare(take: Take, made: Played | None = None) -> Compared:
    """
    Plays a take again and compares every message with its deadline. MIDI clock, which goes on by
    itself before and after, is left out. Of a take that was cut off, all is compared that is there.

    Raises:
        TakeError: it cannot be played again.
    """
    begin = take.head["begin"]
    if "continues" in begin:
        raise TakeError(f"this goes on from {begin['continues']}; join it to that one")
    count = 0
    for piece in _pieces(take):
        same = made if piece is take else None
        found = _compare(piece, same or played(piece))
        count += found.messages
        if not found.same:
            return found._replace(messages=count)
    return Compared(count, None, None)


def joined(files: Sequence[Take]) -> Take:
    """One performance whose take goes on in further files, as one take.

    Args:
        files: all of them from the first on, in order, as `TakeFolder.files` gives their paths.

    Returns:
        What plays again as it was recorded: head of the first, foot of the last.

    """
    first, *further = files
    whole = replace(first, marks=[*first.marks], whats=[*first.whats], events=[*first.events])
    columns = ("ticks", "due", "late", "what")
    for name in columns:
        setattr(whole, name, getattr(first, name)[:])
    for take in further:
        # What came in one batch with the mark at which the new file begins is told in both files.
        if take.marks and take.marks[0] in whole.marks:
            del whole.marks[whole.marks.index(take.marks[0]) :]
        whole.marks += take.marks
        shift = len(whole.whats)
        whole.whats += take.whats
        for name in columns[:-1]:
            getattr(whole, name).extend(getattr(take, name))
        whole.what.extend(array("I", (what + shift for what in take.what)))
        whole.events += take.events
        whole.lost += take.lost
        whole.foot = take.foot
    return whole


def _pieces(take: Take) -> Iterator[Take]:
    """A take up to where the player was started again in it, and from there on, each as a take."""
    begins = [at for at, mark in enumerate(take.marks) if mark["is"] == "begin"]
    if not begins:
        yield take
        return
    rows = [0]
    for at in begins:
        ns = int(take.marks[at]["ns"])
        rows.append(next((n for n, due in enumerate(take.due) if due >= ns), len(take.due)))
    heads = [take.head]
    for at in begins:
        mark = take.marks[at]
        heads.append({**take.head, "begin": mark, "text": mark["origin"]["text"]})
    edges = [*zip([0, *(at + 1 for at in begins)], [*begins, None], strict=True)]
    for head, (first, last), row, then in zip(heads, edges, rows, [*rows[1:], None], strict=True):
        own = slice(row, then)
        yield replace(
            take,
            head=head,
            marks=take.marks[first:last],
            ticks=take.ticks[own],
            due=take.due[own],
            late=take.late[own],
            what=take.what[own],
        )


def _compare(take: Take, made: Played) -> Compared:
    again = replay_of(take, made)
    ended = any(mark["is"] in ("stop", "finish") for mark in take.marks)
    try:
        again.run(None if ended else max(take.due, default=0))
    except (BridgeError, ArithmeticError, AttributeError, LookupError, TypeError, ValueError) as e:
        raise TakeError(f"this take cannot be replayed: {e}") from None
    recorded = (Row(due, port, data) for _, due, port, _, data in take.sent() if data[0] < REALTIME)
    rows = (row for row in again.rows if row.data[0] < REALTIME)
    clock, count = [data[0] >= REALTIME for _, _, data in take.whats], 0
    lates = (late for late, what in zip(take.late, take.what, strict=True) if not clock[what])
    for one, other, late in zip_longest(recorded, rows, lates):
        if one is None and not ended:
            break  # what would have come
        if one != other and not (late == AT_ONCE and _near(one, other)):
            return Compared(count, one, other)
        count += 1
    return Compared(count, None, None)

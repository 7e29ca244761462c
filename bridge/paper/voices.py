"""What simulated voices play: each hit by a drum of its own, or at the pitch that moves with it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from bridge.files.rig import Rig
from bridge.files.take import Take
from bridge.music.model import TICKS_PER_QUARTER, SetSpec
from bridge.music.score import Score, compile_score
from bridge.paper.course import Course
from bridge.paper.form import followers
from bridge.player.offline import perform_rig

if TYPE_CHECKING:
    from bridge.listen.quick import Note

Row = tuple[int, str, str, float, int]
"""Nanoseconds from the first tick, lane, kind, value, length in ticks."""
ALONE_S = 0.3
"""How long a note lasts that no hit plays."""


def notes_of(score: Score, rows: Iterable[Row]) -> list[Note]:
    """
    Args:
        score: what is played; lanes of another set are left out.
        rows: its hits and values, in any order.

    Returns:
        What sounds, in order of time. Values but pitches are not heard.
    """
    from bridge.listen.quick import Note

    moved_by = followers(score)
    followed = {pitch for pitches in moved_by.values() for pitch in pitches}
    drums = [place for place, lane in enumerate(score.lanes) if lane.hits and place not in moved_by]
    number = {place: drum for drum, place in enumerate(drums)}
    tick_s = 60.0 / score.spec.tempo / TICKS_PER_QUARTER
    pitches: dict[int, float] = {}
    found = []
    for ns, name, kind, value, length in sorted(rows, key=lambda row: (row[0], row[2] == "hit")):
        place = score.positions.get(name)
        if place is None:
            continue
        at = max(0.0, ns / 1e9)
        if kind == "hit":
            moving = moved_by.get(place, ())
            own = [hertz_of(pitches[lane]) for lane in moving if lane in pitches]
            drum = number.get(place, 0)
            for hertz in own or (None,):
                found.append(Note(at, drum, hertz, value, length * tick_s))
        elif kind == "pitch":
            if place not in followed and pitches.get(place) != value:
                found.append(Note(at, 0, hertz_of(value), 0.5, ALONE_S))
            pitches[place] = value
    return found


def hertz_of(note: float) -> float:
    """Hz of a MIDI note number, which may be fractional: equal temperament, note 69 at 440 Hz (ISO
    16; MIDI tuning standard)."""
    return float(440.0 * 2.0 ** ((note - 69.0) / 12.0))


def of_take(take: Take, score: Score) -> tuple[list[Note], float]:
    """What sounds in a take.

    Args:
        take: what went to no output is not heard.
        score: the one that it began with; lanes that came with another set are not heard.

    Returns:
        The notes, and how many seconds it lasts, up to its last note where its end was not
        recorded.
    """
    begin = int(take.head["begin"]["at"])
    rows = (
        (due - begin, owner, kind, value, length)
        for _, due, owner, kind, value, length, output in take.events
        if output is not None
    )
    notes = notes_of(score, rows)
    ends = [int(mark["ns"]) for mark in take.marks if mark["is"] == "end"]
    last = (ends[-1] - begin) / 1e9 if ends else 0.0
    return notes, max([last, *(note.at_s for note in notes[-1:])])


def of_set(
    spec: SetSpec, rig: Rig, bars: int, course: Course, told: Callable[[int], None]
) -> tuple[list[Note], float]:
    """What sounds in the first bars of a set.

    Args:
        spec: the set.
        rig: the rig that it plays on.
        bars: how many.
        course: which way it goes.
        told: hears how many bars are done.

    Returns:
        The notes, and how many seconds the bars last.
    """
    score = compile_score(spec, rig.ranges)
    played = perform_rig(rig, score, bars, commands={0: list(course.commands)}, told=told)
    rows = ((e.due, e.lane, e.kind, e.value, e.length) for e in played.events if e.output)
    return notes_of(score, rows), course.seconds(bars * spec.bar_ticks)

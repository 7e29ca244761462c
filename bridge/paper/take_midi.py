"""A take as a standard MIDI file, and as a table.

The file holds what left the ports, at the tick of its deadline: one track a lane, in the order of
the set, then one for each macro that drives an output by itself, then what belongs to none. Values
are the controllers or bends that the interface got; the manual says which output is which. Tempo,
sections and mutes stand in the first track, the latter two as markers.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator

from bridge.files.take import THOUSANDTHS, Take
from bridge.paper import smf
from bridge.paper.csv_rows import COLUMNS, value_text
from bridge.paper.take_course import Course, Places, Played, Stand, end_place, played, tempos

REST = "outputs"
"""The track of what belongs to no lane: what goes out to interfaces that were just plugged in."""
MOVES = ("tick", "bar", "beat", "who", "what", "details")


def midi_file(take: Take, made: Played | None = None) -> bytes:
    """
    The whole file, 960 ticks to the quarter.

    Raises:
        TakeError: rig or set of the take cannot be read.
    """
    made = made or played(take)
    places = Places(take, made.spec.bar_ticks)
    tracks = _tracks(take, made, places)
    end = max((sent[-1][0] for sent in tracks.values() if sent), default=0)
    end = max(end, end_place(take, places))
    head = smf.Head(
        made.spec.name,
        made.spec.meter,
        smf.key_name(made.spec),
        tempos(take, places, made.spec.tempo),
        tuple(markers(take, made, places)),
    )
    return smf.write(head, {name: sent for name, sent in tracks.items() if sent}, end)


def _tracks(take: Take, made: Played, places: Places) -> dict[str, list[smf.Sent]]:
    lanes = [lane.name for lane in made.spec.lanes]
    macros = {macro.name for macro in made.spec.macros} - set(lanes)
    tracks: dict[str, list[smf.Sent]] = {name: [] for name in lanes}
    whose = _owners(take)
    owners = sorted({owner for owner in whose if owner})  # lanes that came with another set
    names = {owner: f"macro {owner}" if owner in macros else owner for owner in owners}
    names[""] = REST
    for name in names.values():
        tracks.setdefault(name, [])
    homes = [tracks[names[owner]] for owner in whose]
    data = [what[2] for what in take.whats]
    half = THOUSANDTHS // 2
    if not places.jumps:
        shift = places.shift * THOUSANDTHS + half
        for tick, what in zip(take.ticks, take.what, strict=True):
            place = (tick + shift) // THOUSANDTHS
            homes[what].append((place if place > 0 else 0, data[what]))
        return tracks
    for tick, due, what in zip(take.ticks, take.due, take.what, strict=True):
        place = (tick + half) // THOUSANDTHS + places.shift_at(due)
        homes[what].append((max(0, place), data[what]))
    return tracks


def _owners(take: Take) -> list[str]:
    """Whose each of the different messages is. One that says nothing of its lane (a gate closed by
    a stop, a level going to rest) belongs to the lane that used its address first."""
    first: dict[tuple[str, bytes], str] = {}
    for port, owner, data in take.whats:
        if owner:
            first.setdefault((port, _address(data)), owner)
    return [owner or first.get((port, _address(data)), "") for port, owner, data in take.whats]


def _address(data: bytes) -> bytes:
    """What a message is about: a note, a controller, or the channel alone."""
    status = data[0]
    if status & 0xF0 == 0x80:
        status |= 0x10  # a note-off is about the same note
    keyed = status & 0xF0 in (0x90, 0xB0)
    return bytes((status, *data[1:2])) if keyed else bytes((status,))


def markers(take: Take, made: Played, places: Places) -> Iterator[tuple[int, str]]:
    """Pairs of a place in the file and what changes there: a section, lanes out or in."""
    section: str | None = None
    out: dict[str, bool] | None = None
    ns = 0
    for stand in Course(take, made).stands():
        ns = stand.ns if stand.ns >= 0 else ns
        place = max(0, round(stand.tick) + places.shift_at(ns))
        now, muted = _look(stand)
        if now is not None and now != section:
            yield place, f"section {now}"
        section = now
        for name, is_out in muted.items():
            if is_out != (out is not None and out.get(name, False)):
                yield place, f"{name} {'out' if is_out else 'in'}"
        out = muted


def _look(stand: Stand) -> tuple[str | None, dict[str, bool]]:
    live = stand.performance.at(int(stand.tick))
    spec = stand.score.spec
    section = None if live.section is None else spec.sections[live.section].name
    lanes = stand.score.lanes
    return section, {lane.name: bool(live.out[place]) for place, lane in enumerate(lanes)}


def table(take: Take, made: Played | None = None) -> str:
    """Hits and values as a table with the columns of `lanebridge render`, ticks as in the MIDI
    file. Raises TakeError."""
    made = made or played(take)
    places = Places(take, made.spec.bar_ticks)
    lanes = {lane.name for lane in made.spec.lanes}
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(COLUMNS)
    for tick, due, owner, kind, value, length, output in take.events:
        if output is None:
            continue
        name = owner if owner in lanes or kind == "hit" else f"macro:{owner}"
        span = length if kind == "hit" else 0
        place = tick + places.shift_at(due)
        writer.writerow((place, name, kind, value_text(value), span, output))
    return file.getvalue()


def moves(take: Take, made: Played | None = None) -> str:
    """Everything that was done by hand as a table: where, by whom, what."""
    made = made or played(take)
    places = Places(take, made.spec.bar_ticks)
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(MOVES)
    for mark in take.marks:
        if mark["is"] not in ("move", "swap"):
            continue
        place = max(0, round(float(mark["tick"]) + places.shift_at(int(mark["ns"]))))
        bar, rest = divmod(place, made.spec.bar_ticks)
        beat = rest // made.spec.beat_ticks + 1
        given = dict(mark.get("command", {"do": "open", "set": mark.get("origin", {}).get("file")}))
        what = given.pop("do")
        details = " ".join(f"{name}={value}" for name, value in given.items())
        writer.writerow((place, bar + 1, beat, mark.get("client", ""), what, details))
    return file.getvalue()

"""Standard MIDI files (RP-001, 1996): what was or would be sent, one track per port.

Format 1, 960 ticks per quarter note. The first track holds name, tempo, meter and key; each port
has a track of its own with every channel message in the order sent. MIDI clock has no place in a
file, whose tempo says the same.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import mido

from bridge.files.rig import Rig
from bridge.music.model import TICKS_PER_QUARTER, SetSpec
from bridge.music.score import compile_score
from bridge.paper.course import Course, as_written
from bridge.player.offline import perform_rig

Sent = tuple[int, bytes]  # tick, one whole MIDI message

SMALLEST_TEMPO_US = 1
LARGEST_TEMPO_US = 0xFFFFFF  # three bytes


@dataclass(frozen=True, slots=True)
class Head:
    """What the first track says. `tempos` and `markers` are pairs of a tick and a value."""

    name: str
    meter: tuple[int, int] = (4, 4)
    key: str = ""
    tempos: tuple[tuple[int, float], ...] = ((0, 120.0),)
    markers: tuple[tuple[int, str], ...] = ()


def render(
    spec: SetSpec,
    rig: Rig,
    bars: int,
    course: Course | None = None,
    told: Callable[[int], None] = lambda bars: None,
) -> bytes:
    """The first bars of a set as the player would send them to this rig, as a Standard MIDI File.

    Args:
        spec: the set.
        rig: the rig that it plays on.
        bars: how many.
        course: which way it goes, with its tempos, its sections as markers; None: as written.
        told: hears how many bars are done.

    Offset and latency are left out, so that hits stand on their ticks; what leads a gate (pitch,
    levels) leads it here too. What is sent before the song (bend ranges, rest values) stands at
    its begin; gates that are open at the end are closed.
    """
    course = course or as_written(spec)
    commands = {0: list(course.commands)}
    performed = perform_rig(
        rig, compile_score(spec, rig.ranges), bars, commands=commands, told=told
    )
    end = bars * spec.bar_ticks
    tracks: dict[str, list[Sent]] = {name: [] for name in rig.interfaces}
    for sent in performed.sent:
        tick = max(0, round(sent.tick))
        # From the end on only what closes gates: the rest is the player tidying up.
        if tick < end or sent.data[0] & 0xF0 == 0x80:
            tracks[sent.port].append((min(tick, end), sent.data))
    used = {name: sent for name, sent in tracks.items() if sent}
    return write(head_of(spec, course, end), used, end)


def head_of(spec: SetSpec, course: Course, end: int) -> Head:
    """The first track of a set that goes a course.

    Args:
        spec: gives name, meter and key.
        course: gives tempos and markers.
        end: a tick; what stands there or later is left out.
    """
    tempos = tuple(entry for entry in course.tempos if entry[0] < end)
    markers = tuple(entry for entry in course.markers if entry[0] < end)
    return Head(spec.name, spec.meter, key_name(spec), tempos, markers)


def key_name(spec: SetSpec) -> str:
    """The key in the way key signatures are named (``Am``, ``F#``), or nothing: a file knows
    major and minor only."""
    root, _, scale = spec.key_name.partition(" ")
    mode = {"major": "", "ionian": "", "minor": "m", "aeolian": "m"}.get(scale)
    if mode is None or not root:
        return ""
    name = root[0].upper() + root[1:] + mode
    try:
        mido.MetaMessage("key_signature", key=name)
    except ValueError:
        return ""  # such as G# major, which has more sharps than a signature can show
    return name


def write(head: Head, tracks: Mapping[str, Sequence[Sent]], end: int) -> bytes:
    """
    A whole file.

    Args:
        head: what the first track says.
        tracks: messages by the track's name, in order of ticks (960 to the quarter); only channel
            messages have a place there, the others are left out.
        end: the tick at which every track ends, or later where a message comes after it.
    """
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS_PER_QUARTER)
    file.tracks.append(_head_track(head, end))
    out = io.BytesIO()
    file.save(file=out)
    raw = out.getvalue()
    count = (1 + len(tracks)).to_bytes(2, "big")
    parts = [raw[:_COUNT], count, raw[_COUNT + 2 :]]
    for name, sent in tracks.items():
        body = _channel_track(name, sent, end)
        parts += [b"MTrk", len(body).to_bytes(4, "big"), body]
    return b"".join(parts)


def _channel_track(name: str, sent: Sequence[Sent], end: int) -> bytes:
    """What is inside a track of channel messages. The library takes ten times as long, too long
    for a take of a performed; it still writes the first track, which has all sorts of events."""
    text = _latin(name).encode("latin-1")
    body = bytearray(b"\x00\xff\x03" + _number(len(text)) + text)
    numbers, now, running = _NUMBERS, 0, 0
    for tick, data in sent:
        status = data[0]
        if status >= 0xF0:
            continue
        step = tick - now
        if step > 0:
            now = tick
            body += numbers[step] if step < _KNOWN else _number(step)
        else:
            body += b"\x00"
        if status == running:  # MIDI 1.0, p. 5: running status
            body += data[1:]
        else:
            running = status
            body += data
    return bytes(body + _number(max(0, end - now)) + b"\xff\x2f\x00")


def _number(value: int) -> bytes:
    """A number of variable length (RP-001, p. 2): seven bits a byte, the highest first."""
    parts = [value & 0x7F]
    while value := value >> 7:
        parts.append(0x80 | value & 0x7F)
    return bytes(reversed(parts))


_KNOWN = 4096
_NUMBERS = tuple(map(_number, range(_KNOWN)))
_COUNT = 10
"""Where in a file the number of its tracks stands (RP-001, p. 4)."""


def _head_track(head: Head, end: int) -> mido.MidiTrack:
    beats, unit = head.meter
    # Clocks per click: a dotted quarter in compound meters, as in the 6/8 example of RP-001.
    click = 36 if unit == 8 and beats % 3 == 0 and beats > 3 else 96 // unit
    timed = [
        (
            0,
            mido.MetaMessage(
                "time_signature",
                numerator=beats,
                denominator=unit,
                clocks_per_click=max(1, click),
                notated_32nd_notes_per_beat=8,
            ),
        )
    ]
    if head.key:
        timed.append((0, mido.MetaMessage("key_signature", key=head.key)))
    for tick, tempo in head.tempos:
        timed.append((tick, mido.MetaMessage("set_tempo", tempo=tempo_us(tempo))))
    for tick, text in head.markers:
        timed.append((tick, mido.MetaMessage("marker", text=_latin(text))))
    timed.sort(key=lambda item: item[0])
    return _track(head.name, timed, end)


def _track(name: str, timed: Iterable[tuple[int, mido.Message]], end: int) -> mido.MidiTrack:
    track = mido.MidiTrack([mido.MetaMessage("track_name", name=_latin(name), time=0)])
    now = 0
    for tick, message in timed:
        at = max(now, tick)
        message.time = at - now  # each message is made for this track alone
        track.append(message)
        now = at
    track.append(mido.MetaMessage("end_of_track", time=max(0, end - now)))
    return track


def tempo_us(bpm: float) -> int:
    """Microseconds per quarter note at a tempo in BPM, as set_tempo wants it: within its three
    bytes."""
    return min(LARGEST_TEMPO_US, max(SMALLEST_TEMPO_US, round(60_000_000 / bpm)))


def _latin(text: str) -> str:
    # RP-001 promises ASCII to other programs; the library writes one byte per character.
    return text.encode("latin-1", "replace").decode("latin-1")

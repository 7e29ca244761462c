"""What happens during an offline performance: nothing, one section, or the running order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from bridge.music.model import OPEN_BARS, TICKS_PER_QUARTER, SetSpec
from bridge.music.order import place_after, section_of
from bridge.protocol.command import Command
from bridge.protocol.performing import RecallSection, RunOrder


@dataclass(frozen=True, slots=True)
class Course:
    """A performance as it will go.

    commands
        what is done before the first tick, as `music.handlers` has it.
    tempos, markers
        pairs of a tick with BPM, and with a section's name.
    bars
        its own length; 0 where it has no end.
    """

    commands: tuple[Command, ...] = ()
    tempos: tuple[tuple[int, float], ...] = ()
    markers: tuple[tuple[int, str], ...] = ()
    bars: int = 0

    def seconds(self, tick: int) -> float:
        """The time from the first tick to another."""
        return seconds_at(self.tempos, tick)


def seconds_at(tempos: Sequence[tuple[int, float]], tick: int) -> float:
    """The time from the first tick to another, at tempos of which each holds up to the next."""
    ends = [begin for begin, _ in tempos[1:]] + [tick]
    return sum(
        (min(end, tick) - begin) / TICKS_PER_QUARTER * 60.0 / bpm
        for (begin, bpm), end in zip(tempos, ends, strict=True)
        if begin < tick
    )


def as_written(spec: SetSpec) -> Course:
    """The set as it opens."""
    return Course(tempos=((0, spec.tempo),))


def of_section(spec: SetSpec, name: str) -> Course:
    """One section from the first tick on.

    Raises:
        KeyError: the set has no such section.
    """
    section = {section.name: section for section in spec.sections}[name]
    tempo = spec.tempo if section.tempo is None else section.tempo
    command = RecallSection(section=name, when="now")
    return Course((command,), ((0, tempo),), ((0, name),))


def counted(spec: SetSpec) -> SetSpec:
    """The set with `OPEN_BARS` bars for each entry of its order that waits for the performer."""
    order = (
        entry if entry.bars is not None else replace(entry, bars=OPEN_BARS) for entry in spec.order
    )
    return replace(spec, order=tuple(order))


def of_order(spec: SetSpec, bars: int | None = None) -> Course:
    """The running order from its first entry; after the last one its section goes on, or the order
    begins anew, as the set says.

    Args:
        spec: a set whose entries all have bars (see `counted`).
        bars: how far it is followed; None: through the order once.

    Raises:
        ValueError: the set has no running order, or an entry without bars.
    """
    if not spec.order:
        raise ValueError("the set has no running order")
    tempo_of = {section.name: section.tempo for section in spec.sections}
    once = spec if bars is not None else replace(spec, order_again=False)
    tempos, bar, place, time = [(0, spec.tempo)], 0, 0, 0
    markers: list[tuple[int, str]] = []
    section: str | None = None
    while place < len(spec.order) and (bars is None or bar < bars):
        entry = spec.order[place]
        section = section_of(spec, place, len(markers), section)
        if entry.length is None:
            raise ValueError("an entry of the order waits for the performer")
        tick = bar * spec.bar_ticks
        tempo = tempo_of[section]
        if tempo is not None:  # without one of its own a section keeps the tempo that is there
            tempos = [entry for entry in tempos if entry[0] < tick] + [(tick, tempo)]
        markers.append((tick, section))
        bar += entry.length
        place, time = place_after(once, place, time)
    command = RunOrder(run=True)
    return Course((command,), tuple(tempos), tuple(markers), bar if bars is None else bars)

"""What happens during an offline performance: nothing, one section, or the running order."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.music.model import SetSpec
from bridge.protocol.command import Command
from bridge.protocol.performing import RecallSection, RunOrder


@dataclass(frozen=True, slots=True)
class Course:
    """A performance as it will go.

    commands
        what is done before the first tick, as `music.commands` has it.
    tempos, markers
        pairs of a tick with BPM, and with a section's name.
    bars
        its own length; 0 where it has no end.
    """

    commands: tuple[Command, ...] = ()
    tempos: tuple[tuple[int, float], ...] = ()
    markers: tuple[tuple[int, str], ...] = ()
    bars: int = 0


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


def of_order(spec: SetSpec) -> Course:
    """The running order from its first leg; after the last one its section goes on.

    Raises:
        ValueError: the set has no running order.
    """
    if not spec.order:
        raise ValueError("the set has no running order")
    tempo_of = {section.name: section.tempo for section in spec.sections}
    tempos, markers, bar = [(0, spec.tempo)], [], 0
    for leg in spec.order:
        tick = bar * spec.bar_ticks
        tempo = tempo_of[leg.section]
        if tempo is not None:  # without one of its own a section keeps the tempo that is there
            tempos = [entry for entry in tempos if entry[0] < tick] + [(tick, tempo)]
        markers.append((tick, leg.section))
        bar += leg.bars * leg.times
    command = RunOrder(run=True)
    return Course((command,), tuple(tempos), tuple(markers), bar)

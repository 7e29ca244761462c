"""What a soundcheck sends: one output at a time, quietly first, and back to rest after each.

A plan is a list of moments in milliseconds from its beginning; who carries it out (a terminal, the
player) only waits and asks the encoder. Pulses: gates and triggers; octave steps: pitch; sweeps:
level; a bar of pulses: clock. Widths and distances are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Literal, NamedTuple

from bridge.voltage.encode import Encoder, Message
from bridge.voltage.profile import Output, WiredOutput, note_of_volts

QUIET, FULL = 0.3, 1.0
SWEEP_STEPS = 40
STRIKES = ("gate", "trigger")
NO_GATES = "no cable of a gate is written down, so there is nothing to hear"
NO_CABLE = "no cable written down"
ANSWERS = ("yes", "no", "skip")
_ANSWER_WORDS = {"yes": "yes ", "no": "NO  ", "skip": "skip"}


class Move(NamedTuple):
    """At `at_ms`: open or close a gate (`value` is the level), set a note, or set volts."""

    at_ms: float
    what: Literal["on", "off", "pitch", "level"]
    value: float = 0.0


def plan(out: Output, loud: bool = False) -> list[Move]:
    """What is sent to one output, in order of time.

    Args:
        out: its kind and its range say what.
        loud: the second round, after a person said yes: pulses at `FULL` instead of `QUIET`, sweeps
            over the whole range instead of a quarter of it.
    """
    if out.kind in ("gate", "trigger", "clock", "reset", "run"):
        return _pulses(out, FULL if loud else QUIET)
    if out.kind == "pitch":
        return _octaves(out)
    # A value that only moves when a note starts gets few, slow notes.
    steps, distance = (SWEEP_STEPS, 25.0) if out.voice is None else (4, 250.0)
    return _sweep(out, 1.0 if loud else 0.25, steps, distance)


def _pulses(out: Output, level: float) -> list[Move]:
    count, distance = (8, 250.0) if out.kind == "clock" else (4, 400.0)
    if out.kind == "run":
        count, distance = 2, 900.0
    width = min(out.pulse_ms or 120.0, distance / 2)
    moves = []
    for i in range(count):
        moves += [Move(i * distance, "on", level), Move(i * distance + width, "off")]
    return moves


def _octaves(out: Output) -> list[Move]:
    """C by C through the range, up and back to the lowest: each is one octave."""
    low, high = sorted((out.low, out.high))
    floor = max(low, 0.05) if out.law == "hz/v" else low  # 0 V is no pitch under Hz/V
    lowest, highest = note_of_volts(out, floor), note_of_volts(out, high)
    notes = [n for n in range(0, 128, 12) if lowest - 0.01 <= n <= highest + 0.01]
    notes = notes or [math.floor((lowest + highest) / 2)]
    moves = [Move(500.0 * i, "pitch", float(note)) for i, note in enumerate(notes)]
    moves.append(Move(500.0 * len(notes), "pitch", float(notes[0])))
    return moves


def _sweep(out: Output, share: float, steps: int, distance: float) -> list[Move]:
    """From rest to `share` of the range and back, `steps` each way, `distance` ms apart."""
    end = out.high if abs(out.high - out.rest) >= abs(out.low - out.rest) else out.low
    moves = []
    for i in range(2 * steps + 1):
        rise = 1.0 - abs(i - steps) / steps
        moves.append(Move(distance * i, "level", out.rest + (end - out.rest) * share * rise))
    return moves


def to_check(outputs: Mapping[str, WiredOutput]) -> list[str]:
    """The outputs that a soundcheck asks about, by name: those with a cable, or all of them in a
    rig where no cable is written down. Nobody can hear a jack that goes nowhere."""
    cabled = [name for name, wired in outputs.items() if wired.cable]
    return cabled or list(outputs)


def gates_of(outputs: Mapping[str, WiredOutput]) -> list[str]:
    """The outputs that strike a voice."""
    return [name for name, wired in outputs.items() if wired.output.kind in STRIKES]


def gates_to_check(outputs: Mapping[str, WiredOutput]) -> list[str]:
    """Those of the outputs that a soundcheck asks about."""
    gates = set(gates_of(outputs))
    return [name for name in to_check(outputs) if name in gates]


def report_lines(
    outputs: Mapping[str, WiredOutput], names: Sequence[str], answers: Mapping[str, str]
) -> list[str]:
    """One line per output of `names`, then a summary.

    Args:
        outputs: the outputs of the rig, by name.
        names: the outputs that the report is about.
        answers: ``yes``, ``no`` or ``skip`` by output; one that is not there is still open.

    Returns:
        ``NO    main.gate-2  rim voice``...; what failed stands out.
    """
    lines = [
        f"{_ANSWER_WORDS.get(answers.get(name, ''), 'open')}  {name}  "
        f"{outputs[name].cable or f'({NO_CABLE})'}"
        for name in names
    ]
    said = [answers.get(name) for name in names]
    counts = [
        f"{count} {word}"
        for word, count in (
            ("arrived", said.count("yes")),
            ("did not arrive", said.count("no")),
            ("skipped", said.count("skip")),
            ("not checked", said.count(None)),
        )
        if count
    ]
    return [*lines, ", ".join(counts)]


def gate_of(wired: WiredOutput, outputs: Mapping[str, WiredOutput]) -> str | None:
    """The gate that must open for a value of a mono voice to come out; None elsewhere.

    Args:
        wired: the output of the value.
        outputs: all outputs of its rig, by name.
    """
    if wired.output.voice is None or wired.output.gates:
        return None
    for name, other in outputs.items():
        same = (other.port, other.output.voice) == (wired.port, wired.output.voice)
        if same and other.output.gates:
            return name
    return None


def describe(wired: WiredOutput) -> str:
    """What a person should hear or see, in words."""
    out = wired.output
    doing = {
        "gate": "four pulses",
        "trigger": "four pulses",
        "clock": "eight clock pulses",
        "reset": "four reset pulses",
        "run": "run on and off, twice",
        "pitch": "one octave after another",
        "level": "a slow rise and fall",
    }[out.kind]
    return f"{wired.name} ({out.kind}): {doing} at: {wired.cable or NO_CABLE}"


def messages_of(move: Move, wired: WiredOutput, encoder: Encoder) -> list[Message]:
    """The messages of one move. A value that only comes out with the gate of its voice opens that
    gate quietly.

    Args:
        move: what is done; its time does not count here.
        wired: the output that it is done to.
        encoder: of the rig that holds this output; it keeps what is open.
    """
    if move.what == "on":
        return encoder.gate_on(wired.name, move.value)
    if move.what == "off":
        return encoder.gate_off(wired.name)
    set_value = encoder.pitch if move.what == "pitch" else encoder.level
    gate = gate_of(wired, encoder.outputs)
    if gate is None:
        return set_value(wired.name, move.value)
    closed = encoder.gate_off(gate)
    return [*closed, *set_value(wired.name, move.value), *encoder.gate_on(gate, QUIET)]


def carry_out(
    wired: WiredOutput,
    encoder: Encoder,
    send: Callable[[Sequence[Message]], None],
    wait_ms: Callable[[float], None],
    loud: bool = False,
) -> None:
    """Sends the plan of one output and leaves it at rest, whatever happens on the way.

    Args:
        wired: the output.
        encoder: makes the bytes of what it is sent.
        send: takes messages for its port.
        wait_ms: waits for so many milliseconds; what it raises ends the plan.
        loud: the second round, at full level, after a person said yes.
    """
    now = 0.0
    try:
        for move in plan(wired.output, loud):
            if move.at_ms > now:
                wait_ms(move.at_ms - now)
                now = move.at_ms
            send(messages_of(move, wired, encoder))
    finally:
        send(encoder.rest())

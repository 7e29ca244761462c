"""The questions of `lanebridge profile new`: one kind of jack after another.

What is answered about one kind is checked with all that was answered before. If it does not fit,
that kind alone is asked again, with the answers just given in brackets: nothing else is lost.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal, cast

import click

from bridge.errors import printable
from bridge.files.profile import NAME, lint
from bridge.files.strict import read_text
from bridge.music.scale import parse_note
from bridge.voltage.profile import Address, By, Output, Profile

FIRST_CONTROLLER, DRUM_CHANNEL = 16, 10


class Questions:
    """Asks, and remembers each answer as the default of the same question."""

    def __init__(self) -> None:
        self._given: dict[str, object] = {}

    def ask(self, text: str, default: Any, kind: Any) -> Any:
        """One answer. `kind` is a type of click, or a function that reads text (`ValueError` or
        `click.UsageError` when it is wrong)."""
        default = self._given.get(text, default)
        shown = default if isinstance(default, str) else f"{default:g}"
        reader = kind if isinstance(kind, click.ParamType) else None
        answer = click.prompt(
            text,
            default=shown,
            type=reader,
            value_proc=None if reader is not None else _reading(kind),
        )
        self._given[text] = answer
        return answer

    def count(self, text: str, most: int, default: int = 0) -> int:
        return int(self.ask(text, default, click.IntRange(0, most)))

    def number(self, text: str, low: int, high: int, default: int) -> int:
        return int(self.ask(text, default, click.IntRange(low, high)))

    def channel(self, text: str, default: int) -> int:
        return self.number(f"{text}: MIDI channel", 1, 16, default)

    def volts(self, text: str, default: float, low: float = -15.0) -> float:
        return float(self.ask(text, default, click.FloatRange(low, 15)))

    def note(self, text: str, default: str) -> int:
        return int(self.ask(f"{text} (a name such as C2, or a number)", default, _note))

    def yes(self, text: str, default: bool = False) -> bool:
        answer = self.ask(f"{text} (y/n)", "y" if default else "n", _yes)
        self._given[f"{text} (y/n)"] = "y" if answer else "n"
        return bool(answer)


def _reading(read: Callable[[str], object]) -> Callable[[str], object]:
    def answer(text: str) -> object:
        try:
            return read(text)
        except ValueError as error:
            raise click.UsageError(str(error)) from None

    return answer


def _note(text: str) -> int:
    number = int(text) if re.fullmatch(r"[0-9]{1,3}", text.strip()) else parse_note(text.strip())
    if not 0 <= number <= 127:
        raise ValueError(f"{text.strip()} is not a note of MIDI: 0 to 127, C-1 to G9")
    return int(number)


def _yes(text: str) -> bool:
    word = text.strip().lower()
    if word not in ("y", "yes", "n", "no"):
        raise ValueError("type y (yes) or n (no)")
    return word[0] == "y"


def _line(text: str) -> str:
    return read_text(text) if text.strip() else ""


def ask(folder: Path) -> Profile:
    """A profile that passes its checks, made of a person's answers; `folder` is where it will go,
    for its name must be free there. Raises `click.Abort` when the answers end."""
    questions = Questions()
    click.echo("The interface's manual answers these. Enter alone takes what is in brackets.")
    name = click.prompt(
        "A name for this kind of interface, such as two-gates-one-cv",
        value_proc=lambda text: _free_name(text.strip(), folder),
    )
    says = questions.ask("What is it, in one line", "", _line)
    link = questions.ask("Connected by", "usb", click.Choice(["usb", "din"], case_sensitive=False))
    while True:
        outputs: list[Output] = []
        for section in SECTIONS:
            outputs = _fitting(questions, section, outputs)
        if outputs:
            return Profile(name, says, tuple(outputs), cast(Literal["din", "usb"], link))
        click.echo("A profile needs at least one output.")


Section = Callable[[Questions], list[Output]]


def _fitting(questions: Questions, section: Section, before: list[Output]) -> list[Output]:
    """The outputs so far and those of one section, which is asked until all of them fit."""
    while True:
        outputs = [*before, *section(questions)]
        problems = lint(Profile("new", "", tuple(outputs)))
        if not problems:
            return outputs
        for said in dict.fromkeys(f"{problem.keys[1]}: {problem.message}" for problem in problems):
            click.echo(f"  does not fit: {said}")
        click.echo("  These again; your answers are in brackets.")


def _free_name(text: str, folder: Path) -> str:
    """A name that can be written; what is wrong with it is said before any other question."""
    if not re.fullmatch(NAME, text):
        raise click.UsageError(
            "a name has small letters, digits and hyphens, and begins with a "
            "letter: two-gates-one-cv"
        )
    path = folder / f"{text}.yaml"
    if path.exists():
        raise click.UsageError(f"{printable(str(path))} is there already; choose another name")
    return text


# --- one kind of jack after another --------------------------------------------------------------


def _gates(q: Questions) -> list[Output]:
    count = q.count("How many gate outputs, open as long as the note", 32, 8)
    if not count:
        return []
    channel = q.channel("Gates", DRUM_CHANNEL)
    first = q.note("Gates: note of the first", "C2")
    high = q.volts("Gates: volts when open", 5.0, 1.0)
    return [
        Output(f"gate-{i + 1}", "gate", Address("note", channel, first + i), high=high)
        for i in range(count)
    ]


def _triggers(q: Questions) -> list[Output]:
    count = q.count("How many trigger outputs, a short pulse however long the note", 32)
    if not count:
        return []
    channel = q.channel("Triggers", DRUM_CHANNEL)
    first = q.note("Triggers: note of the first", "C4")
    high = q.volts("Triggers: volts of a pulse", 5.0, 1.0)
    width = q.ask("Triggers: width of a pulse in ms", 10.0, click.FloatRange(0.1, 1000))
    by: By = "note-velocity" if q.yes("Triggers: is a louder note a higher pulse") else "note"
    return [
        Output(
            f"trigger-{i + 1}",
            "trigger",
            Address(by, channel, first + i),
            high=high,
            pulse_ms=float(width),
        )
        for i in range(count)
    ]


def _pitches(q: Questions) -> list[Output]:
    count = q.count("How many pitch outputs", 16, 1)
    if not count:
        return []
    way = q.ask(
        "Pitch follows", "controllers", click.Choice(["notes", "controllers"], case_sensitive=False)
    )
    notes = way == "notes"
    channel = q.channel("Pitch: first voice" if notes else "Pitch", 1)
    first = 0 if notes else q.number("Pitch: first controller", 0, 31, FIRST_CONTROLLER)
    low = q.volts("Pitch: lowest volts", 0.0)
    high = q.volts("Pitch: highest volts", 5.0)
    law = q.ask("Pitch: law", "v/oct", click.Choice(["v/oct", "hz/v"], case_sensitive=False))
    volts = 0.0 if law == "v/oct" else 1.0
    note = q.note(f"Pitch: note that gives {volts:g} V", "C2")
    gates = notes and q.yes("Pitch: has each voice a gate output of its own", True)
    velocity = notes and q.yes("Pitch: has each voice a velocity output")
    found: list[Output] = []
    for i in range(count):
        voice = f"voice-{i + 1}" if notes else None
        address = (
            Address("note-pitch", channel + i) if notes else Address("cc14", channel, first + i)
        )
        found.append(
            Output(
                f"pitch-{i + 1}",
                "pitch",
                address,
                low=low,
                high=high,
                rest=min(max(volts, min(low, high)), max(low, high)),
                bits=14,
                law=law,
                reference_note=float(note),
                reference_volts=volts,
                voice=voice,
            )
        )
        if gates:
            address = Address("note", channel + i)
            found.append(Output(f"voice-gate-{i + 1}", "gate", address, voice=voice))
        if velocity:
            address = Address("note-velocity", channel + i)
            found.append(Output(f"velocity-{i + 1}", "level", address, bits=7, voice=voice))
    return found


def _levels(q: Questions) -> list[Output]:
    count = q.count("How many level outputs", 32, 1)
    if not count:
        return []
    channel = q.channel("Levels", 1)
    bits = q.ask("Levels: bits of MIDI", "14", click.Choice(["7", "14"]))
    most = 31 if bits == "14" else 119
    first = q.number("Levels: first controller", 0, most, FIRST_CONTROLLER + 2)
    low = q.volts("Levels: volts at the lowest value", 0.0)
    high = q.volts("Levels: volts at the highest value", 5.0)
    rest = min(max(0.0, min(low, high)), max(low, high))
    by: By = "cc14" if bits == "14" else "cc"
    return [
        Output(
            f"level-{i + 1}",
            "level",
            Address(by, channel, first + i),
            low=low,
            high=high,
            rest=rest,
            bits=int(bits),
        )
        for i in range(count)
    ]


def _transport(q: Questions) -> list[Output]:
    """Jacks that the interface moves by itself, from MIDI clock, Start and Stop."""
    found: list[Output] = []
    for i in range(q.count("How many clock outputs, made from MIDI clock", 4)):
        name = f"clock-{i + 1}"
        ppqn = q.ask(f"{name}: pulses per quarter note", "24", click.Choice(PPQN))
        width = q.ask(f"{name}: width of a pulse in ms", 3.0, click.FloatRange(0.1, 1000))
        found.append(Output(name, "clock", Address("clock"), pulse_ms=float(width), ppqn=int(ppqn)))
    if q.yes("Has it a reset output, a pulse at MIDI Start"):
        width = q.ask("Reset: width of the pulse in ms", 10.0, click.FloatRange(0.1, 1000))
        found.append(Output("reset", "reset", Address("clock"), pulse_ms=float(width)))
    if q.yes("Has it a run output, high from Start to Stop"):
        found.append(Output("run", "run", Address("clock")))
    return found


PPQN = ("1", "2", "3", "4", "6", "8", "12", "24")
SECTIONS: tuple[Section, ...] = (_gates, _triggers, _pitches, _levels, _transport)

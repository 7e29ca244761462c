"""`lanebridge profile`: lists, checks, describes and writes profiles of interfaces."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from bridge.voltage.profile import Output

FILE = click.Path(path_type=Path)
FIRST_GATE_NOTE, FIRST_CONTROLLER = 36, 16


@click.group("profile")
def command() -> None:
    """Profiles say how one kind of interface turns MIDI into volts."""


@command.command("list")
@click.option(
    "--beside", type=FILE, help="A rig's folder, whose own profiles are listed too and win."
)
def list_(beside: Path | None) -> None:
    """Lists the profiles that come with the program."""
    from bridge.files.profile import load_profile, profiles_beside, shipped

    own = profiles_beside(beside) if beside is not None else []
    for name in sorted({*shipped(), *own}):
        profile = load_profile(name, beside)
        click.echo(
            f"{name:<24} {len(profile.outputs):>3} outputs  {profile.says}"
            + ("  (your own)" if name in own else "")
        )


@command.command("check")
@click.argument("files", nargs=-1, required=True, type=FILE)
def check(files: tuple[Path, ...]) -> None:
    """Checks profile FILES: form, ranges, overlaps, address clashes."""
    from bridge.errors import InputError, Problem
    from bridge.files.document import Document
    from bridge.files.profile import profile_from

    problems: list[Problem] = []
    for path in files:
        try:
            profile = profile_from(Document.read(path), expected=path.stem)
        except InputError as error:
            problems += error.problems
        else:
            click.echo(f"{path}: good. {profile.name}: {len(profile.outputs)} outputs")
    if problems:
        raise InputError(problems)


@command.command("schema")
def schema() -> None:
    """Prints the JSON Schema of a profile, for editors."""
    from bridge.files.profile import json_schema

    click.echo(json.dumps(json_schema(), indent=2))


@command.command("new")
@click.option("--folder", type=FILE, default=Path("."), help="Where to write it: beside the rig.")
def new(folder: Path) -> None:
    """Asks a few questions and writes a profile."""
    from bridge.files.profile import write_profile
    from bridge.voltage.profile import Profile

    click.echo(
        "The interface's own manual answers these. Enter alone takes what stands in brackets."
    )
    name = click.prompt(
        "A name for this kind of interface, such as two-gates-one-cv",
        type=str,
        value_proc=lambda text: _free_name(text, folder),
    )
    says = click.prompt("What is it, in one line", default="")
    link = click.prompt("Connected by", type=click.Choice(["usb", "din"]), default="usb")
    gates = click.prompt("How many gate outputs", type=click.IntRange(0, 32), default=8)
    pitches = click.prompt("How many pitch outputs", type=click.IntRange(0, 16), default=1)
    levels = click.prompt("How many level outputs", type=click.IntRange(0, 16), default=1)
    outputs: list[Output] = []
    if gates:
        outputs += _gates(gates)
    if pitches:
        outputs += _pitches(pitches)
    if levels:
        outputs += _levels(levels, FIRST_CONTROLLER + (pitches if pitches else 0))
    path = write_profile(
        Profile(name, says, tuple(outputs), "din" if link == "din" else "usb"), folder
    )
    click.echo(f"{path}: written. Name it in the rig: profile: {name}")
    click.echo(
        "Every output can be refined there; `lanebridge profile schema` lists what may stand."
    )


def _free_name(text: str, folder: Path) -> str:
    """A name that can be written; what is wrong with it is said before any other question."""
    from bridge.files.profile import NAME

    if not re.fullmatch(NAME, text):
        raise click.UsageError(
            "a name has small letters, digits and hyphens, and begins with a "
            "letter: two-gates-one-cv"
        )
    if (folder / f"{text}.yaml").exists():
        raise click.UsageError(f"{folder / text}.yaml is there already; choose another name")
    return text


def _gates(count: int) -> list[Output]:
    from bridge.voltage.profile import Address, Output

    channel = click.prompt("Gates: MIDI channel", type=click.IntRange(1, 16), default=10)
    top = 128 - count
    first = click.prompt(
        "Gates: first note number", type=click.IntRange(0, top), default=min(FIRST_GATE_NOTE, top)
    )
    high = click.prompt("Gates: volts when open", type=click.FloatRange(1, 15), default=5.0)
    return [
        Output(f"gate-{i + 1}", "gate", Address("note", channel, first + i), high=high)
        for i in range(count)
    ]


def _pitches(count: int) -> list[Output]:
    from bridge.voltage.profile import Address, Output

    way = click.prompt(
        "Pitch follows", type=click.Choice(["notes", "controllers"]), default="controllers"
    )
    low = click.prompt("Pitch: lowest volts", type=click.FloatRange(-15, 15), default=0.0)
    high = click.prompt("Pitch: highest volts", type=click.FloatRange(-15, 15), default=5.0)
    law = click.prompt("Pitch: law", type=click.Choice(["v/oct", "hz/v"]), default="v/oct")
    volts = 0.0 if law == "v/oct" else 1.0
    note = click.prompt(
        f"Pitch: note number that gives {volts:g} V", type=click.IntRange(0, 127), default=36
    )
    found = []
    for i in range(count):
        channel = i + 1 if way == "notes" else 1
        address = (
            Address("note-pitch", channel)
            if way == "notes"
            else Address("cc14", channel, FIRST_CONTROLLER + i)
        )
        voice = f"voice-{i + 1}" if way == "notes" else None
        found.append(
            Output(
                f"pitch-{i + 1}",
                "pitch",
                address,
                low=low,
                high=high,
                bits=14,
                law="hz/v" if law == "hz/v" else "v/oct",
                reference_note=float(note),
                reference_volts=volts,
                voice=voice,
            )
        )
        if voice is not None:
            gate = Output(
                f"voice-gate-{i + 1}", "gate", Address("note", channel), high=5.0, voice=voice
            )
            found.append(gate)
    return found


def _levels(count: int, first: int) -> list[Output]:
    from bridge.voltage.profile import Address, By, Output

    bits = click.prompt("Levels: bits of MIDI", type=click.Choice(["7", "14"]), default="14")
    low = click.prompt("Levels: lowest volts", type=click.FloatRange(-15, 15), default=0.0)
    high = click.prompt("Levels: highest volts", type=click.FloatRange(-15, 15), default=5.0)
    rest = min(max(0.0, min(low, high)), max(low, high))
    by: By = "cc14" if bits == "14" else "cc"
    return [
        Output(
            f"level-{i + 1}",
            "level",
            Address(by, 1, first + i),
            low=low,
            high=high,
            rest=rest,
            bits=int(bits),
        )
        for i in range(count)
    ]

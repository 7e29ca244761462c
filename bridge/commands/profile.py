"""`lanebridge profile`: lists, checks, describes and writes profiles of interfaces."""

from __future__ import annotations

import json
from pathlib import Path

import click

from bridge.commands.older_options import renamed_option

FILE = click.Path(path_type=Path)


@click.group("profile", help="Profiles say how one kind of interface turns MIDI into volts.")
def command() -> None:
    pass


@command.command("list", help="Lists the profiles that come with the program.")
@renamed_option(
    "--rig-folder",
    "--beside",
    "beside",
    type=FILE,
    help="A rig's folder, whose own profiles are listed too and win.",
)
def list_(beside: Path | None) -> None:
    from bridge.commands import grid
    from bridge.commands.outfile import check_folder
    from bridge.files.profile import load_profile, profiles_beside, shipped

    if beside is not None:
        check_folder(beside)
    own = profiles_beside(beside) if beside is not None else []
    rows = []
    for name in sorted({*shipped(), *own}):
        profile = load_profile(name, beside)
        count = f"{len(profile.outputs):>2} outputs"
        rows.append((name, count, profile.description + ("  (your own)" if name in own else "")))
    grid.show(("profile", "has", "what it is"), rows)


@command.command("show", help="Shows the outputs of the profile NAME: kind, volts, MIDI address.")
@click.argument("name")
@renamed_option(
    "--rig-folder", "--beside", "beside", type=FILE, help="A rig's folder, whose own profiles win."
)
def show(name: str, beside: Path | None) -> None:
    from bridge.commands import grid
    from bridge.commands.outfile import check_folder
    from bridge.files.profile import load_profile
    from bridge.paper.output_table import address_words

    if beside is not None:
        check_folder(beside)
    profile = load_profile(name, beside)
    click.echo(f"{profile.name}: {profile.description}")
    rows = [
        (out.name, out.kind, f"{out.low:g} to {out.high:g} V", address_words(out))
        for out in profile.outputs
    ]
    grid.show(("output", "kind", "volts", "by"), rows, indent="  ")


@command.command("check", help="Checks profile FILES: form, ranges, overlaps, address clashes.")
@click.argument("files", nargs=-1, required=True, type=FILE)
def check(files: tuple[Path, ...]) -> None:
    from bridge.errors import InputError, Problem
    from bridge.files import older
    from bridge.files.document import Document
    from bridge.files.profile import profile_from

    problems: list[Problem] = []
    for path in files:
        try:
            document = Document.read(path)
            profile = profile_from(document, expected=path.stem)
        except InputError as error:
            problems += error.problems
        else:
            click.echo(f"{path}: good. {profile.name}: {len(profile.outputs)} outputs")
            for said in older.notes_of(document, older.of_profile):
                click.echo(f"note: {said}")
    if problems:
        raise InputError(problems)


@command.command("schema", help="Prints the JSON Schema of a profile, for editors.")
def schema() -> None:
    from bridge.files.profile import json_schema

    click.echo(json.dumps(json_schema(), indent=2))


@command.command("new", help="Asks about the jacks of an interface and writes a profile.")
@click.option("--folder", type=FILE, default=Path("."), help="Where to write it: beside the rig.")
def new(folder: Path) -> None:
    from bridge.commands.outfile import cannot_write, check_folder
    from bridge.commands.profile_questions import ask
    from bridge.commands.talk import note
    from bridge.files.profile import profile_text, write_profile
    from bridge.files.read import reason

    check_folder(folder, to_write=True)
    profile = ask(folder)
    try:
        path = write_profile(profile, folder)
    except OSError as error:
        click.echo(profile_text(profile))  # so many answers are not lost over a full disk
        raise cannot_write(folder / f"{profile.name}.yaml", reason(error)) from error
    note(f"{path}: written. Name it in the rig: profile: {profile.name}")
    note(
        "Every output can be refined there; `lanebridge profile schema` lists what may be written."
    )

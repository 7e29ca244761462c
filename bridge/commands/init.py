"""`lanebridge init`: a rig and a set to begin with."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from bridge.voltage.profile import Profile

FILE = click.Path(path_type=Path)

RIG = """# Your rack: which MIDI port goes to which interface, and where each cable goes.
# `lanebridge ports` lists the ports; `simulated` plays without hardware.
# `lanebridge profile list` lists the kinds of interface, `profile show {profile}` their outputs.
rig: My rack
interfaces:
  main:
    profile: {profile}
    port: simulated
    cables:
{cables}
"""

SET = """# Two written patterns, and one that follows from them: change a number and listen.
set: First bars
tempo: 120
lanes:
{lanes}
"""
VOICES = ("kick", "rim", "spray")
PATTERNS = (
    "{euclid: {hits: 4, steps: 16}",
    "{euclid: {hits: 5, steps: 16, rotate: 2}",
    "{logic: rim and not kick",
)


@click.command("init", help="Writes a rig and a set to begin with into FOLDER (here, unless told).")
@click.argument("folder", type=FILE, default=Path("."))
@click.option(
    "--profile",
    default="eight-gates-four-cv",
    show_default=True,
    metavar="NAME",
    help="The kind of interface.",
)
def command(folder: Path, profile: str) -> None:
    from bridge.commands.outfile import check_folder, write_out
    from bridge.commands.talk import note
    from bridge.errors import BridgeError
    from bridge.files.profile import load_profile

    check_folder(folder, to_write=True)
    texts = dict(zip(("rig.yaml", "set.yaml"), starter(load_profile(profile, folder)), strict=True))
    there = [str(folder / name) for name in texts if (folder / name).exists()]
    if there:
        raise BridgeError(f"{' and '.join(there)}  is there already; choose another folder")
    for name, text in texts.items():
        write_out(folder / name, text)
        note(f"{folder / name}: written")
    note("Try it: lanebridge play rig.yaml set.yaml --start")


def starter(profile: Profile) -> tuple[str, str]:
    """The texts of a rig and of a set that plays its first outputs for hits.

    Raises:
        BridgeError: the interface has none.
    """
    from bridge.errors import BridgeError

    jacks = [out.name for out in profile.outputs if out.kind in ("gate", "trigger")][: len(VOICES)]
    if not jacks:
        raise BridgeError(f"{profile.name} has no output for hits; choose another --profile")
    outs = [f", out: main.{jack}" for jack in jacks] + [""] * (len(VOICES) - len(jacks))
    cables = [
        f"      {jack}: {voice} voice, trigger input"
        for jack, voice in zip(jacks, VOICES, strict=False)
    ]
    lanes = [
        f"  {voice}: {pattern}{out}}}"
        for voice, pattern, out in zip(VOICES, PATTERNS, outs, strict=True)
    ]
    return (
        RIG.format(profile=profile.name, cables="\n".join(cables)),
        SET.format(lanes="\n".join(lanes)),
    )

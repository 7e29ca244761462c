"""`lanebridge soundcheck`: every jack once, with a person listening."""

from __future__ import annotations

import time
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from bridge.files.rig import Rig

FILE = click.Path(path_type=Path)
WARNING = """\
Turn monitors and headphones down now, and mind your hearing: a jack in the wrong place can drive an
amplifier to full level at once. Everything starts quietly; bring the level up slowly."""

ANSWERS = ("yes", "no", "skip", "again", "louder", "back", "quit")
ANSWERS_SAY = "type y (yes), n (no), s (skip), a (again), l (louder), b (back) or q (quit)"
QUESTION = "Heard or seen at the right place? (y/n, s skip, a again, l louder, b back, q quit)"


@click.command(
    "soundcheck",
    help=(
        "Checks the outputs of RIG that have a cable, one at a time: was it heard at the right "
        "place? Each answer may be its first letter."
    ),
)
@click.argument("rig", type=FILE)
@click.option(
    "--only", multiple=True, metavar="OUTPUT", help="Check only this output (may repeat)."
)
@click.option("--all", "everything", is_flag=True, help="Outputs without a cable too.")
@click.option("--report", type=FILE, help="Write what was found to this .txt file as well.")
@click.option(
    "--loop",
    metavar="INPUT",
    help="Adapter self-test: the interface's MIDI output is cabled to this MIDI input.",
)
@click.option("--interface", metavar="NAME", help="Self-test of this one instead of the first.")
def command(
    rig: Path,
    only: tuple[str, ...],
    everything: bool,
    report: Path | None,
    loop: str | None,
    interface: str | None,
) -> None:
    from bridge.bench import checklist as soundcheck
    from bridge.commands.outfile import check_out, save_out
    from bridge.errors import InputError, Problem, did_you_mean
    from bridge.files.rig import load_rig

    if report is not None:
        check_out(report, (".txt",), (rig,), "--report")
    loaded = load_rig(rig)
    if interface is not None and loop is None:
        raise click.UsageError("--interface belongs to --loop; --only chooses outputs")
    if loop is not None:
        name = interface or next(iter(loaded.interfaces))
        if name not in loaded.interfaces:
            said = f"there is no interface {name}{did_you_mean(name, loaded.interfaces)}"
            raise InputError([Problem(said, file=str(rig))])
        raise SystemExit(_loop(loaded, name, loop))
    unknown = [name for name in only if name not in loaded.wired]
    if unknown:
        raise InputError(
            [
                Problem(f"there is no output {n}{did_you_mean(n, loaded.wired)}", file=str(rig))
                for n in unknown
            ]
        )
    click.echo(WARNING)
    if not click.confirm("Are they down?", default=False):
        click.echo("nothing was sent; turn them down, then begin again")
        raise SystemExit(1)
    names = list(only) or (list(loaded.wired) if everything else soundcheck.to_check(loaded.wired))
    left_out = [] if only else [name for name in loaded.wired if name not in names]
    if left_out:
        click.echo(f"not checked, for they have no cable (--all asks): {', '.join(left_out)}")
    answers = _check(loaded, names)
    lines = soundcheck.report_lines(loaded.wired, [*names, *left_out], answers)
    click.echo("\n" + "\n".join(lines))
    if report is not None:
        head = f"Soundcheck of {loaded.name}, {datetime.now():%Y-%m-%d %H:%M}\n"
        copy = save_out(report, head + "\n".join(lines) + "\n")
        click.echo(f"{report}: written")
        if copy is not None:
            click.echo(f"what was there is kept as {copy}")
    if "no" in answers.values():
        raise SystemExit(1)


def _check(rig: Rig, names: list[str]) -> dict[str, str]:
    """Plays one output after another and asks; gives the answers so far, also when it is ended
    early: what was answered is worth its report."""
    from bridge.bench import checklist as soundcheck
    from bridge.commands.direct import early_end, open_outputs

    answers: dict[str, str] = {}
    with open_outputs(rig, list(rig.interfaces)) as (encoder, send), early_end():
        at, loud = 0, False
        while at < len(names):
            wired = rig.wired[names[at]]
            click.echo(f"\n{at + 1} of {len(names)}: {soundcheck.describe(wired)}")
            soundcheck.carry_out(wired, encoder, send, lambda ms: time.sleep(ms / 1e3), loud)
            answer = click.prompt(QUESTION, value_proc=read_answer)
            if answer == "quit":
                break
            loud = answer == "louder" or (loud and answer == "again")
            if answer == "back":
                at = max(0, at - 1)
            elif answer in soundcheck.ANSWERS:
                answers[names[at]] = answer
                at += 1
    return answers


def read_answer(text: str) -> str:
    """An answer, or as much of its beginning as tells it from the others. UsageError otherwise."""
    word = text.strip().lower()
    found = [answer for answer in ANSWERS if word and answer.startswith(word)]
    if len(found) != 1:
        raise click.UsageError(f"{text.strip()!r} is not an answer; {ANSWERS_SAY}")
    return found[0]


def _loop(rig: Rig, name: str, text: str) -> int:
    from bridge.bench.looptest import judge, mixture
    from bridge.ports import open_input, open_output

    interface = rig.interfaces[name]
    received: list[tuple[int, bytes]] = []
    source = open_input(text, lambda ns, data: received.append((ns, data)), "loop")
    port = open_output(interface.port, name)
    sent: list[tuple[int, bytes]] = []
    try:
        click.echo(f"{name}: sending 1000 messages to {port.name!r}, listening on {source.name!r}")
        for message in mixture():
            sent.append((time.monotonic_ns(), message))
            port.send(message)
            # As fast as a DIN cable carries them and no faster: 320 us a byte.
            time.sleep(0.00034 * len(message))
        time.sleep(0.3)
    finally:
        port.close()
        source.close()
    result = judge(sent, received)
    click.echo("\n".join(result.words()))
    return 0 if result.good else 1

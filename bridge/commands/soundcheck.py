"""`lanebridge soundcheck`: every jack once, with a person listening, or an audio input."""

from __future__ import annotations

import time
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.listening import (
    HEARS_THE_RACK,
    channel_option,
    ears_on,
    listen_option,
    monitors_down,
)

if TYPE_CHECKING:
    from bridge.bench.listened import ListenedCheck
    from bridge.files.rig import Rig
    from bridge.music.model import SetSpec

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
        "place? Each answer may be its first letter. With --listen an audio input answers: it "
        "says what is heard, how late and how loud, and whose voice it sounds like; SET tells "
        "which gate lets which pitch be heard."
    ),
)
@click.argument("rig", type=FILE)
@click.argument("set_file", metavar="[SET]", type=FILE, required=False)
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
@listen_option(HEARS_THE_RACK)
@channel_option("--channel", "that input")
def command(
    rig: Path,
    set_file: Path | None,
    only: tuple[str, ...],
    everything: bool,
    report: Path | None,
    loop: str | None,
    interface: str | None,
    listen: str | None,
    channel: int,
) -> None:
    from bridge.bench import checklist as soundcheck
    from bridge.commands.outfile import check_out
    from bridge.errors import InputError, Problem, did_you_mean
    from bridge.files.rig import load_rig

    if report is not None:
        check_out(report, (".txt",), (rig, *([] if set_file is None else [set_file])), "--report")
    loaded = load_rig(rig)
    if set_file is not None and listen is None:
        raise click.UsageError("SET belongs to --listen; without it a rig is enough")
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
    spec = _spec(set_file, loaded)
    monitors_down(WARNING)
    names = list(only) or (list(loaded.wired) if everything else soundcheck.to_check(loaded.wired))
    left_out = [] if only else [name for name in loaded.wired if name not in names]
    if left_out:
        click.echo(f"not checked, for they have no cable (--all asks): {', '.join(left_out)}")
    if listen is not None:
        raise SystemExit(_listen(loaded, spec, names, listen, channel, report))
    answers = _check(loaded, names)
    lines = soundcheck.report_lines(loaded.wired, [*names, *left_out], answers)
    click.echo("\n" + "\n".join(lines))
    _write(report, loaded, lines)
    if "no" in answers.values():
        raise SystemExit(1)


def _write(report: Path | None, rig: Rig, lines: list[str]) -> None:
    from bridge.commands.outfile import save_out

    if report is None:
        return
    head = f"Soundcheck of {rig.name}, {datetime.now():%Y-%m-%d %H:%M}\n"
    copy = save_out(report, head + "\n".join(lines) + "\n")
    click.echo(f"{report}: written")
    if copy is not None:
        click.echo(f"what was there is kept as {copy}")


def _spec(path: Path | None, rig: Rig) -> SetSpec | None:
    from bridge.files.set import load_set

    return None if path is None else load_set(path, rig).spec


def _listen(
    rig: Rig, spec: SetSpec | None, names: list[str], wanted: str, channel: int, report: Path | None
) -> int:
    """A soundcheck by ear; the exit code."""
    from bridge.listen.wrong import ListenError, insist_on_libraries

    insist_on_libraries()
    from bridge.bench.listened import ListenedCheck, all_good, summary
    from bridge.files.sounds import load_sounds

    known = {} if rig.path is None else load_sounds(rig.path)
    trouble: ListenError | None = None
    with ears_on(rig, wanted, channel, list(rig.interfaces)) as hearing:
        check = ListenedCheck(rig, spec, hearing, known)
        try:
            for heard in check.run(names):
                click.echo(heard.says)
        except ListenError as error:
            trouble = error
        except KeyboardInterrupt:
            click.echo()
    lines = summary(check, trouble)
    click.echo("\n" + "\n".join(lines))
    _write(report, rig, [*(one.says for one in check.heard.values()), "", *lines])
    good = all_good(check)
    if check.complete:
        _keep(check, good)
    return 0 if good else 1


def _keep(check: ListenedCheck, good: bool) -> None:
    """Keeps what was heard as the good sounds of the rig; asks first when something is wrong."""
    from bridge.bench.listened import to_keep
    from bridge.files.sounds import save_sounds

    path, now = check.rig.path, datetime.now()
    if path is None or not any(one.heard for one in check.struck.values()):
        return
    question = "Are these sounds right as they are, to compare the next soundcheck with?"
    if not good:
        try:
            if not click.confirm(question, default=False):
                return
        except click.Abort:
            click.echo()
            return
    written = save_sounds(path, to_keep(check, now), now)
    click.echo(f"{written}: the figures of these sounds, for the next soundcheck")


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

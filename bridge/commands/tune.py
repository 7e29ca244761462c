"""`lanebridge tune`: measure a pitch output, keep its correction beside the rig."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.listening import channel_option, listen_option

if TYPE_CHECKING:
    from bridge.bench.tuning_session import TuningSession
    from bridge.files.rig import Rig
    from bridge.voltage.least_squares import Fit, Reading
    from bridge.voltage.profile import WiredOutput

FILE = click.Path(path_type=Path)
HELP = """\
Let everything warm up for a quarter of an hour first. Turn monitors down: test tones are loud.
For each note, type what you measure: volts (2.003 V), a frequency (130.9 Hz), or a note and cents
(C3 +2). Enter alone skips a note, `back` returns to the last one, `done` ends early. Nothing is
kept before you say so, and any note can be taken again then."""


@click.command(
    "tune",
    help=(
        "Tunes the pitch OUTPUT of RIG: from readings of a meter or a tuner, or (--listen) by "
        "listening to the voice."
    ),
)
@click.argument("rig", type=FILE)
@click.argument("output", required=False)
@click.option(
    "--readings", type=FILE, help="Take the readings from a file: one `NOTE READING` a line."
)
@listen_option("Listen to the voice on this audio input and measure it.")
@channel_option("--channel", "that input")
@click.option("--all", "everything", is_flag=True, help="With --listen: one voice after the other.")
@click.option("--undo", is_flag=True, help="Bring back what the output had before its last tuning.")
@click.option(
    "--every",
    default=6,
    show_default=True,
    type=click.IntRange(1, 24),
    metavar="SEMITONES",
    help="Distance of the notes to measure.",
)
@click.option("--plot", type=FILE, help="Draw the errors before and after into this .svg file.")
@click.option(
    "--yes",
    is_flag=True,
    help="Keep the result without asking, unless it is doubtful; monitors are down.",
)
def command(
    rig: Path,
    output: str | None,
    readings: Path | None,
    listen: str | None,
    channel: int,
    everything: bool,
    undo: bool,
    every: int,
    plot: Path | None,
    yes: bool,
) -> None:
    from bridge.commands.outfile import check_out
    from bridge.errors import BridgeError
    from bridge.files.rig import load_rig

    _fitting(output, listen, everything, undo, readings, plot)
    if output is not None and not rig.exists() and Path(output).is_file():
        raise BridgeError(f"the rig comes first: lanebridge tune {output} {rig}")
    loaded = load_rig(rig)
    chosen = _pitch_outputs(rig, loaded, output)
    if plot is not None:
        check_out(plot, (".svg",), (rig, *([] if readings is None else [readings])), "--plot")
    if undo:
        _undo(rig, chosen[0].name)
    elif listen is not None:
        from bridge.commands.tune_listen import tune_by_ear

        raise SystemExit(tune_by_ear(loaded, chosen, listen, channel, every, yes, plot))
    else:
        _from_readings(loaded, chosen[0], readings, every, yes, plot)


def _fitting(
    output: str | None,
    listen: str | None,
    everything: bool,
    undo: bool,
    readings: Path | None,
    plot: Path | None,
) -> None:
    """Whether what was typed fits together. UsageError when not."""
    if everything and listen is None:
        raise click.UsageError("--all belongs to --listen INPUT")
    if everything and output is not None:
        raise click.UsageError("name an OUTPUT, or say --all")
    if output is None and not everything:
        raise click.UsageError("Missing argument 'OUTPUT'.")
    if listen is not None and (undo or readings is not None):
        raise click.UsageError("--listen takes its readings by itself, and undoes nothing")
    if everything and plot is not None:
        raise click.UsageError("--plot draws one output; tune them one by one for it")


def _pitch_outputs(path: Path, rig: Rig, output: str | None) -> list[WiredOutput]:
    """The output that was named, or all pitch outputs. InputError when there is none."""
    from bridge.errors import InputError, Problem, did_you_mean

    pitches = {name: w for name, w in rig.wired.items() if w.output.kind == "pitch"}
    if output is None and pitches:
        return list(pitches.values())
    if output in pitches:
        return [pitches[output]]
    known = ", ".join(pitches) or "none"
    if output is None:
        said = "this rig has no pitch output"
    elif output in rig.wired:
        said = f"is not a pitch output; pitch outputs: {known}"
    else:
        guess = did_you_mean(output, pitches).rstrip("?")
        said = f"there is no such output{guess}; pitch outputs: {known}"
    raise InputError([Problem(said, output or "", str(path))])


def _undo(rig: Path, output: str) -> None:
    from bridge.commands.outfile import cannot_write
    from bridge.files import tuning
    from bridge.files.read import reason

    try:
        before = tuning.undo_tuning(rig, output, datetime.now())
    except OSError as error:
        raise cannot_write(tuning.tuning_path(rig), reason(error)) from error
    said = f"as of {before.correction.made}" if before else "untuned"
    click.echo(f"{output} is {said} again")


def _from_readings(
    rig: Rig, wired: WiredOutput, readings: Path | None, every: int, yes: bool, plot: Path | None
) -> None:
    from bridge.commands.tuned import ask_keep, now, plotted, report, write_tuning
    from bridge.files import tuning
    from bridge.voltage.least_squares import fit

    result: Fit | None
    if readings is not None:
        taken = tuning.read_readings(readings, wired.output)
        made = fit(wired.output, taken, now())
        click.echo(report(wired.output, made, taken))
        keep, result = ask_keep(made, yes), made
    else:
        click.echo(HELP)
        keep, result, taken = _bench(rig, wired, tuning.ladder(wired.output, every), yes)
    if plot is not None and result is not None:
        plotted(plot, f"{wired.name} of {rig.name}", wired, result, taken)
    if not keep or result is None:
        click.echo("nothing was changed")
        if yes or result is None:
            raise SystemExit(1)
        return
    write_tuning(rig, wired, result, taken)


def _bench(
    rig: Rig, wired: WiredOutput, notes: list[int], yes: bool
) -> tuple[bool, Fit | None, list[Reading]]:
    """Asks for readings until what comes out is kept or left: whether to keep it, what it is, and
    the readings it was made of. Readings that are not kept are printed, so that none is lost."""
    from bridge.bench.tuning_session import TuningSession
    from bridge.commands.direct import early_end
    from bridge.commands.tuned import ask_keep
    from bridge.files.tuning import readings_text

    session = TuningSession(wired, notes)
    keep, result = False, None
    readings: list[Reading] = []
    with early_end(), _sounding(rig, wired) as sound:
        _ladder(session, notes, sound)
        while True:
            readings, result = _fitted(session)
            if yes and result is not None:
                keep = ask_keep(result, yes)
                break
            asked = _decide(result, notes)
            if isinstance(asked, bool):
                keep = asked
                break
            _ladder(session, [asked], sound)
    if session.readings and not keep:
        click.echo("the readings, to go on from with --readings FILE:")
        click.echo(readings_text(session.readings), nl=False)
    return keep, result, readings


def _fitted(session: TuningSession) -> tuple[list[Reading], Fit | None]:
    """The readings and what they make, which is printed; None when it cannot be made."""
    from bridge.commands.tuned import now, report
    from bridge.errors import InputError
    from bridge.voltage.least_squares import fit

    out = session.wired.output
    readings, octaves = session.taken()
    if octaves:
        click.echo(f"the oscillator is set {octaves:+d} octaves away; only its cents count")
    try:
        result = fit(out, readings, now())
    except InputError as error:
        click.echo("\n".join(problem.message for problem in error.problems))
        return readings, None
    click.echo(report(out, result, readings))
    return readings, result


def _decide(result: Fit | None, notes: list[int]) -> bool | int:
    """Whether to keep the result, or a note to take again."""
    from bridge.music.scale import note_name, parse_note

    def read(text: str) -> bool | int:
        word = text.strip().lower()
        if word in ("n", "no", "q", "quit") or (word in ("y", "yes") and result is not None):
            return word[0] == "y"
        try:
            note = int(parse_note(text.strip()))
        except ValueError:
            note = -1
        if note not in notes:
            names = ", ".join(note_name(note) for note in notes)
            raise click.UsageError(f"{text.strip()!r} is neither y, n nor a note of {names}")
        return note

    if result is None:
        question, default = "Which note again (such as C3), or n to leave", "n"
    else:
        question = "Keep this tuning? y, n, or a note to take again (such as C3)"
        default = "n" if result.doubts else "y"
    answer: bool | int = click.prompt(question, default=default, value_proc=read)
    return answer


def _ladder(session: TuningSession, notes: list[int], sound: Callable[[int], None]) -> None:
    """Sounds one note after another and takes what is typed into the session."""
    from bridge.music.scale import note_name

    at, doubted = 0, ""
    while at < len(notes):
        note = notes[at]
        sound(note)
        text = click.prompt(f"{note_name(note):>4}", default="", show_default=False).strip()
        if text.lower() == "done":
            return
        if text.lower() == "back":
            at = max(0, at - 1)
            continue
        if not text:
            session.readings.pop(note, None)
            at += 1
            continue
        volts, slip = _read(session, note, text)
        if slip and (volts is None or text != doubted):
            doubted = text
            click.echo(f"  {slip}")
            if volts is not None:
                click.echo("  type it again to take it all the same")
            continue
        if volts is not None:
            session.readings[note] = (text, volts)
        at += 1


def _read(session: TuningSession, note: int, text: str) -> tuple[float | None, str]:
    """A reading as volts (None: it cannot be taken), and what is odd about it, if anything."""
    from bridge.files.tuning import surprise

    try:
        volts = session.parse(note, text)
    except ValueError as error:
        return None, str(error)
    return volts, surprise(session.wired.output, note, text, session.readings)


@contextlib.contextmanager
def _sounding(rig: Rig, wired: WiredOutput) -> Iterator[Callable[[int], None]]:
    """Gives a function that sounds a note without any correction; everything rests afterwards."""
    from bridge.bench.checklist import Move, messages_of
    from bridge.commands.direct import open_outputs

    with open_outputs(rig, [wired.port]) as (encoder, send):
        yield lambda note: send(messages_of(Move(0.0, "pitch", note), wired, encoder))

"""`lanebridge tune`: measure a pitch output, keep its correction beside the rig."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from bridge.bench.tuning_session import TuningSession
    from bridge.files.rig import Rig
    from bridge.voltage.fit import Fit, Reading
    from bridge.voltage.profile import Output, WiredOutput

FILE = click.Path(path_type=Path)
WIDTH = 48
TOLD_CENTS = 0.5  # a note that stays off by less is not worth a word
HELP = """\
Let everything warm up for a quarter of an hour first. Turn monitors down: test tones are loud.
For each note, type what you measure: volts (2.003 V), a frequency (130.9 Hz), or a note and cents
(C3 +2). Enter alone skips a note, `back` returns to the last one, `done` ends early. Nothing is
kept before you say so, and any note can be taken again then."""


@click.command("tune", help="Tunes the pitch OUTPUT of RIG from readings of a meter or a tuner.")
@click.argument("rig", type=FILE)
@click.argument("output")
@click.option(
    "--readings", type=FILE, help="Take the readings from a file: one `NOTE READING` a line."
)
@click.option("--undo", is_flag=True, help="Bring back what the output had before its last tuning.")
@click.option(
    "--every",
    default=6,
    show_default=True,
    type=click.IntRange(1, 24),
    metavar="SEMITONES",
    help="Distance of the notes to measure.",
)
@click.option("--yes", is_flag=True, help="Keep the result without asking, unless it is doubtful.")
def command(
    rig: Path, output: str, readings: Path | None, undo: bool, every: int, yes: bool
) -> None:
    from bridge.commands.outfile import cannot_write
    from bridge.errors import BridgeError, InputError, Problem, did_you_mean
    from bridge.files import tuning
    from bridge.files.read import reason
    from bridge.files.rig import load_rig
    from bridge.voltage.fit import fit

    if not rig.exists() and Path(output).is_file():
        raise BridgeError(f"the rig comes first: lanebridge tune {output} {rig}")
    loaded = load_rig(rig)
    wired = loaded.wired.get(output)
    pitches = [name for name, w in loaded.wired.items() if w.output.kind == "pitch"]
    if wired is None or wired.output.kind != "pitch":
        said = "is not a pitch output" if wired else "there is no such output"
        said += "" if wired else did_you_mean(output, pitches).rstrip("?")
        raise InputError(
            [Problem(f"{said}; pitch outputs: {', '.join(pitches) or 'none'}", output, str(rig))]
        )
    if undo:
        try:
            before = tuning.undo_tuning(rig, output, datetime.now())
        except OSError as error:
            raise cannot_write(tuning.tuning_path(rig), reason(error)) from error
        said = f"as of {before.correction.made}" if before else "untuned"
        click.echo(f"{output} is {said} again")
        return
    result: Fit | None
    if readings is not None:
        taken = tuning.read_readings(readings, wired.output)
        made = fit(wired.output, taken, _now())
        click.echo(report(wired.output, made, taken))
        keep, result = _keep(made, yes), made
    else:
        click.echo(HELP)
        keep, result, taken = _bench(loaded, wired, tuning.ladder(wired.output, every), yes)
    if not keep or result is None:
        click.echo("nothing was changed")
        if yes or result is None:
            raise SystemExit(1)
        return
    profile = loaded.interfaces[wired.port].profile.name
    kept = tuning.tuned(result, taken, profile)
    try:
        path = tuning.save_tuning(rig, output, kept, datetime.now())
    except OSError as error:
        raise cannot_write(tuning.tuning_path(rig), reason(error)) from error
    click.echo(f"{path}: written; `lanebridge tune {rig} {output} --undo` takes it back")


def _now() -> str:
    return datetime.now().isoformat(timespec="seconds")


def _keep(result: Fit, yes: bool) -> bool:
    """Whether the tuning is kept. With doubts it is not kept unless a person says so."""
    if yes:
        if result.doubts:
            click.echo("--yes keeps only what raises no doubt: see the warnings")
        return not result.doubts
    return click.confirm("Keep this tuning?", default=not result.doubts)


def _bench(
    rig: Rig, wired: WiredOutput, notes: list[int], yes: bool
) -> tuple[bool, Fit | None, list[Reading]]:
    """Asks for readings until what comes out is kept or left: whether to keep it, what it is, and
    the readings it was made of. Readings that are not kept are printed, so that none is lost."""
    from bridge.bench.tuning_session import TuningSession
    from bridge.commands.direct import early_end
    from bridge.files.tuning import readings_text

    session = TuningSession(wired, notes)
    keep, result = False, None
    readings: list[Reading] = []
    with early_end(), _sounding(rig, wired) as sound:
        _ladder(session, notes, sound)
        while True:
            readings, result = _fitted(session)
            if yes and result is not None:
                keep = _keep(result, yes)
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
    from bridge.errors import InputError
    from bridge.voltage.fit import fit

    out = session.wired.output
    readings, octaves = session.taken()
    if octaves:
        click.echo(f"the oscillator is set {octaves:+d} octaves away; only its cents count")
    try:
        result = fit(out, readings, _now())
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


def report(out: Output, result: Fit, readings: list[Reading]) -> str:
    """A table of the readings with their error before and after, drawn, and the warnings."""
    from bridge.files.tuning import told

    rows = told(out, result, readings)
    reach = max(10.0, *(abs(row["before"]) for row in rows)) if rows else 10.0
    lines = [
        f"{'note':>5} {'before':>9} {'after':>8}   {-reach:.0f} cents".ljust(40)
        + f"0{'':>{WIDTH // 2 - 12}}{reach:+.0f}"
    ]
    for row in rows:
        bar = [" "] * (WIDTH + 1)
        bar[WIDTH // 2] = "|"
        for cents, mark in ((row["before"], "o"), (row["after"], "x")):
            value = min(max(cents / reach, -1.0), 1.0)
            bar[round((value + 1.0) * WIDTH / 2)] = mark
        note = "  left out" if row["left_out"] else ""
        note = "  cannot be reached" if abs(row["missed"]) >= TOLD_CENTS else note
        lines.append(
            f"{row['name']:>5} {row['before']:+9.2f} {row['after']:+8.2f}   {''.join(bar)}{note}"
        )
    correction = result.correction
    lines += [
        f"o before: worst {result.worst(result.before):.2f} cents; "
        f"x after: worst {result.worst(result.after):.2f} cents",
        f"offset {correction.offset_volts * 1000:+.2f} mV, gain {correction.gain:.6f}, "
        f"{len(correction.table)} points in the table",
        *(f"warning: {warning}" for warning in result.warnings),
    ]
    return "\n".join(lines)

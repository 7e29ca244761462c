"""`lanebridge tune --listen`: the voice is heard and measured, one output after another."""

from __future__ import annotations

import time
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.listening import monitors_down

if TYPE_CHECKING:
    from bridge.bench.ear_tuning import EarTuning
    from bridge.files.rig import Rig
    from bridge.listen.audio import Listener
    from bridge.voltage.profile import WiredOutput

WARNING = """\
Turn monitors and headphones down now, and mind your hearing: test tones are loud. Let everything
warm up for a quarter of an hour. Let the voice sound by itself: its amplifier open, one plain wave,
no portamento, no vibrato, no effects. Bring its level up slowly, to where the input does not clip.
Nothing of what is heard is recorded or kept but the pitches that are measured."""


def tune_by_ear(
    rig: Rig,
    outputs: Sequence[WiredOutput],
    wanted: str,
    channel: int,
    every: int,
    yes: bool,
    plot: Path | None,
) -> int:
    """Tunes these outputs.

    Args:
        rig: the rig; its file is where tunings are kept.
        outputs: which, in order.
        wanted: the audio input, or a part of its name.
        channel: of the input, from 1.
        every: semitones between the notes to measure.
        yes: nothing is asked; what is not doubtful is kept.
        plot: an SVG file to draw into, if any.

    Returns:
        The exit code: 0 when every output was tuned, or left as a person wanted.

    Raises:
        BridgeError: the input or a port cannot be opened.
    """
    from bridge.listen.opening import listening
    from bridge.listen.wrong import insist_on_libraries

    insist_on_libraries()
    if yes:
        click.echo(WARNING)
    else:
        monitors_down(WARNING)
    good = True
    with listening(wanted, channel) as ear:
        click.echo(f"listening to {ear.name}, channel {channel}, {ear.rate:.0f} Hz")
        for wired in outputs:
            if len(outputs) > 1 and not _ready(wired, yes):
                continue
            good = _one(rig, wired, ear, every, yes, plot) and good
    return 0 if good else 1


def _ready(wired: WiredOutput, yes: bool) -> bool:
    """Whether this voice is to be tuned, once it alone can be heard."""
    from bridge.bench.checklist import NO_CABLE

    click.echo(f"\n{wired.name}: {wired.cable or NO_CABLE}")
    if yes:
        return True
    return click.confirm("Does this voice alone reach the input? n leaves it out", default=True)


def _one(
    rig: Rig, wired: WiredOutput, ear: Listener, every: int, yes: bool, plot: Path | None
) -> bool:
    """Tunes one output; whether all went well."""
    from bridge.bench.ear_tuning import EarTuning
    from bridge.bench.tuning_session import TuningSession
    from bridge.commands import tuned
    from bridge.files.tuning import ladder

    session = TuningSession(wired, ladder(wired.output, every))
    tuning = EarTuning(session, ear.name, ear.rate, made=tuned.now())
    if not _heard(rig, wired, tuning, ear):
        _leave(rig, tuning, "broken off")
        return False
    assert tuning.result is not None
    click.echo(summary(tuning))
    if plot is not None:
        checked = [(float(one.note), one.cents) for one in tuning.checked]
        title = f"{wired.name} of {rig.name}"
        tuned.plotted(plot, title, wired, tuning.result, tuning.readings, checked)
    if tuned.ask_keep(tuning.result, yes):
        tuned.write_tuning(rig, wired, tuning.result, tuning.readings)
        return True
    _leave(rig, tuning, "measured")
    return not yes


def _heard(rig: Rig, wired: WiredOutput, tuning: EarTuning, ear: Listener) -> bool:
    """Plays and listens; the output rests afterwards, whatever happens. False, and said why, when
    it ended early."""
    from bridge.bench.checklist import Move, messages_of
    from bridge.bench.ear_tuning import Sound, carry_out
    from bridge.commands.direct import open_outputs
    from bridge.errors import InputError
    from bridge.listen.wrong import ListenError

    told: set[int] = set()

    def each() -> None:
        for note, (text, _) in tuning.session.readings.items():
            if note not in told:
                told.add(note)
                click.echo(f"  {note_words(note)}  {text}")

    begun = time.monotonic()
    try:
        with open_outputs(rig, [wired.port]) as (encoder, send):

            def sound(step: Sound) -> int:
                encoder.correct(wired.name, step.correction)
                send(messages_of(Move(0.0, "pitch", step.note), wired, encoder))
                return time.monotonic_ns()

            carry_out(tuning, ear, sound, each)
    except (ListenError, InputError) as error:
        click.echo(str(error), err=True)
        return False
    except KeyboardInterrupt:
        click.echo("\nended early; the outputs rest")
        return False
    click.echo(f"measured and checked in {time.monotonic() - begun:.0f} s")
    return True


def note_words(note: int) -> str:
    from bridge.music.scale import note_name

    return f"{note_name(note):>4}"


def summary(tuning: EarTuning) -> str:
    """The readings as a table and drawn, the check, and what was noticed on the way."""
    from bridge.commands.tuned import WIDTH, report

    assert tuning.result is not None
    lines = []
    if tuning.octaves:
        lines.append(
            f"the oscillator is set {tuning.octaves:+d} octaves away; only its cents count"
        )
    lines.append(report(tuning.session.wired.output, tuning.result, tuning.readings))
    if tuning.checked:
        reach = max(2.0, tuning.worst or 0.0)
        lines.append(
            f"{'check':>5} {'heard':>8}   {-reach:.0f} cents".ljust(30)
            + f"0{'':>{WIDTH // 2 - 12}}{reach:+.0f}"
        )
    for one in tuning.checked:
        bar = [" "] * (WIDTH + 1)
        bar[WIDTH // 2] = "|"
        bar[round((one.cents / reach + 1.0) * WIDTH / 2)] = "x"
        lines.append(f"{note_words(one.note):>5} {one.cents:+8.2f}   {''.join(bar)}".rstrip())
    if tuning.worst is not None:
        lines.append(
            f"played again with this tuning, {len(tuning.checked)} other notes are off by "
            f"{tuning.worst:.2f} cents at worst"
        )
    else:
        lines.append("no note could be checked")
    if tuning.drift is not None:
        lines.append(f"drift: {tuning.drift:+.2f} cents a minute")
    return "\n".join([*lines, *(f"noticed: {one}" for one in tuning.said)])


def _leave(rig: Rig, tuning: EarTuning, how: str) -> None:
    """Keeps the readings beside the rig, marked as not applied."""
    from bridge.commands.outfile import save_out
    from bridge.files.tuning import readings_text

    session = tuning.session
    click.echo(f"{session.wired.name}: nothing was changed")
    if not session.readings or rig.path is None:
        return
    path = rig.path.with_name(f"{rig.path.stem}.{session.wired.name}.readings.txt")
    save_out(
        path,
        f"# {session.wired.name} of {rig.name}, heard on {tuning.input_name}, "
        f"{datetime.now():%Y-%m-%d %H:%M}: {how}, not applied.\n" + readings_text(session.readings),
    )
    click.echo(
        f"{path}: the readings, not applied; `lanebridge tune {rig.path} {session.wired.name} "
        f"--readings {path}` goes on from them"
    )

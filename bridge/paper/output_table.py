"""Every output of a rig: what drives it, what it can do, what is left, and what will surprise.

`table` has one row per output; `warnings` says in plain words what a set asks that the outputs
cannot give. What only playing shows comes from `bridge.paper.trial`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from bridge.errors import Problem
from bridge.files.rig import Rig
from bridge.files.rig_effects import CLOCKED, drivers
from bridge.files.set import SetDocument
from bridge.files.tuning import Tuning, load_tuning
from bridge.music.model import Lane
from bridge.music.scale import note_name
from bridge.paper import trial
from bridge.voltage.profile import Output, WiredOutput, step_cents, step_volts

COARSE_CENTS = 5.0  # about the smallest difference that ears notice (from memory)


@dataclass(frozen=True, slots=True)
class PlannedOutput:
    """One output: what drives it, how it is reached, its range in volts and its resolution
    (`step_mv`, and `step_cents` for pitch; null where it only opens and closes; `resolution` in
    words). `blocked_by` is an output in use that excludes it; it is `free` when a lane may still
    take it."""

    output: str
    kind: str
    by: str
    low: float
    high: float
    rest: float
    step_mv: float | None
    step_cents: float | None
    resolution: str
    drivers: tuple[str, ...]
    cable: str
    tuned: str
    blocked_by: str
    free: bool


def table(rig: Rig, document: SetDocument | None = None) -> list[PlannedOutput]:
    """One row per output of the rig, in its order.

    Args:
        rig: the rig; its tuning is read from beside its file, where it has one.
        document: the set that drives the outputs; None: the rig alone.

    Raises:
        InputError: the tuning file is wrong.
    """
    tunings = load_tuning(rig.path) if rig.path is not None else {}
    driven = drivers(rig, document.spec if document is not None else None)
    return [_row(wired, rig, driven, tunings.get(name)) for name, wired in rig.wired.items()]


def _row(
    wired: WiredOutput, rig: Rig, driven: Mapping[str, list[str]], tuning: Tuning | None
) -> PlannedOutput:
    out = wired.output
    step = step_volts(out)
    cents = step_cents(out) if out.kind == "pitch" else None
    made = tuning.correction.made[:10] if tuning is not None else ""
    blocked = [
        name for name in _excluding(rig, wired) if driven.get(name) and not driven[wired.name]
    ]
    blocked_by, who = blocked[0] if blocked else "", tuple(driven.get(wired.name, ()))
    step_mv = 1000.0 * step if step else None
    return PlannedOutput(
        output=wired.name,
        kind=out.kind,
        by=address_words(out),
        low=out.low,
        high=out.high,
        rest=out.rest,
        step_mv=step_mv,
        step_cents=cents,
        resolution=step_words(step_mv, cents),
        drivers=who,
        cable=wired.cable,
        tuned=made,
        blocked_by=blocked_by,
        free=not who and not blocked_by and out.kind not in CLOCKED,
    )


def _excluding(rig: Rig, wired: WiredOutput) -> list[str]:
    """Names of the outputs that cannot be used together with this one."""
    mine = wired.output
    return [
        other.name
        for other in rig.wired.values()
        if other.port == wired.port
        and (other.output.name in mine.excludes or mine.name in other.output.excludes)
    ]


def address_words(out: Output) -> str:
    """How an output is reached, for people: ``note C2 (36), channel 10``."""
    by, channel, number = out.address.by, out.address.channel, out.address.number
    if by == "clock":
        return "MIDI clock"
    note = f"note {note_name(number)} ({number})" if number is not None else "any note"
    words = {
        "note": note,
        "note-velocity": f"velocity of {note}",
        "note-pitch": "any note",
        "bend": "pitch bend",
        "cc": f"controller {number}",
        "nrpn": f"NRPN {number}",
        "cc14": f"controllers {number} and {(number or 0) + 32}",
        "pressure": "channel pressure",
        "program": "program number" if number is None else f"program {number}",
    }[by]
    return f"{words}, channel {channel}"


# --- as text -----------------------------------------------------------------------------------


HEADS = ("output", "kind", "by", "volts", "step", "driven by", "cable")


def cells(rows: Sequence[PlannedOutput]) -> list[tuple[str, ...]]:
    """The table as text, a cell for each of `HEADS`."""
    found: list[tuple[str, ...]] = []
    for row in rows:
        idle = "(no clock)" if row.kind in CLOCKED else "-"
        who = ", ".join(row.drivers) or (f"(not with {row.blocked_by})" if row.blocked_by else idle)
        cable = (row.cable or "-") + (f" (tuned {row.tuned})" if row.tuned else "")
        found.append((row.output, row.kind, row.by, volts_words(row), row.resolution, who, cable))
    return found


def lines(rows: Sequence[PlannedOutput]) -> Iterator[str]:
    """The table as aligned lines under a heading, then what is free."""
    told = [HEADS, *cells(rows)]
    widths = [max(map(len, column)) for column in zip(*told, strict=True)]
    for line in told:
        yield "  ".join(cell.ljust(w) for cell, w in zip(line, widths, strict=True)).rstrip()
    yield free_words(rows)


def free_words(rows: Sequence[PlannedOutput]) -> str:
    """``free: main.gate-6, main.gate-7``."""
    free = [row.output for row in rows if row.free]
    return f"free: {', '.join(free) if free else 'none'}"


def volts_words(row: PlannedOutput) -> str:
    """``0 to 5 V``: the range of an output."""
    return f"{row.low:g} to {row.high:g} V"


def step_words(millivolts: float | None, cents: float | None) -> str:
    """The resolution of an output: ``0.49 mV, 0.59 cents``.

    Args:
        millivolts: None: it only opens and closes, which gives ``-``.
        cents: None: it is no pitch.
    """
    if millivolts is None:
        return "-"
    text = f"{millivolts:.2g} mV" if millivolts < 10 else f"{millivolts:.0f} mV"
    if cents is not None:
        text += f", {cents:.2g} cents" if cents < 10 else f", {cents:.0f} cents"
    return text


# --- warnings ----------------------------------------------------------------------------------


def warnings(rig: Rig, document: SetDocument, bars: int | None = None) -> list[Problem]:
    """What will surprise, each with the place in the set file it comes from where there is one.

    Args:
        rig: the rig that it plays on.
        document: a set that has been checked against it.
        bars: how many are played offline as the set opens, to see it (`trial.BARS` unless told);
            each section has a few more.
    """
    driven = drivers(rig, document.spec)
    found = [*_coarse(rig, document), *_voices(rig, document, driven), *_excluded(rig, driven)]
    found += trial.warnings(rig, document, trial.BARS if bars is None else bars)
    return [document.document.locate(problem) if problem.keys else problem for problem in found]


def _players(document: SetDocument, output: str) -> list[Lane]:
    return [lane for lane in document.spec.lanes if lane.out == output]


def _at_out(lane: Lane, message: str) -> Problem:
    keys = ("lanes", lane.name, "out")
    return Problem(message, ".".join(keys), keys=keys)


def _coarse(rig: Rig, document: SetDocument) -> Iterator[Problem]:
    """Pitch on something too coarse for it."""
    for name, wired in rig.wired.items():
        out = wired.output
        if out.kind != "pitch":
            continue
        cents, volts = step_cents(out), step_volts(out)
        for lane in _players(document, name):
            whole = out.address.by == "note-pitch" and out.bend_semitones <= 0.0
            if whole:
                if lane.settings.get("slew_ms") or lane.settings.get("slew") or _glides(lane):
                    yield _at_out(lane, f"{name} plays whole semitones only: glides become steps")
            elif cents > COARSE_CENTS:
                yield _at_out(
                    lane,
                    f"pitch on {address_words(out).split(',')[0]}: "
                    f"{1000 * volts:.0f} mV steps, {cents_words(cents)}; it will be out "
                    "of tune",
                )


def _glides(lane: Lane) -> bool:
    return any(note.glide for note in getattr(lane.source, "notes", ()))


def cents_words(cents: float) -> str:
    """``about a semitone``, or how many cents."""
    for size, words in ((100.0, "about a semitone"), (50.0, "about half a semitone")):
        if abs(cents - size) <= 0.2 * size:
            return words
    return f"{cents:.0f} cents"


def _voices(rig: Rig, document: SetDocument, driven: Mapping[str, list[str]]) -> Iterator[Problem]:
    """A voice moves its pitch and its velocity only with a note, and a note is what its gate is."""
    for name, wired in rig.wired.items():
        out = wired.output
        if out.voice is None or out.gates or not driven[name]:
            continue
        gates = [
            other.name
            for other in rig.wired.values()
            if other.port == wired.port and other.output.voice == out.voice and other.output.gates
        ]
        if gates and not any(driven[gate] for gate in gates):
            message = f"{name} moves only when {gates[0]} opens, and nothing plays {gates[0]}"
            lanes = _players(document, name)
            yield _at_out(lanes[0], message) if lanes else Problem(message, path=name)


def _excluded(rig: Rig, driven: Mapping[str, list[str]]) -> Iterator[Problem]:
    seen: set[str] = set()
    for name, wired in rig.wired.items():
        seen.add(name)
        for other in _excluding(rig, wired):
            if driven[name] and driven[other] and other not in seen:
                yield Problem(
                    f"{name} and {other} cannot be used together: one jack, or one part of the "
                    f"interface, serves both ({driven[name][0]} and {driven[other][0]})",
                    path=name,
                )

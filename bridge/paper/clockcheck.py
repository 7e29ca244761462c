"""A clock, judged: from the stamps of some seconds to a report a person can act on.

    report = check(stamps)        # stamps: arrival of each F8 in ns, in order

Lateness is measured as the follower sees it: against the line along the early edge of each bar,
so a tempo that moves is not taken for jitter. What became of single pulses is told by `pulses`.

The limits of the verdict are common practice, no source, but for one: from 6 ms on a displaced
note in an even row is noticed (Friberg and Sundberg 1995, J. Acoust. Soc. Am. 98, 2524-2531).
"""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from bridge.clock.blocks import nearest
from bridge.clock.envelope import Envelope, Line, Point
from bridge.clock.reading import bpm_of
from bridge.clock.strip import Strip
from bridge.paper.pulses import Pulses, sort_out

Grade = Literal["none", "good", "usable", "rough"]

HEARD_MS = 6.0
GOOD_MS = 1.5  # 95 of 100 pulses
USABLE_MS = 4.0
_FAULTS_USABLE = 0.01  # lost and doubled, of all
_BAR = 96  # clocks
_FEWEST = 24
_PIECE = 8  # clocks in the shortest piece of a bar
_CLOSER = 0.6  # the share of lateness that is left, for a cut to be worth it
_CLOSE_NS = 300_000  # lateness per clock that is not worth a cut
_MOVES_BPM = 0.5
_MOVES = 0.004  # of the tempo
_AGREES = 0.003  # of the tempo: pulses by seconds, and what is said
_BLOCK_JITTER_NS = 200_000
_FRAME_NS = 1_000_000
_FRAME_NEAR_NS = 60_000


@dataclass(frozen=True, slots=True)
class ClockReport:
    """What was heard.

    `bpm` over all of it, `bpm_low` and `bpm_high` over single bars; `late_ms` is the lateness of
    each clock in order, `p50_ms`, `p95_ms`, `p99_ms` and `worst_ms` are read off it; `missing`
    clocks never came, `doubled` came twice, `bunched` came together after a pause. `block_ms` is
    the length of the audio blocks that the pulses come in, 0 for none; `two` are the tempos of two
    clocks on the input, for which nothing else is measured. `verdict` is one sentence, `advice`
    more of them, in the order to be read.
    """

    pulses: int
    seconds: float
    bpm: float = 0.0
    bpm_low: float = 0.0
    bpm_high: float = 0.0
    late_ms: tuple[float, ...] = ()
    p50_ms: float = 0.0
    p95_ms: float = 0.0
    p99_ms: float = 0.0
    worst_ms: float = 0.0
    missing: int = 0
    doubled: int = 0
    bunched: int = 0
    block_ms: float = 0.0
    two: tuple[float, ...] = ()
    grade: Grade = "none"
    verdict: str = ""
    advice: tuple[str, ...] = ()


def check(stamps: Sequence[int]) -> ClockReport:
    """The report on `stamps`, ns of one monotonic clock, in order. Any number of them will do."""
    seconds = (stamps[-1] - stamps[0]) / 1e9 if stamps else 0.0
    report = ClockReport(len(stamps), seconds)
    if len(stamps) < _FEWEST:
        return replace(report, verdict=_too_few(len(stamps)))
    pulses = sort_out(stamps)
    report = replace(
        report,
        missing=pulses.missing,
        doubled=pulses.doubled,
        bunched=pulses.bunched,
        block_ms=pulses.block_ns / 1e6,
        two=pulses.two or (),
    )
    if pulses.two:
        return _of_two(report)
    if len(pulses.points) < _FEWEST:
        return replace(report, verdict=_too_few(len(pulses.points)))
    return _measured(report, pulses, stamps)


def _measured(report: ClockReport, pulses: Pulses, stamps: Sequence[int]) -> ClockReport:
    points = pulses.points
    lines = _in_blocks(points, pulses.block_ns) if pulses.block_ns else _along_edges(points)
    late = [max(0.0, (ns - line.at(index)) / 1e6) for piece, line in lines for index, ns in piece]
    tempos = [bpm_of(line.period) for piece, line in lines if len(piece) >= _FEWEST]
    tempos = [bpm for bpm in tempos if bpm] or [_rate(points)]
    even = max(tempos) - min(tempos) < max(_MOVES_BPM, _MOVES * max(tempos))
    bpm = statistics.median(tempos) if even else _rate(points)
    shares = statistics.quantiles(late, n=100, method="inclusive")
    report = replace(
        report,
        bpm=bpm,
        bpm_low=min(tempos),
        bpm_high=max(tempos),
        late_ms=tuple(late),
        p50_ms=shares[49],
        p95_ms=shares[94],
        p99_ms=shares[98],
        worst_ms=max(late),
    )
    frames = not pulses.block_ns and _in_frames(stamps)
    return _judged(report, frames, not even, pulses.every_twice)


def _rate(points: Sequence[Point]) -> float:
    """The tempo of the first and the last clock and of the count between them."""
    (first, begin), (last, end) = points[0], points[-1]
    return bpm_of((end - begin) / (last - first))


def _along_edges(points: list[Point]) -> list[tuple[list[Point], Line]]:
    """Pieces of one tempo, and the early edge of each."""
    return [(piece, _edge(piece)) for bar in _bars(points) for piece in _pieces(bar)]


def _in_blocks(points: list[Point], block: float) -> list[tuple[list[Point], Line]]:
    """Bars, each with the line that its blocks allow: one for all where that is possible."""
    strip = Strip(block + _BLOCK_JITTER_NS)
    strip.refill(points, None)
    if _fits(points, strip.line, block):
        return [(points, strip.line)]
    lines = []
    for bar in _bars(points, 2 * _BAR):
        strip.refill(bar, None)
        lines.append((bar, strip.line))
    return lines


def _fits(points: Sequence[Point], line: Line, block: float) -> bool:
    off = sum(not -block / 2 < ns - line.at(index) < 1.5 * block for index, ns in points)
    return off < 0.05 * len(points)


def _bars(points: list[Point], clocks: int = _BAR) -> list[list[Point]]:
    bars = [points[at : at + clocks] for at in range(0, len(points), clocks)]
    if len(bars) > 1 and len(bars[-1]) < clocks // 2:
        rest = bars.pop()
        bars[-1] = bars[-1] + rest
    return bars


def _pieces(points: list[Point]) -> list[list[Point]]:
    """A bar, cut where its tempo changes: wherever two lines lie far closer to the points than
    one does."""
    whole = _above(points)
    cuts = range(_PIECE, len(points) - _PIECE + 1)
    if not cuts or whole < _CLOSE_NS * len(points):
        return [points]
    apart, cut = min((_above(points[:cut]) + _above(points[cut:]), cut) for cut in cuts)
    if apart > _CLOSER * whole:
        return [points]
    return _pieces(points[:cut]) + _pieces(points[cut:])


def _above(points: Sequence[Point]) -> float:
    line = _edge(points)
    return sum(ns - line.at(index) for index, ns in points)


def _edge(points: Sequence[Point]) -> Line:
    window = Envelope(most=len(points) + 1, block=len(points) + 1)
    window.refill(points)
    return window.line()


def _in_frames(stamps: Sequence[int]) -> bool:
    """Whether intervals are whole milliseconds, as they are behind a link polled each ms."""
    gaps = [b - a for a, b in pairwise(stamps)]
    if statistics.pstdev(gaps) < _FRAME_NS / 10:
        return False  # all alike: a period of whole milliseconds, perhaps
    near = sum(
        abs((gap + _FRAME_NS // 2) % _FRAME_NS - _FRAME_NS // 2) < _FRAME_NEAR_NS for gap in gaps
    )
    return near > 0.9 * len(gaps)


# --- in words ----------------------------------------------------------------------------------


def _too_few(count: int) -> str:
    if count == 0:
        return "No clock: nothing arrived. Is the sender told to send clock, and on this port?"
    return (
        f"No clock: {count} pulses are too few to say anything. Listen longer, or check the sender."
    )


def _pulses(count: int) -> str:
    return f"{count} pulse{'' if count == 1 else 's'}"


def _of_two(report: ClockReport) -> ClockReport:
    low, high = report.two
    rate = report.pulses / report.seconds * 2.5 if report.seconds else 0.0
    return replace(
        report,
        grade="rough",
        verdict=f"Two clocks on one input: {low:.1f} and {high:.1f} bpm.",
        advice=(
            f"Together they make {report.pulses} pulses, as many as a clock of {rate:.1f} bpm. "
            "Take one of the two away: stop one sender, or its clock on this port.",
        ),
    )


def _judged(report: ClockReport, frames: bool, moves: bool, twice: bool) -> ClockReport:
    faults = report.missing + report.doubled
    late_ms = report.p95_ms - 0.95 * report.block_ms  # blocks are no fault, and are taken out
    grade: Grade = "rough"
    if late_ms <= GOOD_MS and not faults:
        grade = "good" if report.block_ms <= USABLE_MS else "usable"
    elif late_ms <= USABLE_MS and faults <= _FAULTS_USABLE * report.pulses:
        grade = "usable"
    tempo = (
        f"{report.bpm_low:.1f} to {report.bpm_high:.1f} bpm" if moves else f"{report.bpm:.2f} bpm"
    )
    within = (
        f"in blocks of {_block(report.block_ms)}"
        if report.block_ms
        else f"95 of 100 pulses within {report.p95_ms:.1f} ms"
    )
    verdict = f"A {grade} clock: {tempo}, {within}{'' if faults else ', none lost, none doubled'}."
    advice = tuple(_advice(report, frames, moves, twice))
    return replace(report, grade=grade, verdict=verdict, advice=advice)


def _block(block_ms: float) -> str:
    known = nearest(block_ms * 1e6)
    rate = {44_100: "44.1", 48_000: "48"}
    size = f" ({known.frames} frames at {rate[known.rate]} kHz)" if known else ""
    return f"{block_ms:.1f} ms{size}"


def _disagreement(report: ClockReport) -> str:
    """Why pulses divided by seconds is another tempo than the one that is said; "" if it is not."""
    rate = (report.pulses - 1) / report.seconds * 2.5 if report.seconds else 0.0
    room = 100 * report.block_ms / 1e5 / max(report.seconds, 0.1)
    if not rate or abs(rate / report.bpm - 1) < _AGREES + room:
        return ""
    if report.doubled:
        why = f"{_pulses(report.doubled)} more came than the clock has"
    elif report.missing:
        why = f"{_pulses(report.missing)} of the clock never came"
    else:
        why = "the sender did not run evenly all the time"
    return f"{report.pulses} pulses in {report.seconds:.1f} s make {rate:.2f} bpm: {why}."


def _advice(report: ClockReport, frames: bool, moves: bool, twice: bool) -> Iterable[str]:
    if report.block_ms:
        yield (
            f"The pulses come in blocks of {_block(report.block_ms)}: a smaller buffer in the host "
            f"makes this tighter. They are {report.block_ms / 2:.1f} ms late on average; the "
            "follower knows that and takes it out."
        )
    if twice:
        yield (
            "Every pulse comes twice: the same clock arrives by two ways, or a loop sends it back. "
            "Take one of the two away."
        )
    elif report.doubled:
        yield (
            f"{_pulses(report.doubled)} came twice. The follower counts each of them: look for "
            "what sends them."
        )
    if report.missing:
        yield (
            f"{_pulses(report.missing)} never came. The follower makes up for a silence, but not "
            "for single ones: look at the cable, the hub and what else the sender has to do."
        )
    if report.bunched:
        yield (
            f"{_pulses(report.bunched)} came in a bunch after a pause: the sender or this computer "
            "stood still for a moment. The follower keeps the beat through it."
        )
    if frames:
        yield "The pulses fall on whole milliseconds: a USB link. That much is harmless."
    if report.block_ms:
        pass
    elif report.worst_ms >= HEARD_MS and report.p95_ms < HEARD_MS / 2:
        yield (
            f"Most pulses are in time and a few are late, by up to {report.worst_ms:.1f} ms. "
            f"Played as they come, {HEARD_MS:.0f} ms would be heard; the follower plays by the "
            "ones in time."
        )
    elif report.p95_ms > USABLE_MS:
        yield (
            "The jitter is large. If the sender is a computer, a shorter audio buffer or a wired "
            "port often helps."
        )
    why = _disagreement(report)
    if why:
        yield why
    if moves:
        yield "The tempo moved while listening. If it should not, look at the sender's tempo track."

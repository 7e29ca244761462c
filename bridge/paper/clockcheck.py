"""A clock, judged: from the stamps of some seconds to a report a person can act on.

    report = check(stamps)        # stamps: arrival of each F8 in ns, in order
    print(text(report))

Lateness is measured as the follower sees it: against the line along the early edge of each bar,
so a tempo that moves is not taken for jitter. Pulses that came late in a bunch are told from pulses
that never came.

The limits of the verdict are common practice, no source, but for one: from 6 ms on a displaced
note in an even row is noticed (Friberg and Sundberg 1995, J. Acoust. Soc. Am. 98, 2524-2531).
"""

from __future__ import annotations

import statistics
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from bridge.clock.envelope import Envelope, Line, Point
from bridge.clock.follower import Follower
from bridge.clock.reading import bpm_of

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
_ODD_SPAN = 4
_MOVES_BPM = 0.5
_TWICE = 0.4  # of all pulses doubled: that is every one
_FRAME_NS = 1_000_000
_FRAME_NEAR_NS = 60_000
_PLOT_MS = 0.02  # less than this is no jitter to draw
_STEPS = " ▁▂▃▄▅▆▇█"


@dataclass(frozen=True, slots=True)
class ClockReport:
    """What was heard.

    `bpm` over all of it, `bpm_low` and `bpm_high` over single bars; `late_ms` is the lateness of
    each clock in order, `p50_ms`, `p95_ms`, `p99_ms` and `worst_ms` are read off it; `missing`
    clocks never came, `doubled` came twice, `bunched` came together after a pause. `verdict` is one
    sentence, `advice` more of them, in the order to be read.
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
    grade: Grade = "none"
    verdict: str = ""
    advice: tuple[str, ...] = ()


def check(stamps: Sequence[int]) -> ClockReport:
    """The report on `stamps`, ns of one monotonic clock, in order. Any number of them will do."""
    seconds = (stamps[-1] - stamps[0]) / 1e9 if stamps else 0.0
    report = ClockReport(len(stamps), seconds)
    if len(stamps) < _FEWEST:
        return replace(report, verdict=_too_few(len(stamps)))
    points, report = _placed(stamps, report)
    if len(points) < _FEWEST:
        return replace(report, verdict=_too_few(len(points)))
    pieces = [piece for bar in _bars(points) for piece in _pieces(bar)]
    late = [
        (ns - line.at(index)) / 1e6
        for piece, line in ((piece, _edge(piece)) for piece in pieces)
        for index, ns in piece
    ]
    tempos = [bpm_of(_edge(piece).period) for piece in pieces if len(piece) >= _FEWEST]
    tempos = tempos or [bpm_of(_edge(points).period)]
    even = max(tempos) - min(tempos) < _MOVES_BPM
    ranked = sorted(late)
    report = replace(
        report,
        bpm=bpm_of(_edge(points).period) if even else statistics.fmean(tempos),
        bpm_low=min(tempos),
        bpm_high=max(tempos),
        late_ms=tuple(late),
        p50_ms=_share(ranked, 0.50),
        p95_ms=_share(ranked, 0.95),
        p99_ms=_share(ranked, 0.99),
        worst_ms=ranked[-1],
    )
    return _judged(report, _in_frames(stamps), not even)


def _placed(stamps: Iterable[int], report: ClockReport) -> tuple[list[Point], ClockReport]:
    """Each clock on the count, and the report with how many were missing, doubled and bunched."""
    follower = Follower()
    points: list[Point] = []
    missing = doubled = bunched = awaited = 0
    odd: deque[int] = deque(maxlen=_ODD_SPAN)  # the latest steps
    for ns in stamps:
        steps = follower.pulse(ns)
        if steps == 0 and awaited:
            # Right behind a gap: it was late, not lost, and this is the rest of the bunch.
            awaited -= 1
            missing -= 1
            bunched += 1
        elif steps == 0:
            doubled += 1
        elif steps == 1:
            awaited = 0
        elif steps < 0:
            # The gaps before were a slower tempo: those clocks were never sent.
            missing = max(0, missing + steps - 1)
            del points[-_ODD_SPAN:]
        else:
            # Or a quicker one, and what looked doubled was not.
            found = min(steps - 1, odd.count(0), doubled)
            doubled -= found
            awaited = steps - 1 - found
            missing += awaited
        odd.append(steps)
        if steps:
            points.append((follower.index, ns))
    return points, replace(report, missing=missing, doubled=doubled, bunched=bunched)


def _bars(points: list[Point]) -> list[list[Point]]:
    bars = [points[at : at + _BAR] for at in range(0, len(points), _BAR)]
    if len(bars) > 1 and len(bars[-1]) < _BAR // 2:
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


def _share(ranked: Sequence[float], share: float) -> float:
    return ranked[min(len(ranked) - 1, int(share * len(ranked)))]


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


def _judged(report: ClockReport, frames: bool, moves: bool) -> ClockReport:
    faults = report.missing + report.doubled
    grade: Grade = "rough"
    if report.p95_ms <= GOOD_MS and not faults:
        grade = "good"
    elif report.p95_ms <= USABLE_MS and faults <= _FAULTS_USABLE * report.pulses:
        grade = "usable"
    tempo = (
        f"{report.bpm_low:.1f} to {report.bpm_high:.1f} bpm" if moves else f"{report.bpm:.2f} bpm"
    )
    verdict = (
        f"A {grade} clock: {tempo}, 95 of 100 pulses within {report.p95_ms:.1f} ms"
        f"{'' if faults else ', none lost, none doubled'}."
    )
    advice = tuple(_advice(report, frames, moves))
    return replace(report, grade=grade, verdict=verdict, advice=advice)


def _advice(report: ClockReport, frames: bool, moves: bool) -> Iterable[str]:
    if report.doubled > _TWICE * report.pulses:
        yield (
            "Every pulse comes twice: the same clock arrives by two ways, or a loop sends it back. "
            "Take one of the two away."
        )
    elif report.doubled:
        yield f"{_pulses(report.doubled)} came twice. The follower leaves the second one out."
    if report.missing:
        yield (
            f"{_pulses(report.missing)} never came. The follower keeps the count, but look at "
            "the cable, the hub and what else the sender has to do."
        )
    if report.bunched:
        yield (
            f"{_pulses(report.bunched)} came in a bunch after a pause: the sender or this computer "
            "stood still for a moment. The follower keeps the beat through it."
        )
    if frames:
        yield "The pulses fall on whole milliseconds: a USB link. That much is harmless."
    if report.worst_ms >= HEARD_MS and report.p95_ms < HEARD_MS / 2:
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
    if moves:
        yield "The tempo moved while listening. If it should not, look at the sender's tempo track."


# --- as text -----------------------------------------------------------------------------------


def text(report: ClockReport, width: int = 72) -> str:
    """The report for a terminal, at most `width` (40 and up) columns wide."""
    width = max(40, width)
    lines = _wrapped(report.verdict, width)
    if report.late_ms:
        lines += [
            "",
            f"pulses   {report.pulses} in {report.seconds:.1f} s",
            f"tempo    {report.bpm:.2f} bpm (bars {report.bpm_low:.2f} to {report.bpm_high:.2f})",
            f"late by  {report.p50_ms:.2f} ms half of them, {report.p95_ms:.2f} ms 95 of 100,",
            f"         {report.p99_ms:.2f} ms 99 of 100, {report.worst_ms:.2f} ms at worst",
            f"missing  {report.missing}, doubled {report.doubled}, bunched {report.bunched}",
        ]
    if report.worst_ms >= _PLOT_MS:
        lines += [
            "",
            *histogram(report.late_ms, width),
            "",
            f"over time, the latest of each moment (full height {report.worst_ms:.1f} ms)",
            strip(report.late_ms, width),
        ]
    for sentence in report.advice:
        lines += ["", *_wrapped(sentence, width)]
    return "\n".join(lines)


def histogram(late_ms: Sequence[float], width: int = 72, rows: int = 8) -> list[str]:
    """Bars of how many pulses were how late, in `rows` steps of a round size."""
    step = _round_step(max(late_ms) / rows)
    counts = [0] * (int(max(late_ms) / step) + 1)
    for late in late_ms:
        counts[int(late / step)] += 1
    room = width - 24
    most = max(counts)
    return [
        f"{i * step:6.2f} ms  {_bar(count / most * room):<{room}} {count:>6}"
        for i, count in enumerate(counts)
    ]


def strip(late_ms: Sequence[float], width: int = 72) -> str:
    """One line of small columns: the largest lateness of each stretch of time."""
    columns = min(width, len(late_ms))
    top = max(late_ms) or 1.0
    edges = [i * len(late_ms) // columns for i in range(columns + 1)]
    return "".join(
        _STEPS[max(1, round(max(late_ms[a:b]) / top * (len(_STEPS) - 1)))]
        for a, b in pairwise(edges)
    )


def _bar(length: float) -> str:
    """Whole blocks, and a sliver for anything above nothing."""
    if not length:
        return ""
    return "█" * int(length) or "▏"


def _round_step(step: float) -> float:
    """The next of 0.05, 0.1, 0.2, 0.5, 1, 2, 5 ... ms."""
    size = 0.05
    while size < step:
        size *= 2.5 if str(size).strip("0.")[:1] == "2" else 2
        size = round(size, 6)
    return size


def _wrapped(sentence: str, width: int) -> list[str]:
    lines = [""]
    for word in sentence.split():
        if lines[-1] and len(lines[-1]) + 1 + len(word) > width:
            lines.append("")
        lines[-1] += f" {word}" if lines[-1] else word
    return lines

"""The report on a clock, for a terminal: numbers, a histogram and a strip over time."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from itertools import pairwise

from bridge.paper.clockcheck import ClockReport

_PLOT_MS = 0.02  # less than this is no jitter to draw
_STEPS = " ▁▂▃▄▅▆▇█"


def text(report: ClockReport, width: int = 72) -> str:
    """The report for a terminal.

    Args:
        report: of any clock, also one without a pulse.
        width: columns at most; below 40 counts as 40.
    """
    width = max(40, width)
    lines = textwrap.wrap(report.verdict, width, break_on_hyphens=False)
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
        lines += ["", *textwrap.wrap(sentence, width, break_on_hyphens=False)]
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

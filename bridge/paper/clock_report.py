"""What a stretch of MIDI clock was like: tempo, jitter, missing and doubled pulses, a verdict.

24 pulses make a quarter note (MIDI 1.0 Detailed Specification 4.2.1, p. 30). The bounds of the
verdict are common practice, no source; that listeners notice about 6 ms in an even pulse is from a
review of just noticeable differences of isochronous sequences.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

PULSES_PER_QUARTER = 24
FEWEST = 2 * PULSES_PER_QUARTER  # two beats: less says nothing about jitter
WINDOW = 4 * PULSES_PER_QUARTER  # jitter is told from slow changes of tempo over four beats

STEADY_MS, USABLE_MS = 1.0, 5.0
MOVES_BPM = 0.5
PAUSE = 24  # a gap of a beat and more is a pause, not so many lost pulses


@dataclass(frozen=True, slots=True)
class ClockReport:
    """All in BPM and ms. `errors_ms` are those of the pulses against the line through their window
    (below 0: early), rising; `first_bpm` and `last_bpm` are of the first and last quarter."""

    pulses: int
    bpm: float
    first_bpm: float
    last_bpm: float
    errors_ms: tuple[float, ...]
    missing: int
    doubled: int
    pauses: int

    def within(self, share: float) -> float:
        """The error in ms that `share` (0..1) of the pulses stay within, early or late."""
        sizes = sorted(map(abs, self.errors_ms))
        return sizes[min(len(sizes) - 1, int(share * len(sizes)))]


def analyse(stamps: Sequence[int]) -> ClockReport | None:
    """The report of pulses that arrived at `stamps` (ns, rising); None for fewer than two beats."""
    if len(stamps) < FEWEST:
        return None
    kept: list[tuple[int, int]] = [(0, stamps[0])]  # place in the count, ns
    recent: list[int] = []
    period = median(b - a for a, b in pairwise(stamps[:FEWEST]))
    missing = doubled = pauses = 0
    runs: list[list[tuple[int, int]]] = [kept]
    for ns in stamps[1:]:
        place, before = runs[-1][-1]
        gap = ns - before
        steps = round(gap / period)
        if steps < 1:
            doubled += 1
            continue
        if steps > PAUSE:
            pauses += 1
            runs.append([(0, ns)])
            continue
        missing += steps - 1
        runs[-1].append((place + steps, ns))
        recent.append(round(gap / steps))
        if len(recent) >= PULSES_PER_QUARTER:
            period = median(recent[-PULSES_PER_QUARTER:])
    longest = max(runs, key=len)
    if len(longest) < PULSES_PER_QUARTER:
        return None
    quarter = max(PULSES_PER_QUARTER // 2, len(longest) // 4)
    errors = [error / 1e6 for run in runs for error in _errors(run)]
    return ClockReport(
        len(stamps), _bpm(longest), _bpm(longest[:quarter]), _bpm(longest[-quarter:]),
        tuple(sorted(errors)), missing, doubled, pauses,
    )  # fmt: skip


def _line(points: Sequence[tuple[int, int]]) -> tuple[float, float, float]:
    """Mean place, mean ns and ns per place of the least-squares line."""
    count = len(points)
    place = sum(p for p, _ in points) / count
    ns = sum(n - points[0][1] for _, n in points) / count + points[0][1]
    across = sum((p - place) ** 2 for p, _ in points)
    slope = sum((p - place) * (n - ns) for p, n in points) / across if across else 0.0
    return place, ns, slope


def _bpm(points: Sequence[tuple[int, int]]) -> float:
    slope = _line(points)[2]
    return 60e9 / (PULSES_PER_QUARTER * slope) if slope > 0 else 0.0


def _errors(run: Sequence[tuple[int, int]]) -> Iterator[float]:
    windows = max(1, round(len(run) / WINDOW))
    for window in range(windows):
        points = run[window * len(run) // windows : (window + 1) * len(run) // windows]
        if len(points) >= PULSES_PER_QUARTER // 2:
            place, ns, slope = _line(points)
            yield from (n - ns - slope * (p - place) for p, n in points)


def lines(report: ClockReport | None, source: str, seconds: float) -> list[str]:
    """The report in words, with a small plot, for a terminal."""
    if report is None:
        return [
            f"no clock to speak of came from {source} in {seconds:g} s.",
            "Is it set to send MIDI clock, and is it running? Some send only while they play.",
        ]
    beats = report.pulses / PULSES_PER_QUARTER
    moved = abs(report.last_bpm - report.first_bpm)
    tempo = f"tempo    {report.bpm:.2f} BPM"
    if moved > MOVES_BPM:
        tempo += f", from {report.first_bpm:.1f} to {report.last_bpm:.1f}"
    said = [
        f"{source}: {report.pulses} pulses, {beats:.0f} beats",
        tempo,
        f"jitter   half within {report.within(0.5):.2f} ms, 95% within {report.within(0.95):.2f}, "
        f"99% within {report.within(0.99):.2f}, worst {report.within(1):.2f}",
        f"missing  {report.missing}",
        f"doubled  {report.doubled}",
    ]
    if report.pauses:
        said.append(f"pauses   {report.pauses}")
    return [*said, "", *plot(report.errors_ms), "", *verdict(report)]


def plot(errors_ms: Sequence[float], rows: int = 11, width: int = 40) -> list[str]:
    """A histogram of the errors, early above and late below, in characters."""
    reach = max(0.1, max(map(abs, errors_ms)))
    counts = [0] * rows
    for error in errors_ms:
        counts[min(rows - 1, int((error + reach) / (2 * reach) * rows))] += 1
    most = max(counts)
    drawn = []
    for row, count in enumerate(counts):
        middle = (row + 0.5) / rows * 2 * reach - reach
        bar = "#" * max(round(count / most * width), 1 if count else 0)
        drawn.append(f"{middle:+8.2f} ms |{bar}".rstrip())
    return drawn


def verdict(report: ClockReport) -> list[str]:
    """What to think of it, and what to do about it."""
    usual = report.within(0.95)
    if usual <= STEADY_MS:
        said = ["steady: good to follow."]
    elif usual <= USABLE_MS:
        said = ["usable: the follower smooths this out, hits will be steadier than the clock."]
    else:
        said = [
            "rough: tempo changes will be followed late. Try another port or cable, a smaller "
            "buffer at the sender, or no other traffic on the port."
        ]
    if report.missing:
        said.append("pulses are missing: look for a filter, or a port with too much traffic.")
    if report.doubled:
        said.append("pulses are doubled: two senders reach this port, or it is part of a loop.")
    if report.pauses:
        said.append("the clock paused while we listened.")
    return said


def good(report: ClockReport | None) -> bool:
    """Whether one may follow it without a thought."""
    return (
        report is not None and report.within(0.95) <= USABLE_MS
        and not report.missing and not report.doubled
    )  # fmt: skip

"""The scope: volts over time for every output, worked out from the bytes that left the ports.

The bytes are decoded by what the profile says they mean (`bridge.voltage.decode`), not by what the
set intended, so a drawing shows what an interface would really put out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from bridge.errors import BridgeError, MachineError
from bridge.files.store import write_atomic
from bridge.paper import svg
from bridge.paper.drawings import INK, PALE, RULE
from bridge.voltage.decode import Decoder
from bridge.voltage.profile import WiredOutput

Trace = list[tuple[float, float]]


def traces(
    outputs: Mapping[str, WiredOutput], sent: Iterable[tuple[int, str, bytes]]
) -> dict[str, Trace]:
    """Volts of every output as steps.

    Args:
        outputs: the outputs of the rig by name.
        sent: ``(ns, port, bytes)`` in the order of the wire, `port` the name of the interface.

    Returns:
        By output, pairs of seconds from the first byte and volts; the first is the value at rest at
        time 0.
    """
    decoder = Decoder(outputs)
    found: dict[str, Trace] = {name: [(0.0, volts)] for name, volts in decoder.volts.items()}
    begin: int | None = None
    for ns, port, data in sent:
        begin = ns if begin is None else begin
        seconds = (ns - begin) / 1e9
        for name, volts in decoder.feed(port, data):
            found[name].append((seconds, volts))
    return found


def draw(
    outputs: Mapping[str, WiredOutput],
    found: Mapping[str, Trace],
    path: Path,
    title: str,
    marks: Sequence[float] = (),
    idle: bool = False,
) -> list[str]:
    """Writes the drawing to `path` and gives the names of what was drawn.

    An SVG needs nothing beside this package; a PNG needs a plotting library.

    Args:
        outputs: the outputs of the rig by name.
        found: volts over time, from `traces`.
        path: a file that ends in ``.svg`` or ``.png``; what is there is replaced.
        title: stands above the drawing.
        marks: seconds of the bar lines.
        idle: outputs that never move are drawn too.

    Raises:
        BridgeError: the ending is neither of the two, nothing moves, or (for a PNG) the plotting
            library is not installed.
        OSError: the file cannot be written.

    """
    if path.suffix not in (".svg", ".png"):
        raise BridgeError(f"{path.name}: a scope drawing ends in .svg or .png")
    shown = [name for name, trace in found.items() if idle or len(trace) > 1]
    if not shown:
        raise BridgeError("no output moves in this time: nothing to draw")
    end = max([found[name][-1][0] for name in shown] + list(marks))
    end = end or 1.0
    rows = [(outputs[name], [*found[name], (end, found[name][-1][1])]) for name in shown]
    if path.suffix == ".svg":
        write_atomic(path, _svg(rows, end, title, marks))
    else:
        _png(rows, path, title, marks)
    return shown


Rows = Sequence[tuple[WiredOutput, Trace]]


def _reach(wired: WiredOutput) -> tuple[float, float]:
    """The volts at the two edges of a row."""
    low, high = sorted((wired.output.low, wired.output.high))
    room = (high - low) * 0.08 or 0.5
    return low - room, high + room


def _svg(rows: Rows, end: float, title: str, marks: Sequence[float]) -> str:
    head, tall, gap, left, width = 34.0, 46.0, 12.0, 130.0, 900.0
    height = head + len(rows) * (tall + gap) + 26.0
    parts = [svg.text(10.0, 20.0, title, fill=INK, font_size=15)]

    def x(seconds: float) -> float:
        return left + width * seconds / end

    for place, (wired, trace) in enumerate(rows):
        top = head + place * (tall + gap)
        low, high = _reach(wired)

        def y(volts: float, top: float = top, low: float = low, high: float = high) -> float:
            return top + tall * (high - volts) / (high - low)

        for mark in marks:
            parts.append(svg.line(x(mark), top, x(mark), top + tall, stroke=RULE))
        points: Trace = []
        for seconds, volts in trace:
            if points:
                points.append((x(seconds), points[-1][1]))
            points.append((x(seconds), y(volts)))
        parts.append(svg.path(points, stroke=INK, stroke_width=1.6))
        name = {"text_anchor": "end", "fill": INK, "font_size": 12}
        parts.append(svg.text(left - 42, top + tall / 2 + 4, wired.name, **name))
        for volts in sorted({wired.output.low, wired.output.high}):
            label = {"text_anchor": "end", "fill": PALE, "font_size": 10}
            parts.append(svg.text(left - 6, y(volts) + 3, f"{volts:g} V", **label))
    foot = height - 8.0
    for mark in marks:
        label = {"text_anchor": "middle", "fill": PALE, "font_size": 10}
        parts.append(svg.text(x(mark), foot, f"{mark:.2f} s", **label))
    return svg.picture(left + width + 24, height, parts, title, font_family="sans-serif")


def _png(rows: Rows, path: Path, title: str, marks: Sequence[float]) -> None:
    try:
        import matplotlib

        matplotlib.use("Agg")
        from matplotlib import pyplot
    except ImportError as error:
        raise MachineError(
            f"{path.name}: a PNG needs a plotting library (pip install 'lanebridge[plot]'); "
            "an .svg needs none"
        ) from error
    settings: Any = {"font.size": 9, "axes.spines.top": False, "axes.spines.right": False}
    with matplotlib.rc_context(settings):
        figure, axes = pyplot.subplots(
            len(rows),
            1,
            sharex=True,
            squeeze=False,
            layout="constrained",
            figsize=(11, 0.6 + 0.75 * len(rows)),
        )
        for axis, (wired, trace) in zip(axes[:, 0], rows, strict=True):
            seconds, volts = zip(*trace, strict=True)
            axis.step(seconds, volts, where="post", color=INK, linewidth=1.3)
            for mark in marks:
                axis.axvline(mark, color=RULE, linewidth=0.8, zorder=0)
            axis.set_ylim(*_reach(wired))
            axis.set_ylabel(f"{wired.name}\nV", rotation=0, ha="right", va="center")
        axes[-1, 0].set_xlabel("seconds")
        figure.suptitle(title, ha="left", x=0.01, fontsize=11)
        figure.savefig(path)
        pyplot.close(figure)

"""The scope: volts over time for every output, worked out from the bytes that left the ports.

The bytes are decoded by what the profile says they mean (`bridge.voltage.decode`), not by what the
set intended, so a drawing shows what an interface would really put out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from bridge.errors import BridgeError
from bridge.voltage.decode import Decoder
from bridge.voltage.profile import WiredOutput

Trace = list[tuple[float, float]]


def traces(
    outputs: Mapping[str, WiredOutput], sent: Iterable[tuple[int, str, bytes]]
) -> dict[str, Trace]:
    """Volts of every output as steps: ``(seconds, volts)``, seconds counted from the first byte.

    `sent` holds ``(ns, port, bytes)`` in the order of the wire. The first point of each trace is
    its value at rest at time 0.
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
    """Writes the drawing to `path` (``.svg`` or ``.png``) and gives the names of what was drawn.

    `marks` are the seconds of the bar lines. Outputs that never move are left out unless `idle`.

    Raises:
        BridgeError: the plotting library is not installed, or the ending is neither of the two.
    """
    if path.suffix not in (".svg", ".png"):
        raise BridgeError(f"{path.name}: a scope drawing ends in .svg or .png")
    try:
        import matplotlib

        matplotlib.use("Agg")
        from matplotlib import pyplot
    except ImportError as error:
        raise BridgeError(
            "the scope needs a plotting library: pip install 'lanebridge[plot]'"
        ) from error
    shown = [name for name, trace in found.items() if idle or len(trace) > 1]
    if not shown:
        raise BridgeError("no output moves in this time: nothing to draw")
    end = max((trace[-1][0] for trace in found.values()), default=0.0)
    end = max(end, *marks) if marks else end
    settings: Any = {
        "svg.hashsalt": "lanebridge",
        "font.size": 9,
        "svg.fonttype": "none",
        "axes.spines.top": False,
        "axes.spines.right": False,
    }
    with matplotlib.rc_context(settings):
        figure, axes = pyplot.subplots(
            len(shown),
            1,
            sharex=True,
            squeeze=False,
            layout="constrained",
            figsize=(11, 0.6 + 0.75 * len(shown)),
        )
        for axis, name in zip(axes[:, 0], shown, strict=True):
            trace = [*found[name], (end, found[name][-1][1])]
            out = outputs[name].output
            axis.step(
                [x for x, _ in trace],
                [y for _, y in trace],
                where="post",
                color="#16242a",
                linewidth=1.3,
            )
            for mark in marks:
                axis.axvline(mark, color="#cfc8b6", linewidth=0.8, zorder=0)
            low, high = sorted((out.low, out.high))
            room = (high - low) * 0.08 or 0.5
            axis.set_ylim(low - room, high + room)
            axis.set_ylabel(f"{name}\nV", rotation=0, ha="right", va="center")
        axes[-1, 0].set_xlabel("seconds")
        figure.suptitle(title, ha="left", x=0.01, fontsize=11)
        figure.savefig(path, metadata={"Date": None} if path.suffix == ".svg" else None)
        pyplot.close(figure)
    return shown

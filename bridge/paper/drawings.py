"""The pictures of a rig and a set: cables, lanes, macros, sections, each as one SVG drawing.

Ink on paper, in the look of the page's strip chart: time runs to the right, a hit is a mark as tall
as its level, a value is the line itself, a derived hit hangs on threads. Everything is drawn from
the score's own events, so that a drawing shows what would play.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from bridge.files.rig import Rig
from bridge.music.event import Event
from bridge.music.model import Lane, Macro, SetSpec
from bridge.paper import svg

INK, PALE, RULE, MARK = "#16242a", "#52636a", "#cfc8b6", "#0b6e63"
WIDTH = 720.0


def cable_rows(rig: Rig, spec: SetSpec) -> list[tuple[str, str, str, str]]:
    """One row per output: what drives it, its name, its kind and range, where its cable goes.

    An empty first field is a free output; an empty last one an output without a cable.
    """
    drivers: dict[str, list[str]] = {}
    for lane in spec.lanes:
        if lane.out:
            drivers.setdefault(lane.out, []).append(lane.name)
        for drive in lane.drives:
            if drive.out:
                drivers.setdefault(drive.out, []).append(f"{lane.name} (adds)")
    for macro in spec.macros:
        for drive in macro.drives:
            if drive.out:
                drivers.setdefault(drive.out, []).append(f"macro {macro.name}")
    rows = []
    for name, wired in rig.wired.items():
        out = wired.output
        volts = f"{out.kind}, {out.low:g} to {out.high:g} V"
        driver = ", ".join(drivers.get(name, []))
        if not driver and out.kind in ("clock", "reset", "run"):
            driver = "transport"
        rows.append((driver, name, volts, wired.cable))
    return rows


def cables(rig: Rig, spec: SetSpec) -> str:
    """Every output with what drives it on the left and where its cable goes on the right.

    An output that is driven but has no cable is marked; a free one is drawn pale.
    """
    rows = cable_rows(rig, spec)
    step = 21.0
    parts = []
    for i, (driver, name, volts, cable) in enumerate(rows):
        y = 16 + i * step
        ink = INK if driver else PALE
        parts.append(svg.text(206, y + 4, driver or "free", text_anchor="end", fill=ink,
                              font_size=11.5,
                              font_style=None if driver else "italic"))  # fmt: skip
        parts.append(svg.line(212, y, 246, y, stroke=ink, stroke_width=1.6 if driver else 0.8,
                              stroke_dasharray=None if driver else "2 4"))  # fmt: skip
        parts.append(svg.text(252, y + 4, name, fill=ink, font_size=11.5, font_weight=600))
        parts.append(svg.text(366, y + 4, volts, fill=PALE, font_size=10))
        end = 496.0
        parts.append(svg.line(472, y, end, y, stroke=ink, stroke_width=1.6 if cable else 0.8,
                              stroke_dasharray=None if cable else "2 4"))  # fmt: skip
        if cable:
            parts.append(svg.path([(end - 5, y - 4), (end, y), (end - 5, y + 4)], stroke=ink,
                                  stroke_width=1.6))  # fmt: skip
            parts.append(svg.text(end + 7, y + 4, cable, fill=INK, font_size=11.5))
        elif driver:
            parts.append(svg.text(end + 7, y + 4, "no cable written down: ____________", fill=INK,
                                  font_size=11.5, font_weight=600))  # fmt: skip
    return svg.picture(
        WIDTH, 20 + len(rows) * step, parts, "Outputs, what drives them, their cables"
    )


def _grid(spec: SetSpec, ticks: int, left: float, width: float, height: float) -> list[str]:
    parts = []
    for tick in range(0, ticks + 1, spec.beat_ticks):
        bar = tick % spec.bar_ticks == 0
        x = left + width * tick / ticks
        parts.append(svg.line(x, 0, x, height, stroke=RULE, stroke_width=1.4 if bar else 0.8,
                              stroke_dasharray=None if bar else "2 4"))  # fmt: skip
    return parts


def lane_trace(
    spec: SetSpec,
    lane: Lane,
    position: int,
    events: Sequence[Event],
    ticks: int,
    rank: Mapping[int, int] | None = None,
) -> str:
    """One lane over `ticks` ticks from the score's events (all lanes' events may be given)."""
    height, left, base = 34.0, 6.0, 30.0
    width = WIDTH - 12
    parts = _grid(spec, ticks, left, width, height)
    own = [event for event in events if event.lane == position and 0 <= event.tick < ticks]
    dash = "6 5" if lane.muted else None
    parts.append(svg.line(left, base, left + width, base, stroke=PALE, stroke_dasharray=dash))
    if lane.hits:
        for event in own:
            x = left + width * event.tick / ticks
            tall = 24 * max(event.value, 0.15)
            for n in range(len(event.causes)):
                parts.append(
                    svg.path([(x - 4 - 4 * n, 1), (x, base - tall)], stroke=MARK, stroke_width=0.9)
                )
            parts.append(svg.line(x, base, x, base - tall, stroke=INK, stroke_width=4.0))
    elif own:
        values = [event.value for event in own]
        low, high = min(values), max(values)
        span = (high - low) or 1.0
        points: list[tuple[float, float]] = []
        last = None
        for event in own:
            x = left + width * event.tick / ticks
            y = base - 2 - 24 * (event.value - low) / span
            if last is not None:
                points.append((x, last))
            points.append((x, y))
            last = y
        points.append((left + width, last or base))
        parts.append(svg.path(points, stroke=INK, stroke_width=2.0))
    else:
        parts.append(svg.text(left + 8, base - 8, "silent as written", fill=PALE, font_size=11))
    return svg.picture(WIDTH, height + 2, parts, f"{lane.name} over {ticks // spec.bar_ticks} bars")


def drive_words(macro: Macro, rig: Rig) -> list[str]:
    """What a macro moves, with its ranges, one phrase per drive."""
    words = []
    for drive in macro.drives:
        if drive.out:
            reach = rig.ranges[drive.out]
            if drive.start is not None and drive.end is not None:
                words.append(f"{drive.out} from {drive.start:g} to {drive.end:g} V")
            else:
                words.append(f"{drive.out} by {drive.depth * reach.span:+.3g} V")
        else:
            words.append(f"{drive.setting} of {drive.lane} by {drive.depth:+.0%} of its range")
    return words


def macro_scale(macro: Macro) -> str:
    """A ruled scale with a mark where the macro starts, and room to write others."""
    left, width, base = 6.0, 300.0, 22.0
    parts = [svg.line(left, base, left + width, base, stroke=INK, stroke_width=1.2)]
    for i in range(21):
        x = left + width * i / 20
        parts.append(svg.line(x, base, x, base - (9 if i % 5 == 0 else 5), stroke=PALE))
    x = left + width * macro.start
    parts.append(svg.line(x, base + 3, x, base - 16, stroke=MARK, stroke_width=3.0))
    return svg.picture(width + 12, 28, parts, f"{macro.name} starts at {macro.start:.2f}")


def sections(spec: SetSpec) -> str:
    """Which lanes each section plays: a stroke where a lane sounds, and the macro values."""
    column = min(90.0, (WIDTH - 140) / max(1, len(spec.sections)))
    parts = []
    for c, section in enumerate(spec.sections):
        parts.append(svg.text(140 + column * (c + 0.5), 14, section.name, text_anchor="middle",
                              fill=INK, font_size=12, font_weight=600))  # fmt: skip
    y = 32.0
    for lane in spec.lanes:
        parts.append(svg.text(132, y + 4, lane.name, text_anchor="end", fill=INK, font_size=11.5))
        for c, section in enumerate(spec.sections):
            x0, x1 = 140 + column * c + 6, 140 + column * (c + 1) - 6
            plays = not lane.muted if section.play is None else lane.name in section.play
            parts.append(svg.line(x0, y, x1, y, stroke=INK if plays else RULE,
                                  stroke_width=6.0 if plays else 0.8,
                                  stroke_dasharray=None if plays else "2 4"))  # fmt: skip
        y += 16
    for macro in spec.macros:
        parts.append(svg.text(132, y + 4, macro.name, text_anchor="end", fill=PALE, font_size=11.5,
                              font_style="italic"))  # fmt: skip
        for c, section in enumerate(spec.sections):
            value = section.macros.get(macro.name)
            shown = "as it is" if value is None else f"{value:.2f}"
            parts.append(svg.text(140 + column * (c + 0.5), y + 4, shown, text_anchor="middle",
                                  fill=PALE if value is None else INK, font_size=11))  # fmt: skip
        y += 16
    return svg.picture(WIDTH, y + 6, parts, "Sections: which lanes sound, where the macros stand")

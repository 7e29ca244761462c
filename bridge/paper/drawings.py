"""The pictures of a rig and a set: cables, controllers, lanes, macros, sections.

Ink on paper, in the look of the page's strip chart: time runs to the right, a hit is a mark as tall
as its level, a value is the line itself, a derived hit hangs on threads. Everything is drawn from
the score's own events, so that a drawing shows what would play. What grows with the rig (cables,
sections) is drawn row by row, with names as text that wraps, so that a page can end between two
rows and a long name is never cut.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from bridge.files.rig import Binding, Rig
from bridge.files.rig_effects import CLOCKED, drivers
from bridge.music.event import Event
from bridge.music.model import Drive, Lane, Macro, Section, SetSpec
from bridge.music.scale import note_name
from bridge.music.spelling import spelled
from bridge.paper import svg
from bridge.paper.output_table import address_words

INK, PALE, RULE, MARK = "#16242a", "#52636a", "#cfc8b6", "#0b6e63"
WIDTH = 720.0
SCALE = 46.0  # room at the right of a trace for what its ends mean
SECTIONS_ABREAST = 7


def cables(rig: Rig, spec: SetSpec) -> str:
    """Every output of every interface with what drives it on the left and where its cable goes on
    the right, as HTML rows.

    An output that is driven but has no cable is marked; a free one is drawn pale.
    """
    driven = drivers(rig, spec)
    parts = []
    for interface in rig.interfaces.values():
        profile = interface.profile
        about = f"{profile.name}, port {interface.port}, {interface.link}"
        if interface.latency_ms:
            about += f", {interface.latency_ms:g} ms late"
        parts.append("<section class='interface'>")
        parts.append(f"<h3>{escape(interface.name)} <small>{escape(about)}</small></h3>")
        for name, wired in rig.wired.items():
            if wired.port == interface.name:
                out = wired.output
                says = f"{out.kind}, {out.low:g} to {out.high:g} V, {address_words(out)}"
                says += ", inverted" if out.inverted else ""
                idle = "no clock" if out.kind in CLOCKED else "free"
                parts.append(
                    _cable(name, says, ", ".join(driven[name]), idle, cable_words(rig, name))
                )
        parts.append("</section>")
    return "".join(parts)


def cable_words(rig: Rig, output: str) -> str:
    """Where the cable of an output goes and its colour; nothing where none is written down."""
    cable = rig.cables.get(output)
    if cable is None:
        return ""
    return f"{cable.to} ({cable.colour})" if cable.colour else cable.to


def _cable(name: str, says: str, driver: str, idle: str, cable: str) -> str:
    if cable:
        end = f"<span>{escape(cable)}</span>"
    elif driver:
        end = "<span class='mark'>no cable written down: <i class='line'></i></span>"
    else:
        end = "<span><i class='line'></i></span>"
    return (
        f"<div class='cable{'' if driver else ' free'}'><span>{escape(driver or idle)}</span>"
        f"{_stroke(bool(driver), f'drives {name}' if driver else f'nothing drives {name}')}"
        f"<span><b>{escape(name)}</b> <small>{escape(says)}</small></span>"
        f"{_stroke(bool(cable), 'cable to' if cable else 'no cable', arrow=True)}{end}</div>"
    )


def _stroke(solid: bool, label: str, arrow: bool = False) -> str:
    """A short line: what is there is solid, what is not is dotted."""
    parts = [
        svg.line(
            1,
            6,
            33,
            6,
            stroke=INK if solid else PALE,
            stroke_width=1.6 if solid else 0.8,
            stroke_dasharray=None if solid else "2 4",
        )
    ]
    if arrow and solid:
        parts.append(svg.path([(28, 2), (33, 6), (28, 10)], stroke=INK, stroke_width=1.6))
    return svg.picture(36, 12, parts, label)


def controllers(rig: Rig, spec: SetSpec) -> str:
    """Every knob and button that is bound, and what it moves, as HTML rows. What this set does not
    have is marked."""
    known = {
        "macro": {macro.name for macro in spec.macros},
        "mute": {lane.name for lane in spec.lanes},
        "section": {section.name for section in spec.sections},
    }
    parts = []
    for controller in rig.controllers.values():
        about = f"MIDI port {controller.port}"
        parts.append(f"<h3>{escape(controller.name)} <small>{escape(about)}</small></h3>")
        if not controller.bindings:
            parts.append("<p>no control is bound</p>")
        for binding in controller.bindings:
            target, name = target_of(binding)
            there = target == "transport" or name in known[target]
            absent = "" if there else " <b class='mark'>not in this set</b>"
            does = f"{target} <b>{escape(name)}</b>{absent}"
            parts.append(
                f"<div class='cable control'><span>{escape(control_words(binding))}</span>"
                f"{_stroke(there, f'moves {name}', arrow=True)}<span>{does} "
                f"<small>{escape(habit_words(binding))}</small></span></div>"
            )
    return "".join(parts)


def target_of(binding: Binding) -> tuple[str, str]:
    """``("macro", "brightness")``: what kind of thing a control moves, and which."""
    for target in ("macro", "mute", "section"):
        name = getattr(binding, target)
        if name is not None:
            return target, name
    return "transport", binding.transport or ""


def control_words(binding: Binding) -> str:
    """``knob, controller 21, channel 1`` or ``button, note C2 (36), channel 1``."""
    if binding.kind == "note":
        says = f"button, note {note_name(binding.number)} ({binding.number})"
    elif binding.pair:
        says = f"knob, controllers {binding.number} and {binding.number + 32}"
    elif binding.encoder is not None:
        says = f"encoder ({binding.encoder}), controller {binding.number}"
    elif binding.macro is not None:
        says = f"knob, controller {binding.number}"
    else:
        says = f"button, controller {binding.number}"
    return f"{says}, channel {binding.channel}"


def habit_words(binding: Binding) -> str:
    """How a control behaves where that is not plain from what it moves."""
    says = []
    if binding.encoder is not None:
        says.append(f"{binding.steps} steps from one end to the other")
    elif binding.macro is not None:
        says.append("picks up at the value" if binding.pickup else "jumps to the knob")
    if binding.latch:
        says.append("stays down by itself")
    if binding.feedback:
        says.append("is told the state (lamp or motor)")
    return ", ".join(says)


def _grid(spec: SetSpec, ticks: int, left: float, width: float, height: float) -> list[str]:
    parts = []
    for tick in range(0, ticks + 1, spec.beat_ticks):
        bar = tick % spec.bar_ticks == 0
        x = left + width * tick / ticks
        parts.append(
            svg.line(
                x,
                0,
                x,
                height,
                stroke=RULE,
                stroke_width=1.4 if bar else 0.8,
                stroke_dasharray=None if bar else "2 4",
            )
        )
    return parts


def lane_trace(
    spec: SetSpec, lane: Lane, position: int, events: Sequence[Event], ticks: int, unit: str = "V"
) -> str:
    """One lane over `ticks` ticks from the score's events (all lanes' events may be given).

    Beside a trace of values stand the highest and the lowest of them, as notes or in `unit`."""
    height, left, base = 34.0, 6.0, 30.0
    width = WIDTH - 2 * left - SCALE
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
        for y, value in ((12.0, high), (base, low)) if high > low else ((base, low),):
            shown = (
                spelled(value, spec) if own[0].kind == "pitch" else f"{value:.2f} {unit}".rstrip()
            )
            parts.append(svg.text(left + width + 6, y, shown, fill=PALE, font_size=14))
    else:
        parts.append(svg.text(left + 8, base - 8, "silent as written", fill=PALE, font_size=14))
    return svg.picture(WIDTH, height + 2, parts, f"{lane.name} over {ticks // spec.bar_ticks} bars")


def drive_words(drives: Iterable[Drive], rig: Rig) -> list[str]:
    """What a macro or a lane moves, with its ranges, one phrase per drive."""
    words = []
    for drive in drives:
        if drive.out:
            reach = rig.ranges[drive.out]
            if drive.start is not None and drive.end is not None:
                words.append(f"{drive.out} from {drive.start:g} to {drive.end:g} V")
            else:
                words.append(f"{drive.out} by {drive.depth * reach.span:+.3g} V")
        elif drive.start is not None and drive.end is not None:
            what = f"{drive.setting} of {drive.lane}"
            words.append(f"{what} from {drive.start:g} to {drive.end:g}")
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
    """Which lanes each section plays, a stroke where a lane sounds, and the macro values: HTML
    tables of a few sections each, whose rows and heads may go over several pages."""
    found = []
    for first in range(0, len(spec.sections), SECTIONS_ABREAST):
        shown = spec.sections[first : first + SECTIONS_ABREAST]
        head = "".join(f"<th scope='col'>{escape(section.name)}</th>" for section in shown)
        rows = [
            _row(lane.name, [_played(lane, section) for section in shown]) for lane in spec.lanes
        ]
        for macro in spec.macros:
            cells = []
            for section in shown:
                value = section.macros.get(macro.name)
                cells.append("<small>as it is</small>" if value is None else f"{value:.2f}")
            rows.append(_row(macro.name, cells, "macro "))
        found.append(
            f"<table class='sections'><thead><tr><td></td>{head}</tr></thead><tbody>"
            + "".join(rows)
            + "</tbody></table>"
        )
    return "".join(found)


def _row(name: str, cells: Sequence[str], kind: str = "") -> str:
    listed = "".join(f"<td>{cell}</td>" for cell in cells)
    return f"<tr><th scope='row'>{kind}{escape(name)}</th>{listed}</tr>"


def _played(lane: Lane, section: Section) -> str:
    plays = not lane.muted if section.play is None else lane.name in section.play
    stroke = svg.line(
        2,
        4,
        78,
        4,
        stroke=INK if plays else RULE,
        stroke_width=6.0 if plays else 0.8,
        stroke_dasharray=None if plays else "2 4",
    )
    label = "sounds" if plays else "is muted"
    return svg.picture(80, 8, [stroke], label, preserveAspectRatio="none")

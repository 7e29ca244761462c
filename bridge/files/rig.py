"""The rig file: interfaces, their ports and cables, the clock, timing, controllers.

`load_rig` gives frozen values in which every output of every interface stands wired under its
name ``interface.output``. All that is wrong is said at once, with its place.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, ClassVar, Literal

from pydantic import BeforeValidator, Field

from bridge.errors import InputError, Problem, did_you_mean
from bridge.files.document import Document, Keys, in_order
from bridge.files.profile import load_profile
from bridge.files.strict import Limits, Name, Reads, Strict, Text, check, older_name, read_text
from bridge.music.model import OutputRange
from bridge.protocol.limits import FEWEST_STEPS, MOST_STEPS, USUAL_STEPS, Coding
from bridge.voltage.profile import Profile, WiredOutput
from bridge.voltage.rig_parts import ClockSettings, Interface, Link, Timing

Resume = Literal["stopped", "playing"]


@dataclass(frozen=True, slots=True)
class Binding:
    """One control of a MIDI controller and what it moves: exactly one of `macro`, `mute` (a lane),
    `section`, `transport` (start, stop, continue, tap, mute-all, order-next). `encoder`: how an
    encoder codes its steps; `steps` of them are the whole range of a macro."""

    kind: Literal["cc", "note"]
    number: int
    channel: int
    macro: str | None = None
    mute: str | None = None
    section: str | None = None
    transport: str | None = None
    pickup: bool = True
    feedback: bool = False
    pair: bool = False
    latch: bool = False
    encoder: Coding | None = None
    steps: int = USUAL_STEPS


@dataclass(frozen=True, slots=True)
class Controller:
    """A MIDI controller on the desk, found by a part of its port's name."""

    name: str
    port: str
    bindings: tuple[Binding, ...]


@dataclass(frozen=True, slots=True)
class Cable:
    """One cable: where it goes, and what a person wants to find again at the next set-up. `photo`
    is the name of a picture beside the rig file; `latency_ms` how late the voice at its other end
    sounds."""

    to: str
    colour: str = ""
    notes: str = ""
    photo: str = ""
    latency_ms: float = 0.0


@dataclass(frozen=True, slots=True)
class Rig:
    """A rig, read and checked. `wired` and `ranges` have one entry per output, by its full name;
    `cables` has one per cable that is written down."""

    name: str
    interfaces: Mapping[str, Interface]
    wired: Mapping[str, WiredOutput]
    ranges: Mapping[str, OutputRange]
    clock: ClockSettings = field(default_factory=ClockSettings)
    timing: Timing = field(default_factory=Timing)
    controllers: Mapping[str, Controller] = field(default_factory=dict)
    path: Path | None = None
    text: str = ""
    resume: Resume = "stopped"
    cables: Mapping[str, Cable] = field(default_factory=dict)


def _port(value: object) -> str:
    return read_text(value, 100)


Port = Annotated[str, Reads(_port, "`simulated`, or a part of a MIDI port's name")]


MOST_LATENCY_MS = 100.0
MOST_VOICE_MS = 50.0
MOST_OFFSET_MS = 100.0


class CableModel(Strict):
    called: ClassVar[str] = "a cable"
    stand_ins: ClassVar[Mapping[str, object]] = {"to": "unnamed"}

    to: Text
    """where it goes, in words"""
    colour: Text = ""
    """the colour of the cable"""
    notes: Text = ""
    """knobs, switches and cables at its other end"""
    photo: Text = ""
    """a picture (PNG or JPEG) of its other end, beside the rig file"""
    latency_ms: Annotated[float, Limits(0, MOST_VOICE_MS, "ms")] = 0.0
    """how late the voice at its other end sounds; it is played so much earlier"""


def _cable(value: object) -> object:
    """A cable that is only said in words is the same as one with `to` alone."""
    return value if isinstance(value, dict) else {"to": read_text(value)}


class InterfaceModel(Strict):
    called: ClassVar[str] = "an interface"

    profile: Name
    """the kind of interface: a file in `profiles/` or beside the rig"""
    port: Port = "simulated"
    """where it is plugged in; of two of one kind with its socket: `Quay Box MIDI 1, usb 1-1.2`"""
    link: Link | None = None
    """`din` or `usb`, when it is not connected the way its profile says"""
    latency_ms: Annotated[float, Limits(0, MOST_LATENCY_MS, "ms")] | None = None
    """how late it is, when that is not what its profile says; it is played so much earlier"""
    cables: dict[Name, Annotated[CableModel, BeforeValidator(_cable)]] = Field(default_factory=dict)
    """where the cable of each output goes: in words, or with the keys of a cable"""


class ClockModel(Strict):
    called: ClassVar[str] = "the clock"

    follow: Port = "internal"
    """`internal`, or a part of the name of the MIDI input whose clock is followed"""
    offset_ms: Annotated[float, Limits(-MOST_OFFSET_MS, MOST_OFFSET_MS, "ms")] = 0.0
    """shifts everything; negative plays earlier"""
    send_to: list[Name] = Field(default_factory=list)
    """interfaces that get MIDI clock from us"""


class TimingModel(Strict):
    called: ClassVar[str] = "timing"

    lead_ms: Annotated[float, Limits(0, 10, "ms")] = 2.0
    """pitch and levels are sent this long before the gate they belong to"""
    retrigger_gap_ms: Annotated[float, Limits(1, 20, "ms")] = 5.0
    """shortest closed time before a gate opens again"""
    trigger_ms: Annotated[float, Limits(2, 50, "ms")] = 10.0
    """width of a trigger whose profile has none of its own"""


Move = Literal["start", "stop", "continue", "tap", "mute-all", "order-next"]
OLDER_MOVES = {"all-out": "mute-all"}
"""What moves of the transport were called before."""


def _move(written: object) -> object:
    return OLDER_MOVES.get(written, written) if isinstance(written, str) else written


class BindingModel(Strict):
    called: ClassVar[str] = "a control"

    cc: Annotated[int, Limits(0, 119, "", True)] | None = None
    """controller number (120 and up are mode messages)"""
    note: Annotated[int, Limits(0, 127, "", True)] | None = None
    """note number"""
    channel: Annotated[int, Limits(1, 16, "", True)] = 1
    """MIDI channel, counted from 1"""
    macro: Name | None = None
    """the macro it moves"""
    mute: Name | None = None
    """the lane it brings in and out"""
    section: Name | None = None
    """the section it recalls"""
    transport: Annotated[Move | None, BeforeValidator(_move)] = None
    """what it does to the transport; `order-next` goes on in the running order"""
    pickup: bool = True
    """a knob moves a macro only after it has passed the macro's value"""
    feedback: bool = False
    """the state is sent back on the same number, for a lamp or a motor"""
    pair: bool = older_name("pair", "fine", False)
    """a knob of 14 bits: `cc` is its coarse half, 32 above it the fine one"""
    latch: bool = False
    """a button that stays down by itself: down brings the lane in, up takes it out"""
    encoder: Coding | None = None
    """a knob without ends or position, and how it codes its steps"""
    steps: Annotated[int, Limits(FEWEST_STEPS, MOST_STEPS, "", True)] = USUAL_STEPS
    """an encoder's steps from one end of the macro to the other: more is finer"""


class ControllerModel(Strict):
    called: ClassVar[str] = "a controller"

    port: Port
    """a part of the MIDI port's name"""
    controls: list[BindingModel] = Field(default_factory=list)
    """its knobs and buttons"""


class RigModel(Strict):
    called: ClassVar[str] = "a rig"
    stand_ins: ClassVar[Mapping[str, object]] = {"rig": "unnamed"}

    rig: Text
    """the name of the rig"""
    interfaces: Annotated[dict[Name, InterfaceModel], Field(min_length=1, max_length=16)]
    """the MIDI-to-CV interfaces, by a name of your own"""
    clock: ClockModel = ClockModel()
    """who leads, and who gets our clock"""
    timing: TimingModel = TimingModel()
    """how things that belong together are spaced"""
    controllers: dict[Name, ControllerModel] = Field(default_factory=dict)
    """MIDI controllers whose knobs and buttons move macros, mutes, sections, transport"""
    resume: Resume = "stopped"
    """after a power cut the set comes back `stopped`, or `playing` from its last bar line"""


def load_rig(path: Path | str, shown: str | None = None, place: Path | None = None) -> Rig:
    """Reads a rig file, and the profiles it names from beside it or from those shipped.

    Args:
        path: the file.
        shown: what messages call it; the path, unless told.
        place: where the file belongs when `path` is a copy that is kept elsewhere: profiles are
            looked for beside it, and it is the rig's `path`.

    Raises:
        InputError: every problem found, in file order.
    """
    path = Path(path)
    place = place or path
    return _read(Document.read(path, shown), place.parent, place)


def parse_rig(text: str, file: str = "rig.yaml", beside: Path | None = None) -> Rig:
    """The same from a text. The rig has no `path` then.

    Args:
        text: what a rig file holds.
        file: what messages call it.
        beside: the folder whose profiles go before those shipped; None: only those.

    Raises:
        InputError: every problem found, in file order.
    """
    return _read(Document.parse(text, file), beside, None)


def _read(document: Document, beside: Path | None, path: Path | None) -> Rig:
    model, problems, cut = check(RigModel, document)
    interfaces: dict[str, Interface] = {}
    if model is not None:
        for name, item in model.interfaces.items():
            profile = _profile(document, name, item, beside, problems)
            if profile is not None:
                interfaces[name] = _interface(name, item, profile)
                problems += _cables(document, name, item, profile)
        problems += _senders(document, model)
        problems += _controls(document, model, cut)
    if problems or model is None:
        raise InputError(in_order(problems))
    wired: dict[str, WiredOutput] = {}
    ranges: dict[str, OutputRange] = {}
    cables: dict[str, Cable] = {}
    for name, interface in interfaces.items():
        for out in interface.profile.outputs:
            full = f"{name}.{out.name}"
            cable = model.interfaces[name].cables.get(out.name)
            if cable is not None:
                cables[full] = Cable(
                    cable.to, cable.colour, cable.notes, cable.photo, cable.latency_ms
                )
            wired[full] = WiredOutput(full, name, out, cable.to if cable else "")
            pulse = out.pulse_ms
            if not pulse and out.kind == "trigger":
                pulse = model.timing.trigger_ms
            low, high = sorted((out.low, out.high))
            ranges[full] = OutputRange(full, out.kind, low, high, pulse)
    controllers = {name: _controller(name, item) for name, item in model.controllers.items()}
    clock, timing = model.clock, model.timing
    return Rig(
        model.rig,
        interfaces,
        wired,
        ranges,
        ClockSettings(clock.follow, clock.offset_ms, tuple(clock.send_to)),
        Timing(timing.lead_ms, timing.retrigger_gap_ms, timing.trigger_ms),
        controllers,
        path,
        document.text,
        model.resume,
        cables,
    )


def _interface(name: str, item: InterfaceModel, profile: Profile) -> Interface:
    late = profile.latency_ms if item.latency_ms is None else item.latency_ms
    voices = {
        f"{name}.{jack}": cable.latency_ms
        for jack, cable in item.cables.items()
        if cable.latency_ms
    }
    return Interface(name, profile, item.port, item.link or profile.link, late, voices)


def _profile(
    document: Document,
    name: str,
    item: InterfaceModel,
    beside: Path | None,
    problems: list[Problem],
) -> Profile | None:
    try:
        return load_profile(item.profile, beside)
    except InputError as error:
        for problem in error.problems:
            if problem.file:  # the profile's own file is wrong: its place is the better one
                problems.append(problem)
            else:
                keys = ("interfaces", name, "profile")
                problems.append(document.problem(keys, problem.message))
        return None


def _cables(document: Document, name: str, item: InterfaceModel, profile: Profile) -> list[Problem]:
    known = [out.name for out in profile.outputs]
    return [
        document.problem(
            ("interfaces", name, "cables", jack),
            f"{profile.name} has no output {jack}{did_you_mean(jack, known)}",
            at_key=True,
        )
        for jack in item.cables
        if jack not in known
    ]


def _senders(document: Document, model: RigModel) -> list[Problem]:
    problems = []
    known = list(_named(document, "interfaces"))
    for place, name in enumerate(model.clock.send_to):
        keys = ("clock", "send_to", place)
        if name not in known:
            message = f"there is no interface {name}{did_you_mean(name, known)}"
            problems.append(document.problem(keys, message))
        elif name in model.clock.send_to[:place]:
            problems.append(document.problem(keys, f"{name} is named twice"))
    return problems


def _named(document: Document, key: str) -> Mapping[str, object]:
    value = document.data.get(key)
    return value if isinstance(value, dict) else {}


def _controls(document: Document, model: RigModel, cut: set[Keys]) -> list[Problem]:
    problems = []
    for name, controller in model.controllers.items():
        seen: dict[tuple[str, int | None, int], int] = {}
        for place, control in enumerate(controller.controls):
            keys = ("controllers", name, "controls", place)
            if any(path[: len(keys)] == keys for path in cut):
                continue  # what is wrong with it has been said
            if (control.cc is None) == (control.note is None):
                problems.append(document.problem(keys, "needs one of cc and note"))
                continue
            targets = [control.macro, control.mute, control.section, control.transport]
            if sum(target is not None for target in targets) != 1:
                message = "needs one of macro, mute, section and transport"
                problems.append(document.problem(keys, message))
            if control.pair and (control.macro is None or control.cc is None or control.cc > 31):
                message = "is for a macro moved by a cc from 0 to 31"
                problems.append(document.problem((*keys, "pair"), message))
            if control.latch and control.mute is None:
                problems.append(document.problem((*keys, "latch"), "is for buttons that mute"))
            problems += _encoder(document, keys, control)
            kind = "note" if control.cc is None else "cc"
            number = control.note if control.cc is None else control.cc
            mark = (kind, number, control.channel)
            if mark in seen:
                message = (
                    f"{kind} {number} on channel {control.channel} is taken by control {seen[mark]}"
                )
                problems.append(document.problem(keys, message))
            seen.setdefault(mark, place)
            if control.pair and control.cc is not None:
                seen.setdefault(("cc", control.cc + 32, control.channel), place)
    return problems


def _encoder(document: Document, keys: Keys, control: BindingModel) -> list[Problem]:
    """What does not go together with an encoder, or only with one."""
    said = []
    if control.encoder is None:
        if control.steps != USUAL_STEPS:
            said.append(("steps", "is for encoders; name how it codes them with `encoder`"))
    elif control.macro is None or control.cc is None:
        said.append(("encoder", "is for a macro moved by a cc"))
    else:
        positions = "is for knobs with a position"
        if control.pair:
            said.append(("pair", f"{positions}; an encoder becomes finer by more `steps`"))
        if not control.pickup:
            said.append(("pickup", f"{positions}; an encoder never jumps"))
    return [document.problem((*keys, key), message) for key, message in said]


def _controller(name: str, model: ControllerModel) -> Controller:
    bindings = []
    for item in model.controls:
        kind: Literal["cc", "note"] = "cc" if item.cc is not None else "note"
        number = item.cc if item.cc is not None else item.note
        if number is None:
            raise AssertionError("checked before: a control has a number")
        bindings.append(
            Binding(
                kind,
                number,
                item.channel,
                item.macro,
                item.mute,
                item.section,
                item.transport,
                item.pickup,
                item.feedback,
                item.pair,
                item.latch,
                item.encoder,
                item.steps,
            )
        )
    return Controller(name, model.port, tuple(bindings))

"""Profiles: one YAML file per kind of interface.

Shipped ones live in `profiles/`; one of the same name beside the rig wins. Everything wrong with a
file is said at once, each with its line and column: what the model refuses first, then what
`bridge.files.profile_lint` finds in its meaning.
"""

from __future__ import annotations

import contextlib
import re
from pathlib import Path
from typing import Annotated, ClassVar, Literal

from pydantic import BeforeValidator, Field, GetJsonSchemaHandler, WithJsonSchema
from pydantic_core import CoreSchema

from bridge.errors import InputError, Problem, did_you_mean
from bridge.files import strict
from bridge.files.document import AmbiguousText, Document, in_order, read_text
from bridge.files.profile_lint import excludes_exist, lint
from bridge.files.store import write_atomic
from bridge.files.strict import Strict, older_name
from bridge.files.yaml_text import render
from bridge.music.kinds import OutputKind
from bridge.music.scale import parse_note
from bridge.voltage.profile import GATE_KINDS, Address, By, Output, Profile

__all__ = [
    "OutputModel",
    "ProfileModel",
    "find_profile",
    "json_schema",
    "lint",
    "load_profile",
    "parse_profile",
    "profile_from",
    "profile_text",
    "profiles_beside",
    "shipped",
    "shipped_dir",
    "write_profile",
]

# Words that some YAML readers take for something else than text.
NAME = r"^[a-z][a-z0-9-]{0,31}$"
_ROOT = Path(__file__).resolve().parent.parent


class Limits(strict.Limits):
    """Limits that an editor learns too."""

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, object]:
        kind = "integer" if self.whole else "number"
        return {"type": kind, "minimum": self.low, "maximum": self.high}


def _text(value: object) -> object:
    if isinstance(value, AmbiguousText):
        raise ValueError(value.advice)
    return value


def _note(value: object) -> object:
    return parse_note(value) if isinstance(value, str) else value


Name = Annotated[strict.Name, WithJsonSchema({"type": "string", "pattern": NAME})]
Text = Annotated[str, BeforeValidator(_text), Field(max_length=200)]
_NOTE_NAME = {"type": "string", "pattern": "^[A-Ga-g][#b]?-?[0-9]+$"}
# Validators in front of a value run from the last to the first: names become numbers first.
NoteNumber = Annotated[
    int,
    Limits(0, 16383, whole=True),
    BeforeValidator(_note),
    WithJsonSchema({"anyOf": [{"type": "integer", "minimum": 0, "maximum": 16383}, _NOTE_NAME]}),
]
NotePitch = Annotated[
    float,
    Limits(0, 127),
    BeforeValidator(_note),
    WithJsonSchema({"anyOf": [{"type": "number", "minimum": 0, "maximum": 127}, _NOTE_NAME]}),
]
Volts = Annotated[float, Limits(-15, 15, "V")]
Milliseconds = Annotated[float, Limits(0, 1000, "ms")]


class OutputModel(Strict):
    """One jack of the interface."""

    called: ClassVar[str] = "an output"

    kind: OutputKind
    """what the jack is for"""
    by: By
    """which kind of MIDI message moves it"""
    channel: Annotated[int, Limits(1, 16, whole=True)] = 1
    """MIDI channel, counted from 1"""
    number: NoteNumber | None = None
    """note (a number, or a name such as C2), controller, parameter or program number"""
    low: Volts = 0.0
    """volts at the lowest code; for gates: closed"""
    high: Volts = 5.0
    """volts at the highest code; for gates: open"""
    rest: Volts | None = None
    """volts when nothing plays; gates rest closed, others at 0 V or the end nearest to it"""
    bits: Annotated[int, Limits(0, 24, whole=True)] = 0
    """bits of the converter; 0: as fine as MIDI says"""
    law: Literal["v/oct", "hz/v"] = "v/oct"
    """how pitch becomes volts"""
    reference_note: NotePitch = 36.0
    """the note that sounds at reference_volts"""
    reference_volts: Volts = 0.0
    """volts of reference_note; above 0 for hz/v"""
    volts_per_octave: Annotated[float, Limits(0.1, 5, "V")] = 1.0
    """1 unless the interface is built for another scale, such as 1.2"""
    bend_semitones: Annotated[float, Limits(0, 48, "semitones")] = 2.0
    """bend range each way of a voice played by notes; 0: bend is ignored"""
    set_bend_range: bool = False
    """true: the range is set by RPN 0 when the rig starts"""
    pulse_ms: Milliseconds = 0.0
    """fixed width of a trigger; 0: as long as the note"""
    gap_ms: Milliseconds = 1.0
    """shortest closed time between two pulses"""
    inverted: bool = False
    """true: idles at the higher voltage and is pulled down while open (S-trig)"""
    voice: Name | None = None
    """outputs of the same voice take pitch and gate from one note"""
    excludes: list[Name] = Field(default_factory=list, max_length=64)
    """outputs that cannot be used together with this one"""
    ppqn: Annotated[int, Limits(1, 24, whole=True)] = 24
    """pulses per quarter note of a clock"""
    description: Text = older_name("description", "says", "")
    """a note for people"""

    def output(self, name: str) -> Output:
        rest = self.rest
        if rest is None:
            low, high = sorted((self.low, self.high))
            rest = self.low if self.kind in GATE_KINDS else min(max(0.0, low), high)
        plain = self.model_dump(exclude={"by", "channel", "number", "rest", "excludes"})
        address = Address(self.by, self.channel, self.number)
        return Output(name=name, address=address, rest=rest, excludes=tuple(self.excludes), **plain)


class ProfileModel(Strict):
    """How one kind of interface turns MIDI into volts."""

    called: ClassVar[str] = "a profile"

    profile: Name
    """the name of this profile; the file is called NAME.yaml"""
    description: Text = older_name("description", "says", "")
    """what it is, in one line"""
    link: Literal["din", "usb"] = "usb"
    """din: 31250 baud; usb: class-compliant, 1 ms frames"""
    latency_ms: Annotated[float, Limits(0, 100, "ms")] = 0.0
    """from the last byte to the voltage"""
    max_messages_per_s: Annotated[float, Limits(0, 100_000)] = 0.0
    """most messages a second that it follows; 0: as many as the link carries"""
    outputs: Annotated[dict[Name, OutputModel], Field(min_length=1, max_length=128)]
    """every jack, by name"""

    def made(self) -> Profile:
        return Profile(
            name=self.profile,
            description=self.description,
            link=self.link,
            latency_ms=self.latency_ms,
            max_messages_per_s=self.max_messages_per_s,
            outputs=tuple(model.output(name) for name, model in self.outputs.items()),
        )


def shipped_dir() -> Path:
    """Where the shipped profiles are: inside the installed package, or in the source tree."""
    installed = _ROOT / "shipped" / "profiles"
    return installed if installed.is_dir() else _ROOT.parent / "profiles"


def shipped() -> list[str]:
    """Names of the profiles that come with the program, sorted."""
    return sorted(path.stem for path in shipped_dir().glob("*.yaml"))


def profiles_beside(folder: Path) -> list[str]:
    """Names of a rig's own profiles, in its folder or in `profiles/` there, sorted: files that say
    at their top which profile they are."""
    found = set()
    for path in [*folder.glob("*.yaml"), *(folder / "profiles").glob("*.yaml")]:
        with contextlib.suppress(OSError, UnicodeDecodeError):
            if re.search(r"^\ufeff?profile:", read_text(path), re.MULTILINE):
                found.add(path.stem)
    return sorted(found)


RENAMED = {"sync-box": "clock-and-reset"}
"""Profiles that shipped under another name: a rig that has it is read as before."""


def find_profile(name: str, beside: Path | None = None) -> Path:
    """The file of a profile: `NAME.yaml` in `beside` (the folder of the rig), in its `profiles/`
    folder, or shipped. InputError with the nearest names when there is none."""
    folders = [beside, beside / "profiles"] if beside is not None else []
    for folder in [*folders, shipped_dir()]:
        path = folder / f"{name}.yaml"
        if path.is_file():
            return path
    if name in RENAMED:
        return find_profile(RENAMED[name], beside)
    hint = did_you_mean(name, shipped()) or f"; there are: {', '.join(shipped())}"
    raise InputError([Problem(f"no profile is called {name}{hint}")])


def load_profile(name: str, beside: Path | None = None) -> Profile:
    """A profile by name.

    Args:
        name: as a rig says it; names that profiles had before are understood.
        beside: the folder of a rig, whose own profiles go before those that are shipped; None: only
            those.

    Raises:
        InputError: there is none, or its file is wrong; with every problem of it.
    """
    path = find_profile(name, beside)
    return profile_from(Document.read(path), expected=path.stem)


def parse_profile(text: str, file: str = "profile") -> Profile:
    """A profile from YAML text. InputError with every problem."""
    return profile_from(Document.parse(text, file))


def profile_from(document: Document, expected: str | None = None) -> Profile:
    """A profile from a document that has been read.

    Args:
        document: its text and places, for the problems.
        expected: the name that it must have, that of its file without the ending; None: any.

    Raises:
        InputError: every problem, in the order of the file.
    """
    model, problems, cut = strict.check(ProfileModel, document)
    profile = None
    if model is not None:
        profile = model.made()
        found = lint(profile)
        if cut:  # an output that could not be read is missing only here
            absent = list(excludes_exist(profile))
            found = [p for p in found if p not in absent and p.keys not in cut]
        problems += [document.locate(problem) for problem in found]
        if expected is not None and profile.name != expected:
            message = f"calls itself {profile.name}, but the file is called {expected}.yaml"
            problems.append(document.problem(("profile",), message))
    if problems or profile is None:
        raise InputError(in_order(problems))
    return profile


def json_schema() -> dict[str, object]:
    """JSON Schema (draft 2020-12) of a profile, for editors."""
    schema = ProfileModel.model_json_schema()
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def profile_text(profile: Profile) -> str:
    """The YAML of a profile, one output per line; what stands at its default is left out."""
    lines = [
        f"profile: {profile.name}",
        f"description: {render(profile.description)}",
        f"link: {profile.link}",
    ]
    if profile.latency_ms:
        lines.append(f"latency_ms: {render(profile.latency_ms)}")
    if profile.max_messages_per_s:
        lines.append(f"max_messages_per_s: {render(profile.max_messages_per_s)}")
    lines.append("outputs:")
    for out in profile.outputs:
        values: dict[str, object] = {
            "kind": out.kind,
            "by": out.address.by,
            "channel": out.address.channel,
            "number": out.address.number,
            "low": out.low,
            "high": out.high,
            "rest": out.rest,
        }
        for key, field in OutputModel.model_fields.items():
            if key not in values:
                value = list(out.excludes) if key == "excludes" else getattr(out, key)
                if value != field.get_default(call_default_factory=True):
                    values[key] = value
        written = {key: value for key, value in values.items() if value is not None}
        lines.append(f"  {out.name}: {render(written)}")
    return "\n".join(lines) + "\n"


def write_profile(profile: Profile, folder: Path) -> Path:
    """Write a new profile as `NAME.yaml`. Nothing is overwritten.

    Args:
        profile: it is linted as it will be read.
        folder: where it goes, beside the rig; must be there.

    Returns:
        The path of the file.

    Raises:
        InputError: it does not pass its own lint, or the file is there already.
        OSError: it cannot be written.
    """
    text = profile_text(profile)
    path = folder / f"{profile.name}.yaml"
    parse_profile(text, path.name)
    if path.exists():
        raise InputError([Problem("is there already; choose another name", file=str(path))])
    write_atomic(path, text)
    return path

"""The reference of the set and rig files, as Markdown, made from the models themselves.

``python -m bridge.files.reference > docs/files.md`` writes it. Every key has its range, unit, start
value, meaning and an example; the tests read each example and play those of lanes.
"""

from __future__ import annotations

import inspect
import types
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BeforeValidator
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from bridge.files import examples, rig, set_lane
from bridge.files.set import KeyModel, LegModel, MacroModel, SectionModel, SetModel
from bridge.files.strict import NAME_SAYS, Limits, Reads, Strict, read_name, read_text
from bridge.music.logic_functions import FUNCTIONS
from bridge.music.logic_parse import FUNCTIONS as ARGUMENTS
from bridge.music.model import SETTINGS, Setting
from bridge.music.scale import SCALES

COMMON = (
    "rate", "advance", "direction", "reset", "muted", "out", "share", "groups",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Row:
    """One key: what may be written, where it starts, what it does, an example."""

    key: str
    allowed: str
    start: str
    says: str
    example: str

    def __str__(self) -> str:
        cells = (f"`{self.key}`", self.allowed, self.start, self.says, f"`{self.example}`")
        return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def rows(model: type[Strict], group: str) -> Iterator[Row]:
    """One row per key of a model. `group` finds the examples."""
    for name, field in model.model_fields.items():
        key = field.alias or name
        example = examples.EXAMPLES.get(f"{group}.{key}")
        if example is None and key in SETTINGS:
            example = examples.of_setting(SETTINGS[key])
        if example is None:
            raise KeyError(f"{group}.{key} has no example")
        says = field.description or ""
        yield Row(key, allowed(field), _start(field), says, example)


_READERS: dict[Any, str] = {read_name: "a name", read_text: "text"}


def allowed(field: FieldInfo) -> str:
    """What may be written for a key, in words."""
    return _words(field.annotation, list(field.metadata))


def _words(annotation: Any, metadata: list[Any]) -> str:
    for note in metadata:
        if isinstance(note, Reads) and note.says:
            return note.says
        if isinstance(note, Limits):
            return f"{'whole, ' if note.whole else ''}{note.says.removeprefix('from ')}"
        if isinstance(note, BeforeValidator) and note.func in _READERS:
            return _READERS[note.func]
    origin, inner = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        return _words(inner[0], list(inner[1:]))
    if origin is Literal:
        return ", ".join(f"`{word}`" for word in inner)
    if origin in (Union, types.UnionType):
        return _words(next(part for part in inner if part is not type(None)), [])
    if origin is list:
        return f"a list: {_words(inner[0], [])}"
    if origin is dict:
        return f"by name: {_words(inner[1], [])}"
    if isinstance(annotation, type) and issubclass(annotation, Strict):
        return f"keys of {annotation.called}"
    return {bool: "`true`, `false`", str: "a setting, see Numbers"}.get(annotation, "a value")


def _start(field: FieldInfo) -> str:
    value = field.get_default(call_default_factory=True)
    if value is PydanticUndefined:
        return "must be there"
    if value is None or value in ([], {}, ()) or isinstance(value, Strict):
        return "-"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    if isinstance(value, tuple):
        return f"`{'/'.join(map(str, value))}`"
    return f"`{value:g}`" if isinstance(value, int | float) else f"`{value}`"


def setting_row(setting: Setting) -> Row:
    """The row of a numeric setting of lanes."""
    unit = setting.unit if setting.unit not in ("share", "level", "probability", "count") else ""
    whole = "whole, " if setting.whole else ""
    reach = f"{whole}{setting.low:g} to {setting.high:g} {unit}".rstrip()
    return Row(setting.name, reach, f"`{setting.start:g}`", setting.says,
               examples.of_setting(setting))  # fmt: skip


def _table(found: Iterator[Row] | list[Row]) -> list[str]:
    head = ["| key | may be | starts at | meaning | example |", "| --- | --- | --- | --- | --- |"]
    return [*head, *(str(row) for row in found), ""]


def _lanes() -> Iterator[str]:
    found = {row.key: row for row in rows(set_lane.LaneModel, "lane")}
    kinds = set_lane.ONLY_ON
    yield "## Lanes"
    yield ""
    yield "A lane has exactly one source."
    yield ""
    yield from _table([found[key] for key in set_lane.SOURCES])
    for title, model, group in (
        ("euclid", set_lane.EuclidModel, "euclid"), ("fill", set_lane.FillModel, "fill"),
        ("hold", set_lane.HoldModel, "hold"),
    ):  # fmt: skip
        yield f"Inside `{title}`:"
        yield ""
        yield from _table(rows(model, group))
    yield "### Of every lane"
    yield ""
    yield from _table([found[key] for key in COMMON])
    yield "### Of some lanes"
    yield ""
    for key in kinds:
        yield f"- `{key}` is for {', '.join(f'`{kind}`' for kind in kinds[key])}."
    yield ""
    yield from _table([
        row for key, row in found.items()
        if key not in (*set_lane.SOURCES, *COMMON) and (key == "gate" or key not in SETTINGS)
    ])  # fmt: skip
    yield "Inside `passes`:"
    yield ""
    yield from _table(rows(set_lane.PassesModel, "passes"))
    yield "### Numbers"
    yield ""
    yield "Each may be written on a lane, changed while playing, set by a section, and driven by"
    yield "macros and lanes (value = base + depth x moved x whole range, held to the range)."
    yield ""
    by_kinds: dict[tuple[str, ...], list[Setting]] = {}
    for setting in SETTINGS.values():
        by_kinds.setdefault(setting.kinds, []).append(setting)
    for owners, settings in by_kinds.items():
        yield f"For {', '.join(f'`{kind}`' for kind in owners)}:"
        yield ""
        yield from _table([setting_row(setting) for setting in settings])


def _logic() -> Iterator[str]:
    yield "### Logic"
    yield ""
    yield "Lane names with `not`, `and`, `xor`, `or` (binding in this order) and parentheses."
    yield "Times are rates, chances are 0 to 1. In the tables `x` is a hit, `.` none; 1 and 0 are"
    yield "states."
    yield ""
    for name, arguments in ARGUMENTS.items():
        yield f"`{name}({', '.join(arguments)})`, as in `{examples.LOGIC[name]}`"
        yield ""
        known = FUNCTIONS.get(name)
        if known is None:
            mute = "after" if name == "after-mute" else "before"
            yield f"Reads the lanes inside {mute} their mutes, whatever the lane's `tap` says."
        else:
            yield from _doc(inspect.getdoc(known) or "")
        yield ""


def _doc(text: str) -> Iterator[str]:
    """A docstring with a table of signs: the table stands as it is."""
    inside = False
    for line in text.splitlines():
        rule = set(line.strip()) == {"=", " "} or set(line.strip()) == {"="}
        if rule and not inside:
            inside = True
            yield "```text"
        elif inside and not line.strip():
            inside = False
            yield "```"
            yield line
        elif not rule:
            yield line.replace("``", "`")
    if inside:
        yield "```"


def markdown() -> str:
    """The whole reference."""
    lines = [
        "# The files", "",
        "Made from the models by `python -m bridge.files.reference`; change it there.", "",
        f"Names of lanes, macros, sections, interfaces and outputs: {NAME_SAYS}. Unknown keys are",
        "errors. `lanebridge check RIG SET` says everything that is wrong, with its place.", "",
        "# The set file", "", *_table(rows(SetModel, "set")),
        "Inside `key`:", "", *_table(rows(KeyModel, "key")),
        f"Scales: {', '.join(f'`{name}`' for name in SCALES)}.", "",
        *_lanes(), *_logic(),
        "## Drives", "",
        "Of macros, and of lanes of values. Either `out`, or `lane` and `setting`; for an `out`",
        "either `depth` or `from` and `to`.", "", *_table(rows(set_lane.DriveModel, "drive")),
        "## Macros", "", *_table(rows(MacroModel, "macro")),
        "## Sections", "", *_table(rows(SectionModel, "section")),
        "## Order", "", *_table(rows(LegModel, "leg")),
        "# The rig file", "", *_table(rows(rig.RigModel, "rig")),
        "## Interfaces", "", *_table(rows(rig.InterfaceModel, "interface")),
        "## Clock", "", *_table(rows(rig.ClockModel, "clock")),
        "## Timing", "", *_table(rows(rig.TimingModel, "timing")),
        "## Controllers", "", *_table(rows(rig.ControllerModel, "controller")),
        "A control has one of `cc` and `note`, and one of `macro`, `mute`, `section` and",
        "`transport`.", "", *_table(rows(rig.BindingModel, "control")),
    ]  # fmt: skip
    return "\n".join(lines).rstrip() + "\n"


if __name__ == "__main__":
    print(markdown(), end="")

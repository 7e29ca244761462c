"""The reference of the set, rig and profile files: the text of ``manual.md`` with the keys of the
models at their places.

``python -m bridge.files.reference > bridge/files/reference.md`` writes it as Markdown. Every key
has its range, unit, start value, meaning and an example; the tests read each example and play those
of lanes. `bridge.paper.manual` makes a page with pictures of the same blocks.
"""

from __future__ import annotations

import types
from collections.abc import Iterator
from pathlib import Path
from string import Template
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BeforeValidator
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from bridge.errors import Exit
from bridge.files import blocks, examples, older, profile, reference_osc, rig, set_lane
from bridge.files.blocks import Block, Directive, Head, Keys, Pairs, Picture, Points, Row, Words
from bridge.files.field_docs import descriptions
from bridge.files.set_models import EntryModel, KeyModel, MacroModel, SectionModel, SetModel
from bridge.files.strict import NAME_SAYS, Limits, Reads, Strict, read_name
from bridge.music.hit_node import LONGEST_GATE_BARS
from bridge.music.kinds import KINDS
from bridge.music.logic_parse import FUNCTIONS
from bridge.music.model import OPEN_BARS, SETTINGS, Setting
from bridge.music.references import LANE_KEYS
from bridge.music.scale import SCALES

MODELS: dict[str, type[Strict]] = {
    "set": SetModel,
    "key": KeyModel,
    "lane": set_lane.LaneModel,
    **set_lane.SOURCE_MODELS,
    "fill": set_lane.FillModel,
    "passes": set_lane.PassesModel,
    "drive": set_lane.DriveModel,
    "macro": MacroModel,
    "section": SectionModel,
    "entry": EntryModel,
    "rig": rig.RigModel,
    "interface": rig.InterfaceModel,
    "cable": rig.CableModel,
    "clock": rig.ClockModel,
    "timing": rig.TimingModel,
    "controller": rig.ControllerModel,
    "control": rig.BindingModel,
    "profile": profile.ProfileModel,
    "output": profile.OutputModel,
}


def rows(model: type[Strict], group: str) -> Iterator[Row]:
    """One row per key of a model, older spellings left out.

    Args:
        model: the model of a file, or of a part of one.
        group: where `examples.EXAMPLES` has its examples (``lane`` for ``lane.rate``), or a kind of
            lane.

    Raises:
        KeyError: a key has no example anywhere.
    """
    says = descriptions(model)
    for name, field in model.model_fields.items():
        key = field.alias or name
        if group == "lane" and key in older.OLDER_KEYS:
            continue
        example = examples.EXAMPLES.get(f"{group}.{key}")
        if example is None and key in SETTINGS:
            example = examples.of_setting(SETTINGS[key])
        if example is None and group in KINDS:
            example = KINDS[group].example
        if example is None:
            raise KeyError(f"{group}.{key} has no example")
        yield Row(key, allowed(field), _start(field), says.get(name, ""), example)


_READERS: dict[object, str] = {read_name: "a name"}


def allowed(field: FieldInfo) -> str:
    """What may be written for a key, in words."""
    return _words(field.annotation, list(field.metadata))


def _words(annotation: Any, metadata: list[Any]) -> str:
    for note in metadata:
        if isinstance(note, Reads) and note.says:
            return note.says
        if isinstance(note, Limits):
            return f"{'whole, ' if note.whole else ''}{note.says.removeprefix('from ')}"
        if isinstance(note, BeforeValidator) and annotation is str:
            return _READERS.get(note.func, "text")
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
    if value is None or value in ([], {}, (), "") or isinstance(value, Strict):
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
    return Row(
        setting.name, reach, f"`{setting.start:g}`", setting.says, examples.of_setting(setting)
    )


def _lane_keys(chosen: tuple[str, ...], shown: set[str]) -> Iterator[Row]:
    """Some keys of a lane, and with ``...`` those that were not shown before; its numbers have
    tables of their own."""
    for row in rows(set_lane.LaneModel, "lane"):
        if row.key in chosen or (
            chosen == ("...",)
            and row.key not in shown
            and (row.key == "gate" or row.key not in SETTINGS)
        ):
            shown.add(row.key)
            yield row


def _settings() -> Iterator[Block]:
    by_kinds: dict[tuple[str, ...], list[Setting]] = {}
    for setting in SETTINGS.values():
        by_kinds.setdefault(setting.kinds, []).append(setting)
    for owners, settings in by_kinds.items():
        yield Words(f"For {', '.join(f'`{kind}`' for kind in owners)}:")
        yield Keys(tuple(setting_row(setting) for setting in settings))


def text() -> list[Block | Directive]:
    """The words and tables of the reference, as they are written."""
    said = {
        "name": NAME_SAYS,
        "longest_gate_bars": LONGEST_GATE_BARS,
        "open_bars": OPEN_BARS,
        "scales": ", ".join(f"`{name}`" for name in SCALES),
        "profiles": ", ".join(f"`{name}`" for name in profile.shipped()),
    }
    written = Path(__file__).with_name("manual.md").read_text(encoding="utf-8")
    return list(blocks.read(Template(written).substitute(said)))


def document() -> list[Block]:
    """The whole reference, block by block."""
    shown: set[str] = set()
    found: list[Block] = []
    for block in text():
        found += _made(block, shown) if isinstance(block, Directive) else [block]
    return found


def _made(directive: Directive, shown: set[str]) -> Iterator[Block]:
    """What stands at a directive. `shown` collects the keys of lanes."""
    match directive.word, *directive.arguments:
        case "keys", "lane", "sources":
            yield Keys(tuple(_lane_keys(set_lane.SOURCES, shown)))
        case "keys", "lane", *chosen:
            yield Keys(tuple(_lane_keys(tuple(chosen), shown)))
        case "keys", group:
            yield Keys(tuple(rows(MODELS[group], group)))
        case "settings", *_:
            yield from _settings()
        case "kinds", *_:
            owners = {key: ", ".join(f"`{kind}`" for kind in of) for key, of in LANE_KEYS.items()}
            yield Points(tuple(f"`{key}` is for {said}." for key, said in owners.items()))
        case "picture", *names:
            yield Picture(tuple(names))
        case "function", name:
            yield Head(4, f"`{name}({', '.join(FUNCTIONS[name])})`")
        case "example", name:
            yield Words(f"As in `{examples.LOGIC[name]}`.")
        case "older", *_:
            yield Pairs(("older spelling", "is written"), tuple(older.SPELLINGS.values()))
        case "exits", *_:
            yield Pairs(("exit code", "means"), tuple((str(int(c)), c.says) for c in Exit))
        case "osc", *_:
            yield from reference_osc.chapter()
        case "commands", *_:
            yield Pairs(("lanebridge ...", "does"), tuple(examples.COMMANDS.items()))
        case _:
            raise ValueError(f"the manual has no such directive: {directive}")


def markdown() -> str:
    """The whole reference as Markdown."""
    first, *rest = document()
    made = Words("Made from `manual.md` and the models by `python -m bridge.files.reference`.")
    return blocks.markdown([first, made, *rest])


if __name__ == "__main__":
    print(markdown(), end="")

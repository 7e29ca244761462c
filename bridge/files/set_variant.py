"""A lane as a section writes it: the differences from the set's own text, and what comes of them.

Whatever a lane may say, a section may say otherwise, except what the rig and the page need to stay
the same all night: outputs, groups, drives. A source that the section writes stands in place of the
set's; keys inside a source (`euclid`, `sample`) are differences as well.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from copy import copy
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated, Any, ClassVar

from pydantic import BaseModel, Field, create_model

from bridge.files.set_lane import (
    SOURCE_MODELS,
    SOURCES,
    LaneBase,
    LaneModel,
    complaints,
    kind_of,
    made,
)
from bridge.files.set_values import MAX_STEPS, read_pattern
from bridge.files.strict import Limits, Reads, Strict
from bridge.music.model import KINDS, SETTINGS, Lane
from bridge.music.model import Steps as Pattern
from bridge.music.references import LANE_KEYS, is_led
from bridge.music.scale import Key

FIXED = ("out", "share", "muted", "groups", "freeze", "drives")
"""What a lane keeps all night. `play` says who is muted in a section."""
_PATTERN = ("hits", "steps", "rotate")  # numbers of euclid that a section may write beside it
_EITHER = MappingProxyType({"rate": "advance", "advance": "rate"})


def read_steps(value: object) -> Pattern | int:
    """A pattern in quotes, or the number of steps of a Euclidean one."""
    if isinstance(value, str):
        return read_pattern(value)
    return int(Limits(1, MAX_STEPS, "steps (or a pattern in quotes)", True).check(value))


Steps = Annotated[
    Pattern | int | None,
    Reads(read_steps, "a pattern in quotes, or the number of steps of a Euclidean one"),
]


class VariantBase(Strict):
    """What is common to all: the kind of message, and what people look for here."""

    called: ClassVar[str] = "a lane of a section"
    elsewhere: ClassVar[Mapping[str, str]] = {
        "muted": "is said by play: a section plays the lanes that stand there",
        **{
            key: "stays as the set has it, in every section"
            for key in FIXED
            if key not in ("muted",)
        },
    }


def _fields() -> dict[str, object]:
    fields: dict[str, object] = {}
    for name, field in LaneModel.model_fields.items():
        if name in FIXED:
            continue
        partial = SOURCE_MODELS.get(name)
        if partial is not None:
            more = copy(field)
            more.default = None
            fields[name] = (_partial(partial) | None, more)
        else:
            fields[name] = (field.annotation, copy(field))
    fields["steps"] = (Steps, Field(default=None))
    hits = Annotated[int, Limits(0, MAX_STEPS, "hits", True)]
    fields["hits"] = (hits | None, Field(default=None, description=SETTINGS["hits"].says))
    return fields


def _partial(model: type[Strict]) -> type[Strict]:
    """A model of which every key may be left out."""
    fields: dict[str, Any] = {}
    for name, field in model.model_fields.items():
        kind: Any = (
            Annotated[field.annotation, *field.metadata] if field.metadata else field.annotation
        )
        more = copy(field)
        more.default = None
        fields[name] = (kind | None, more)
    partial = create_model(f"Partial{model.__name__}", __base__=Strict, **fields)
    partial.called = model.called
    partial.fields_of = model
    return partial


if TYPE_CHECKING:
    VariantModel = VariantBase
else:
    VariantModel = create_model("VariantModel", __base__=VariantBase, **_fields())
    VariantModel.fields_of = LaneModel

_USUAL = LaneModel.model_construct()
"""A lane that says nothing: copying it is many times as fast as asking each key how it starts."""


@dataclass(frozen=True, slots=True)
class Varied:
    """A lane within a section: its whole model, what the section says of it, and which of the keys
    inside a source it says beside it."""

    model: LaneBase
    given: Mapping[str, Any]
    beside: frozenset[str]

    def complaints(self) -> Iterator[tuple[tuple[str | int, ...], str, bool]]:
        """What is wrong with the lane as it is in the section: key path within the section's own
        text of it (empty where that does not say it), message, whether at the key."""
        sources = [key for key in SOURCES if key in self.given]
        for source in sources:
            part = SOURCE_MODELS.get(source)
            written = getattr(self.model, source)
            needed = () if part is None else part.model_fields.items()
            for name, field in needed:
                if field.is_required() and getattr(written, name, None) is None:
                    yield (source,), f"needs {name}: the set's lane has no {source}", True
                    return
        for keys, message, at_key in complaints(self.model, lambda keys: False):
            if len(keys) > 1 and keys[0] == "euclid" and keys[1] in self.beside:
                yield keys[1:], message, at_key
            elif keys and keys[0] in self.given:
                yield keys, message, at_key
            elif "hits" in self.beside or "steps" in self.beside:
                yield (sorted(self.beside)[0],), message, at_key
            else:
                yield (), message, at_key

    def numbers(self) -> dict[str, float]:
        """The numeric settings that the section names."""
        found = {
            name: float(value)
            for name, value in self.given.items()
            if name in SETTINGS and isinstance(value, int | float)
        }
        if "spacing" in self.given:
            found["repeat_curve"] = float(self.given["spacing"])
        euclid = self.given.get("euclid")
        for name in _PATTERN if euclid is not None else ():
            value = getattr(euclid, name)
            if value is not None:
                found[name] = float(value)
        return found


def varied(base: LaneBase, over: VariantBase) -> Varied:
    """A lane of the set with the differences of a section."""
    given = {name: value for name, value in _written(over).items() if value is not None}
    change = dict(given)
    sources = [
        key for key in SOURCES if key in given and not (key == "steps" and _is_number(given[key]))
    ]
    values = _written(base)
    beside: set[str] = set()
    if "euclid" in sources or (not sources and base.euclid is not None):
        beside = {name for name in _PATTERN if _is_number(change.get(name))}
    numbers = {name: change.pop(name) for name in beside}
    for source in sources:
        if source in SOURCE_MODELS:
            change[source] = _filled(SOURCE_MODELS[source], getattr(base, source), given[source])
    if sources:
        values = {name: value for name, value in values.items() if name not in SOURCES}
    for name in [_EITHER[name] for name in change if name in _EITHER]:
        values.pop(name, None)
    if "spacing" in change:
        values.pop("repeat_curve", None)
    values |= change
    kind = next((key for key in SOURCES if values.get(key) is not None), None)
    if kind is not None and kind != kind_of(base):  # what the set says for its own source only
        values = {
            name: value
            for name, value in values.items()
            if name in change or _means_something(name, kind, value)
        }
    if numbers and values.get("euclid") is not None:
        values["euclid"] = values["euclid"].model_copy(update=numbers)
    model = _USUAL.model_copy(update=values)
    led = is_led(str(kind), lambda one: isinstance(model.at(one.keys), str))
    if sources and not led and "feel" in values and "feel" not in change:
        values.pop("feel")
        model = _USUAL.model_copy(update=values)
    return Varied(model, given, frozenset(beside))


def _written(model: BaseModel) -> dict[str, Any]:
    """What was written, always in the same order: what is said of a set is compared with what was
    said before."""
    written = model.model_fields_set
    return {name: getattr(model, name) for name in type(model).model_fields if name in written}


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _filled(model: type[Strict], base: Strict | None, over: Strict) -> Strict:
    """A source of several keys: those of the section, else those of the set's same source."""
    values = {} if base is None else _written(base)
    values |= {name: value for name, value in _written(over).items() if value is not None}
    return model.model_construct(_fields_set=set(values), **values)


def _means_something(key: str, kind: str, value: object) -> bool:
    """Whether what the set's lane says under a key still holds when it has become this kind."""
    if key == "advance" and isinstance(value, str):
        return "moved" in KINDS[kind].traits
    kinds = LANE_KEYS.get(key)
    if kinds is None and key in SETTINGS and key not in SOURCES:
        kinds = SETTINGS[key].kinds
    return kinds is None or kind in kinds


def in_section(lane: Lane, model: LaneBase, key: Key) -> Lane | None:
    """The lane as a section has it, made of `model`; None where that is only other numbers, or
    nothing that the lane can become."""
    kind = kind_of(model)
    if kind is None or (KINDS[kind].plays == "hits") is not lane.hits:
        return None
    whole = made(lane.name, model, key)
    return None if replace(whole, settings=lane.settings) == lane else whole

"""What all our file models share: strict base, names and texts, ranges with units, and the way
from pydantic's errors to problems with a place in the file."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sized
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, TypeVar, get_args, get_origin

from pydantic import (
    AliasChoices,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    ValidationError,
)
from pydantic_core import CoreSchema, core_schema

from bridge.errors import Problem, did_you_mean, printable
from bridge.files.document import AmbiguousText, Document, Keys, dotted, point_inside
from bridge.files.field_docs import descriptions
from bridge.files.trade_words import instead, meant
from bridge.music.settings import PLAIN_UNITS

NAME_SAYS = "a name is lower-case letters, digits and hyphens, begins with a letter, at most 32"
_NAME = re.compile(r"[a-z][a-z0-9-]{0,31}")
_COMMA = re.compile(r"([-+]?[0-9]+),([0-9]+)")

Model = TypeVar("Model", bound="Strict")


class Strict(BaseModel):
    """A part of a file. `called` is what messages call it; `elsewhere` says of keys that people
    look for here where they belong; `stand_ins` are values to go on checking with when a key that
    must be there is missing; `fields_of` is the model whose fields it was made of. What its fields
    mean stands below each, and is read by `bridge.files.field_docs`."""

    model_config = ConfigDict(
        strict=True, extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=False
    )
    called: ClassVar[str] = "this"
    stand_ins: ClassVar[Mapping[str, object]] = {}
    elsewhere: ClassVar[Mapping[str, str]] = {}
    fields_of: ClassVar[type[BaseModel] | None] = None

    @classmethod
    def __get_pydantic_json_schema__(
        cls, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        """The schema of the model with what its fields mean."""
        made = handler(schema)
        members = handler.resolve_ref_schema(made).get("properties", {})
        for name, text in descriptions(cls).items():
            key = cls.model_fields[name].alias or name
            key = key if key in members else name
            if key in members:
                members[key] = {**members[key], "description": text}
        return made


def older_name(now: str, before: str, default: Any, **more: Any) -> Any:
    """A field of a model that is read as `now`, and as `before`, an older spelling of it (none
    when that is empty). `more` is what else a field may have."""
    alias = AliasChoices(now, before) if before else None
    return Field(default, validation_alias=alias, **more)


def shown(value: object) -> str:
    """A value as a person would write it, short enough for a message."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "keys and values"
    if isinstance(value, list):
        return "a list"
    text = f"{value:g}" if isinstance(value, float) else printable(str(value))
    return text if len(text) <= 40 else text[:37] + "..."


def one_of(word: object, words: Iterable[str], what: str) -> str:
    """`word` if it is among `words`. ValueError with the nearest one, or all of a few."""
    known = list(words)
    if isinstance(word, str) and word in known:
        return str(word)
    hint = did_you_mean(word, known) if isinstance(word, str) else ""
    if not hint and len(known) <= 12:
        hint = f"; write {', '.join(known[:-1])} or {known[-1]}" if len(known) > 1 else ""
    raise ValueError(f"{shown(word)} is not {what}{hint}")


def read_name(value: object) -> str:
    """A name of a lane, macro, section, interface or output. ValueError otherwise."""
    if isinstance(value, AmbiguousText):
        raise ValueError(value.advice)
    if not isinstance(value, str):
        raise ValueError(f"must be a name, not {shown(value)}")
    if not _NAME.fullmatch(value):
        if ":" in value:
            said = f"{shown(value)} needs a space after the colon"
            raise ValueError(said)
        fitting = re.sub(r"[^a-z0-9-]+", "-", value.strip().lower()).strip("-")
        hint = f"; write {fitting}" if _NAME.fullmatch(fitting) else ""
        raise ValueError(f"{shown(value)} is not a name: {NAME_SAYS}{hint}")
    return value


def read_text(value: object, most: int = 200) -> str:
    """Free text in one line.

    Args:
        value: as YAML gives it; numbers, and words that other readers take for something else, are
            refused.
        most: how many characters at most.

    Raises:
        ValueError: it is no such text, is empty or too long.
    """
    if isinstance(value, AmbiguousText):
        raise ValueError(value.advice)
    if isinstance(value, bool) or not isinstance(value, str):
        quote = "" if isinstance(value, dict | list) or value is None else "; put it in quotes"
        raise ValueError(f"must be text, not {shown(value)}{quote}")
    if not value.strip():
        raise ValueError("must not be empty")
    if len(value) > most:
        raise ValueError(f"must be at most {most} characters long")
    if not value.isprintable():
        raise ValueError("must be one line of printable characters")
    return value


Name = Annotated[str, BeforeValidator(read_name)]
Text = Annotated[str, BeforeValidator(read_text)]


@dataclass(frozen=True, slots=True)
class Limits:
    """A number from `low` to `high` in `unit`; stands in an annotation beside ``float`` or
    ``int``. `whole` numbers only, when told."""

    low: float
    high: float
    unit: str = ""
    whole: bool = False

    @property
    def says(self) -> str:
        unit = "" if self.unit in PLAIN_UNITS else f" {self.unit}"
        low, high = (f"{end:.0f}" if self.whole else f"{end:g}" for end in (self.low, self.high))
        return f"from {low} to {high}{unit}"

    def check(self, value: object) -> float | int:
        """The number. ValueError when it is none, not finite, or outside."""
        kind = "a whole number" if self.whole else "a number"
        if isinstance(value, bool) or not isinstance(value, int | float):
            why = (
                f" ({value.reads_as} to some YAML readers)"
                if isinstance(value, AmbiguousText)
                else ""
            )
            comma = _COMMA.fullmatch(value.strip()) if isinstance(value, str) else None
            if comma:
                why = f"; write decimals with a point: {comma[1]}.{comma[2]}"
            raise ValueError(f"must be {kind} {self.says}, not {shown(value)}{why}")
        if not math.isfinite(value) or not self.low <= value <= self.high:
            raise ValueError(f"must be {self.says}, not {shown(value)}")
        if self.whole:
            if value != int(value):
                raise ValueError(f"must be a whole number {self.says}, not {shown(value)}")
            return int(value)
        return value

    def __get_pydantic_core_schema__(
        self, source: object, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        plain = core_schema.int_schema() if self.whole else core_schema.float_schema()
        return core_schema.no_info_before_validator_function(self.check, plain)


def limits_of(model: type[BaseModel]) -> dict[str, Limits]:
    """The limits of a model's numbers, by the name of the field."""
    return {
        name: part
        for name, field in model.model_fields.items()
        for part in field.metadata
        if isinstance(part, Limits)
    }


@dataclass(frozen=True, slots=True)
class Reads:
    """An annotation: the value is read by `read` (ValueError when wrong). `says` is for the
    reference: what may be written."""

    read: Callable[[object], object]
    says: str = ""

    def __get_pydantic_core_schema__(
        self, source: object, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)


def check(model: type[Model], document: Document) -> tuple[Model | None, list[Problem], set[Keys]]:
    """A document against a model, going on after mistakes.

    What is wrong is taken out and the rest read again, so that a model comes back for further
    checks as long as anything can be made of it.

    Args:
        model: the model of the whole file.
        document: stays as it is.

    Returns:
        The model, or None where nothing can be made of it; every problem; the paths taken out.
    """
    other = _other_kind(model, document)
    if other is not None:
        return None, [other], {()}
    data = _copy(document.data)
    problems: list[Problem] = []
    cut: set[Keys] = set()
    for attempt in range(8):
        try:
            return model.model_validate(data), problems, cut
        except ValidationError as error:
            for details in error.errors(include_url=False):
                keys = _keys(details["loc"])
                if attempt == 0:
                    problems.append(_problem(document, model, keys, dict(details)))
                at = keys
                if details["type"] == "missing":
                    owner = model_at(model, keys[:-1])
                    key = str(keys[-1])
                    if owner is not None and key in owner.stand_ins:
                        _put(data, keys, owner.stand_ins[key])
                        continue
                    at = keys[:-1]
                while at and at in cut:  # taking it out was not enough: all that is around it
                    at = at[:-1]
                cut.add(at)
                if at:
                    _remove(data, at)
            if () in cut:
                return None, problems, cut
    return None, problems, cut


# What tells one kind of file from another: any of these keys at the left edge.
_MARKS: Mapping[str, tuple[str, ...]] = {
    "a set": ("set", "lanes"),
    "a rig": ("rig", "interfaces"),
    "a profile": ("profile", "outputs"),
    "a tuning file": ("tuning",),
}


def _other_kind(model: type[Strict], document: Document) -> Problem | None:
    """The one problem of a file of another kind altogether, in place of one for each key."""
    written = set(document.data)
    if model.called not in _MARKS or written & set(_MARKS[model.called]):
        return None
    for kind, marks in _MARKS.items():
        if written & set(marks):
            message = f"this is {kind}, and {model.called} is wanted here; were two files swapped?"
            return document.problem((), message)
    return None


def _copy(value: object) -> object:
    if isinstance(value, dict):
        return {key: _copy(item) for key, item in value.items()}
    return [_copy(item) for item in value] if isinstance(value, list) else value


def _put(data: Any, keys: Keys, value: Any) -> None:
    for key in keys[:-1]:
        data = data[key]
    data[keys[-1]] = value


def _remove(data: Any, keys: Keys) -> None:
    for key in keys[:-1]:
        try:
            data = data[key]
        except (KeyError, IndexError, TypeError):
            return
    if isinstance(data, dict):
        data.pop(keys[-1], None)
    elif isinstance(data, list) and isinstance(keys[-1], int) and keys[-1] < len(data):
        # Emptied and not shortened, so that the positions of the others stay true.
        data[keys[-1]] = None


def _keys(location: tuple[str | int, ...]) -> Keys:
    return tuple(part for part in location if part != "[key]")


def _problem(
    document: Document, model: type[Strict], keys: Keys, details: dict[str, Any]
) -> Problem:
    kind, context, value = details["type"], details.get("ctx", {}), details.get("input")
    at_key = "[key]" in details["loc"]
    owner = model_at(model, keys[:-1])
    if kind == "extra_forbidden":
        word = str(keys[-1])
        known = written_keys(owner) if owner else []
        called = owner.called if owner else "this"
        unspaced = re.match(r"([a-z_]+):(\S.*)", word)
        if unspaced:
            message = f"needs a space after the colon: {unspaced[1]}: {shown(unspaced[2])}"
        elif value is None and word.isdigit():
            message = f"stands after a comma; a decimal is written with a point, as in 0.{word}"
        elif owner and word in owner.elsewhere:
            message = owner.elsewhere[word]
        elif owner and (said := instead(called, word, known)):
            message = said
        else:
            few = f"; there are: {', '.join(known)}" if len(known) < 9 else ""
            hint = did_you_mean(word, known) or few
            message = f"is not a key of {called}{hint}"
        return document.problem(keys, message, at_key=True)
    if kind == "missing":
        return document.problem(keys, "is missing")
    if kind == "value_error":
        message = str(context.get("error", details["msg"]))
    elif kind == "bool_type":
        message = f"must be true or false, not {shown(value)}"
    elif kind in ("model_type", "model_attributes_type", "dict_type", "mapping_type"):
        what = model_at(model, keys)
        named = f" ({', '.join(written_keys(what)[:4])}...)" if what else ""
        message = f"must be keys and values{named}, not {shown(value)}"
    elif kind in ("list_type", "tuple_type"):
        message = f"must be a list, not {shown(value)}"
    elif kind in ("too_short", "too_long"):
        limit = context.get("min_length", context.get("max_length"))
        # The library stops counting beyond the limit, and then gives no number.
        actual = context.get("actual_length")
        actual = len(value) if actual is None and isinstance(value, Sized) else actual
        message = f"needs {'at least' if kind == 'too_short' else 'at most'} {limit}"
        message += "" if actual is None else f", not {actual}"
    elif kind == "literal_error":
        words = str(context.get("expected", "")).replace("'", "")
        hint = meant(value, words)
        message = f"must be {words}, not {shown(value)}"
        message += f"; did you mean {hint}?" if hint else ""
    else:
        message = str(details["msg"])
    return point_inside(document, document.problem(keys, message, at_key=at_key))


def written_keys(model: type[Strict]) -> list[str]:
    """The keys of a model as they stand in a file."""
    return [field.alias or name for name, field in model.model_fields.items()]


def model_at(model: type[Strict], keys: Keys) -> type[Strict] | None:
    """The model that describes the value at a path, if one does."""
    here: object = model
    for key in keys:
        if isinstance(here, type) and issubclass(here, Strict):
            fields = {field.alias or name: field for name, field in here.model_fields.items()}
            field = fields.get(str(key))
            here = _inner(field.annotation) if field else None
        elif get_origin(here) is dict:
            here = _inner(get_args(here)[1])
        elif get_origin(here) in (list, tuple):
            here = _inner(get_args(here)[0])
        else:
            return None
    return here if isinstance(here, type) and issubclass(here, Strict) else None


def _inner(annotation: object) -> object:
    """An annotation without Annotated and Optional."""
    while True:
        if get_origin(annotation) is Annotated:
            annotation = get_args(annotation)[0]
            continue
        parts = [part for part in get_args(annotation) if part is not type(None)]
        if type(None) in get_args(annotation) and len(parts) == 1:
            annotation = parts[0]
            continue
        return annotation


__all__ = [
    "Limits",
    "NAME_SAYS",
    "Name",
    "Reads",
    "Strict",
    "Text",
    "check",
    "dotted",
    "model_at",
    "one_of",
    "read_name",
    "read_text",
    "shown",
    "written_keys",
]

"""What is wrong with a body, a message or a query, in plain words, and where in it that is.

The checking library names its own steps (the branch of a union, the key it wanted) and speaks of
input strings; people and programs at the other end know only what they have sent. So a place is
always one of the text that was sent, and what is wanted there is said from the JSON Schema that
``/openapi.json`` publishes, so that neither can say something else than the other.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from functools import lru_cache
from typing import Any, NamedTuple

from pydantic import BaseModel, ValidationError
from pydantic_core import from_json

from bridge.errors import did_you_mean

Path = tuple[str | int, ...]
Schema = Mapping[str, Any]


class Wrong(NamedTuple):
    """One thing that is wrong: the place in what was sent, and what is wrong there."""

    path: Path
    said: str

    @property
    def pointer(self) -> str:
        """A JSON Pointer (RFC 6901) as a URI fragment, as in RFC 9457's own example."""
        return "#" + "".join(
            f"/{str(part).replace('~', '~0').replace('/', '~1')}" for part in self.path
        )

    @property
    def sentence(self) -> str:
        """``value must be a number from 0 to 1, not 2``."""
        return f"{'.'.join(map(str, self.path)) or 'the body'}: {self.said}"


class WrongBodyError(Exception):
    """A body or a message that its model refuses."""

    def __init__(self, wrong: list[Wrong]) -> None:
        self.wrong = wrong
        super().__init__("; ".join(one.sentence for one in wrong))


class NotJSONError(Exception):
    """A body or a message that is no JSON; says where."""


def checked(model: type[BaseModel], data: bytes) -> BaseModel:
    """A body as its model has it. Raises `NotJSONError`, `WrongBodyError`."""
    try:
        return model.model_validate_json(data)
    except ValidationError as error:
        raise _explained(error, data, _schema(model)) from None


def parsed(data: str | bytes) -> object:
    """The JSON of a body or a message. Raises `NotJSONError`."""
    try:
        return from_json(data)
    except ValueError:
        raise NotJSONError(_not_json(data)) from None


def wrong_values(
    error: ValidationError, given: Mapping[str, object], model: type[BaseModel]
) -> list[Wrong]:
    """The same for values that are not JSON, such as those of a query."""
    return list(_merged(error, given, _schema(model)))


@lru_cache(maxsize=256)
def _schema(model: type[BaseModel]) -> Schema:
    return model.model_json_schema()


def _explained(error: ValidationError, data: str | bytes, schema: Schema) -> Exception:
    if error.errors(include_url=False)[0]["type"] == "json_invalid":
        return NotJSONError(_not_json(data))
    try:
        body = json.loads(data)
    except ValueError:  # a number of thousands of digits, which only the checking library reads
        body = None
    return WrongBodyError(list(_merged(error, body, schema)))


def _not_json(data: str | bytes) -> str:
    try:
        json.loads(data)
    except json.JSONDecodeError as error:
        return f"it is not JSON from line {error.lineno}, column {error.colno} on"
    except UnicodeDecodeError:
        return "it is not UTF-8 text"
    except (ValueError, RecursionError):
        pass
    return "it is not JSON"  # NaN, say, which Python's own reader lets through


def _merged(error: ValidationError, body: object, schema: Schema) -> Iterator[Wrong]:
    """Everything that is wrong, each place once: a union complains once for each of its members."""
    said: dict[Path, str] = {}
    for row in error.errors(include_url=False):
        path, value, rest = _follow(row["loc"], body)
        wanted = list(_at(schema, schema, path, body))
        kind = row["type"]
        if kind == "missing":
            text = f"{rest[-1]} is missing" if rest else "something is missing"
        elif kind == "extra_forbidden":
            known = [
                str(key)
                for alt in _at(schema, schema, path[:-1], body)
                for key in alt.get("properties", ())
            ]
            text = (
                f"is not known here{did_you_mean(path[-1], known)}" if path else "is not known here"
            )
        elif kind == "value_error":
            text = str(row.get("ctx", {}).get("error", "cannot be used"))
        else:
            text = f"must be {_wish(wanted, schema)}, not {_given(value)}"
        if path in said and said[path] != text and kind in ("missing", "extra_forbidden"):
            text = f"{said[path]}; {text}"
        elif path in said:
            continue
        said[path] = text
    return (Wrong(path, text) for path, text in said.items())


def _follow(location: Iterable[str | int], body: Any) -> tuple[Path, Any, list[str | int]]:
    """The part of a location that leads through the body, the value there, and the other parts."""
    path: list[str | int] = []
    rest: list[str | int] = []
    value = body
    for part in location:
        in_list = isinstance(value, list) and isinstance(part, int) and 0 <= part < len(value)
        if in_list or (isinstance(value, Mapping) and part in value):
            value = value[part]
            path.append(part)
        else:
            rest.append(part)
    return tuple(path), value, rest


def _at(schema: Schema, root: Schema, path: Path, body: object) -> Iterator[Schema]:
    """The alternatives that may stand at a path of a body."""
    for alternative in _alternatives(schema, root, body):
        if not path:
            yield alternative
            continue
        key, rest = path[0], path[1:]
        holder: Any = body if isinstance(body, Mapping | list) else {}
        inner = holder[key] if holder else None
        below: object = alternative.get("items") if isinstance(key, int) else None
        if isinstance(key, str):
            below = alternative.get("properties", {}).get(
                key, alternative.get("additionalProperties")
            )
        if isinstance(below, Mapping):
            yield from _at(below, root, rest, inner)


def _alternatives(schema: Schema, root: Schema, body: object) -> Iterator[Schema]:
    if "$ref" in schema:
        yield from _alternatives(root["$defs"][schema["$ref"].rpartition("/")[2]], root, body)
        return
    choice = schema.get("discriminator")
    if choice is not None and isinstance(body, Mapping):
        reference = choice["mapping"].get(str(body.get(choice["propertyName"])))
        if reference is not None:
            yield from _alternatives({"$ref": reference}, root, body)
            return
    branches = schema.get("anyOf") or schema.get("oneOf")
    if not branches:
        yield schema
    for branch in branches or ():
        # What is written outside of the branches, such as a description, goes for each of them.
        yield from _alternatives(
            {**{k: schema[k] for k in ("description",) if k in schema}, **branch}, root, body
        )


def wanted(schema: Schema, root: Schema) -> str:
    """What a schema lets one write, in words. `root` has the `$defs` that it refers to."""
    return _wish(_alternatives(schema, root, None), root)


def _wish(alternatives: Iterable[Schema], root: Schema) -> str:
    """What may be written, in words: ``now, beat or bar, or a whole number from 1 to 64``."""
    wishes = list(dict.fromkeys(_one_wish(alternative) for alternative in alternatives))
    if len(wishes) > 1 and "null" in wishes:
        wishes = [*(wish for wish in wishes if wish != "null"), "null"]
    return ", or ".join(wishes) or "something else"


def _one_wish(schema: Schema) -> str:
    if "const" in schema:
        return _word(schema["const"])
    if "enum" in schema:
        words = [_word(word) for word in schema["enum"]]
        return f"{', '.join(words[:-1])} or {words[-1]}" if len(words) > 1 else words[0]
    match schema.get("type"):
        case "boolean":
            return "true or false"
        case "integer":
            return f"a whole number{_range(schema, 'minimum', 'maximum')}"
        case "number":
            return f"a number{_range(schema, 'minimum', 'maximum')}"
        case "string":
            if "pattern" in schema:
                return str(schema.get("description", f"text like {schema['pattern']}"))
            return f"text{_range(schema, 'minLength', 'maxLength', ' characters')}"
        case "array":
            return f"a list{_range(schema, 'minItems', 'maxItems', ' entries')}"
        case "object":
            return "an object (names and values in braces)"
        case "null":
            return "null"
    return "something else"


def _range(schema: Schema, least: str, most: str, unit: str = "") -> str:
    low, high = schema.get(least), schema.get(most)
    word = " of" if unit else ""
    if low is None and high is None:
        return ""
    if high is None:
        return f"{word} at least {low:.10g}{unit}" if low else ""
    if low is None:
        return f"{word} at most {high:.10g}{unit}"
    between = f"{low:.10g} to {high:.10g}"
    return f" of {between}{unit}" if unit else f" from {between}"


def _word(value: object) -> str:
    return value if isinstance(value, str) else json.dumps(value)


def _given(value: object) -> str:
    """What was sent, short."""
    match value:
        case None:
            return "null"
        case bool() | int() | float():
            return json.dumps(value)
        case str():
            if len(value) > 40:
                return f"a text of {len(value)} characters"
            return json.dumps(value, ensure_ascii=False)
        case list():
            return f"a list of {len(value)}" if value else "an empty list"
    return "an object"

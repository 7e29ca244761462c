"""The description of the HTTP interface, made from the table of routes (OpenAPI 3.1).

JSON Schema 2020-12 comes from the models themselves, so that the description cannot differ from
what is checked.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import is_typeddict

from pydantic import BaseModel
from pydantic.json_schema import JsonSchemaMode, models_json_schema

import bridge
from bridge.protocol.schema import state_schemas
from bridge.web import bodies as b
from bridge.web.http import ARCHIVE, Route
from bridge.web.problems import MEDIA_TYPE, phrase

REF = "#/components/schemas/{model}"
IF_MATCH = {
    "name": "If-Match",
    "in": "header",
    "required": False,
    "description": "the ETag of the text that the change was made on",
    "schema": {"type": "string"},
}
ALWAYS = (400, 401, 403, 405, 421, 429, 500, 503)
WITH_BODY = (408, 413, 415, 422)


Names = Mapping[tuple[type, JsonSchemaMode], object]
"""The schemas of the models, by the model and by whether it comes in or goes out."""


def describe(routes: list[Route]) -> dict[str, object]:
    """The OpenAPI document of `routes`."""
    wanted: dict[tuple[type[BaseModel], JsonSchemaMode], None] = {
        (b.ProblemAnswer, "serialization"): None
    }
    states: dict[str, object] = {}
    for route in routes:
        if is_typeddict(route.answer):
            states |= state_schemas(route.answer, REF)
        else:
            wanted[route.answer, "serialization"] = None
        if route.takes_body and route.command is None and not route.archive:
            wanted[route.body or b.Nothing, "validation"] = None
    names, definitions = models_json_schema(list(wanted), ref_template=REF)
    paths: dict[str, dict[str, object]] = {}
    for route in routes:
        paths.setdefault(route.path, {})[route.method.lower()] = _operation(route, names)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Lanebridge",
            "version": bridge.__version__,
            "description": "Control of a playing set: mutes, macros, sections, transport, the set "
            "itself. Events arrive over the WebSocket at /api/live.",
            "license": {"name": "MIT", "identifier": "MIT"},
        },
        "servers": [{"url": "/"}],
        "paths": dict(sorted(paths.items())),
        "components": {
            "schemas": {**definitions["$defs"], **states},
            "securitySchemes": {
                "bearer": {"type": "http", "scheme": "bearer"},
                "cookie": {"type": "apiKey", "in": "cookie", "name": "lanebridge"},
            },
        },
        # On the network a token is needed; on the machine itself none.
        "security": [{}, {"bearer": []}, {"cookie": []}],
    }


def _operation(route: Route, names: Names) -> dict[str, object]:
    statuses = {*ALWAYS, *route.errors, *(WITH_BODY if route.takes_body else ())}
    operation: dict[str, object] = {
        "operationId": route.name,
        "summary": route.says,
        "x-role": route.needs,
        **({"deprecated": True} if route.older else {}),
        "parameters": [
            {
                "name": name,
                "in": "path",
                "required": True,
                "description": says,
                "schema": {"type": "string"},
            }
            for name, says in route.params.items()
        ]
        + _query(route)
        + ([IF_MATCH] if route.conditional else []),
        "responses": {
            "200": _content(route.media, _schema(route, names), "Done"),
            **{
                str(status): _content(
                    MEDIA_TYPE, names[b.ProblemAnswer, "serialization"], phrase(status)
                )
                for status in sorted(statuses)
            },
        },
    }
    if route.command is not None and route.takes_body:
        operation["requestBody"] = {
            "required": not route.command.optional,
            "content": {"application/json": {"schema": route.command.schema}},
        }
    elif route.archive:
        operation["requestBody"] = {
            "required": True,
            "content": {ARCHIVE: {"schema": {"type": "string", "format": "binary"}}},
        }
    elif route.takes_body:
        operation["requestBody"] = {
            "required": route.body is not None and not route.optional,
            "content": {
                "application/json": {"schema": names[route.body or b.Nothing, "validation"]}
            },
        }
    return operation


def _schema(route: Route, names: Names) -> object:
    if route.media != "application/json":
        return {"type": "string"}
    if is_typeddict(route.answer):
        return {"$ref": REF.format(model=route.answer.__name__)}
    return names[route.answer, "serialization"]


def _query(route: Route) -> list[dict[str, object]]:
    if route.query is None:
        return []
    schema = route.query.model_json_schema()
    return [
        {"name": name, "in": "query", "required": False, "schema": part}
        for name, part in schema["properties"].items()
    ]


def _content(media: str, schema: object, says: str) -> dict[str, object]:
    return {"description": says, "content": {media: {"schema": schema}}}

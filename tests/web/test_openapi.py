"""The description is valid OpenAPI 3.1 and speaks of every route."""

from __future__ import annotations

import re
from typing import Any

from openapi_spec_validator import OpenAPIV31SpecValidator


async def test_the_description_is_valid_and_complete(stage: Any) -> None:
    status, document, response = await stage.call("GET", "/openapi.json")
    assert (status, response.content_type) == (200, "application/json")
    OpenAPIV31SpecValidator(document).validate()
    assert re.fullmatch(r"3\.1\.\d+(-.+)?", document["openapi"])
    described = {
        (method.upper(), path) for path, item in document["paths"].items() for method in item
    }
    assert described == {(route.method, route.path) for route in stage.service.routes()}


async def test_every_operation_is_told_apart_and_names_its_path_parameters(stage: Any) -> None:
    _, document, _ = await stage.call("GET", "/openapi.json")
    names = [o["operationId"] for item in document["paths"].values() for o in item.values()]
    assert len(names) == len(set(names))
    for path, item in document["paths"].items():
        for operation in item.values():
            told = {p["name"] for p in operation["parameters"] if p["in"] == "path"}
            assert told == set(re.findall(r"{(\w+)}", path)), path


async def test_every_body_tells_what_can_go_wrong(stage: Any) -> None:
    _, document, _ = await stage.call("GET", "/openapi.json")
    for item in document["paths"].values():
        for operation in item.values():
            codes = set(operation["responses"])
            assert {"200", "401", "405", "500", "503"} <= codes
            if "requestBody" in operation:
                assert {"400", "413", "415", "422"} <= codes

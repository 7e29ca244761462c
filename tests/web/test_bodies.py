"""Models of what goes over HTTP cost nothing until they are used."""

from __future__ import annotations

import json
import subprocess
import sys

from support.patience import PATIENCE_S

CODE = """
import asyncio, json
from pathlib import Path
from bridge.service.app import Service, ServiceOptions
from bridge.web import bodies


async def main():
    service = Service(ServiceOptions(Path("rig.yaml"), Path("set.yaml"), Path("player.sock")))
    service.application()
    models, below = [], [bodies.Late]
    while below:
        models.append(below.pop())
        below += models[-1].__subclasses__()
    ready = [one.__name__ for one in models if one.__pydantic_complete__]
    one = bodies.CheckBody.model_validate_json('{"text": "set: Ebb"}')
    now = bodies.CheckBody.__pydantic_complete__
    print(json.dumps({"count": len(models), "ready": ready, "text": one.text, "now": now}))


asyncio.run(main())
"""


def test_none_is_made_ready_before_its_first_use() -> None:
    run = subprocess.run(
        [sys.executable, "-c", CODE], capture_output=True, text=True, check=True, timeout=PATIENCE_S
    )
    found = json.loads(run.stdout)
    assert found["count"] > 60
    assert found["ready"] == []
    assert (found["text"], found["now"]) == ("set: Ebb", True)

"""Adding a command takes a row, a handler and a test: the recipe of DEVELOPERS.md, followed on a
copy of the package."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

PACKAGE = Path(__file__).parent.parent.parent / "bridge"
ROW = '''

@row(
    "thin",
    osc=Osc("/group/{group}/thin", ("density",)),
    http=Http("PUT", "/api/groups/{group}/density", "thinGroup", "Thins the lanes of a group."),
)
class ThinGroup(Command):
    """Gives all lanes of a group a density."""

    group: Name
    density: Share
'''
HANDLER = """

def _thin(index: SetIndex, live: LiveState, command: p.ThinGroup, tick: int, client: str) -> None:
    for lane in index.groups[known("group", command.group, index.groups)]:
        live.hand[(lane, "density")] = command.density
        index.rebase(live, lane, ("density",))


HANDLERS = {**HANDLERS, p.ThinGroup: _thin}
"""
CHECK = """
from bridge.osc.words import command_of
from bridge.protocol.command import described_limits
from bridge.protocol.declarations import declarations
from bridge.protocol.performing import ThinGroup
from bridge.protocol.table import decode
from bridge.music.performance import Performance, Settings
from bridge.music.model import Euclid, Lane, SetSpec
from bridge.music.score import compile_score
from bridge.service.app import Service, ServiceOptions
from bridge.web.openapi import describe
from pathlib import Path

command = decode({"do": "thin", "group": "drums", "density": 0.2})
assert command == ThinGroup(group="drums", density=0.2)
assert command_of("/group/drums/thin", [0.2]) == command
assert described_limits()["thin"]["density"] == {"low": 0, "high": 1}
assert '{ do: "thin"; group: string; density: number }' in declarations()
service = Service(ServiceOptions(Path("rig.yaml"), Path("set.yaml"), Path("player")))
body = describe(service.routes())["paths"]["/api/groups/{group}/density"]["put"]["requestBody"]
schema = body["content"]["application/json"]["schema"]
assert schema["properties"]["density"] == {"type": "number", "minimum": 0, "maximum": 1}, schema
spec = SetSpec(name="Low tide", lanes=(Lane("kick", Euclid(), groups=("drums",)),))
performance = Performance(compile_score(spec, {}))
performance.apply(command, 0)
settings = Settings(performance, lambda lane, tick: 0.0)
assert settings.setting(0, "density", 0) == 0.2
print("all doors know it")
"""


def test_a_row_and_a_handler_are_all_that_a_new_command_needs(tmp_path: Path) -> None:
    shutil.copytree(PACKAGE, tmp_path / "bridge", ignore=shutil.ignore_patterns("__pycache__"))
    for module, addition in (("protocol/performing.py", ROW), ("music/handlers.py", HANDLER)):
        path = tmp_path / "bridge" / module
        path.write_text(path.read_text(encoding="utf-8") + addition, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-c", CHECK],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(tmp_path)},
    )
    assert done.stdout == "all doors know it\n", done.stderr

"""The recipe of a new kind of lane: its row in the table, its node, and a test. Followed on a copy of
the package: everything else must know the kind without being told.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

PACKAGE = Path(__file__).parent.parent.parent / "bridge"

SOURCE = '''
@dataclass(frozen=True, slots=True)
class Count(Source):
    """Counts the hits of a lane, from 0 up to `most`, as a share of it."""

    of: str
    most: int


'''
ROW = """
    Kind(
        "count",
        Count,
        "values",
        "counts the hits of a lane",
        "{count: {of: kick, most: 4}}",
        _traits("pitched"),
        _VOLTS,
        (
            Part(("count", "of"), "of", "hits", "Hits of", "the lane whose hits are counted"),
            Part(("count", "most"), "most", "whole", "Up to", "the last count", 1, 64),
        ),
        phrase="counts the hits of {of} up to {most}",
    ),
"""
NODE = '''
class CountNode(ValueNode):
    """One step up at each hit."""

    def __init__(self, of):
        super().__init__(of)
        source = of.written.source
        self.by, self.most = of.positions[source.of], source.most
        self.count = 0

    def run(self, window):
        out = self.begin(window)
        for hit in steps_of(window.hits.get(self.by, ())):
            self.count = (self.count + 1) % (self.most + 1)
            self.move(out, hit.grid, hit.tick, self.count / self.most, 0)
        self.finish(window)


'''
SET = """set: New
lanes:
  kick: {euclid: {hits: 4, steps: 16}}
  climb: {count: {of: kick, most: 4}, drives: [{out: main.level-1}]}
"""
USED = f"""
import asyncio, json, sys
from bridge.errors import InputError
from bridge.files import edit, reference, removal
from bridge.files.set import parse_set
from bridge.files.set_check import plausible
from bridge.music.render import events_between
from bridge.music.score import compile_score
from bridge.paper.words import lane_words
from bridge.web.words_http import WORDS_ROUTE

text = {SET!r}
spec = parse_set(text).spec
climb = spec.lanes[1]
score = compile_score(spec, plausible(spec))


def wrong(text):
    try:
        parse_set(text)
    except InputError as error:
        return [problem.message for problem in error.problems]


print(json.dumps(dict(
    kind=climb.kind,
    hits=climb.hits,
    values=[e.value for e in events_between(score, 0, 3840) if e.lane == 1],
    words=lane_words(climb, ["kick", "climb"]),
    renamed=edit.apply(text, [edit.Change(("lanes", "kick"), rename="drum")]),
    removed=removal.without(text, [("lanes", "kick")])[1],
    unknown=wrong(text.replace("of: kick", "of: kik")),
    values_where_hits=wrong(text.replace("of: kick", "of: climb")),
    beyond=wrong(text.replace("most: 4", "most: 65")),
    manual=[line for line in reference.markdown().splitlines() if "count: {{of" in line],
    page=asyncio.run(WORDS_ROUTE.run(None, None)).model_dump()["kinds"]["count"],
)))
"""


def inserted(path: Path, before: str, text: str) -> None:
    written = path.read_text(encoding="utf-8")
    assert written.count(before) == 1
    path.write_text(written.replace(before, text.lstrip("\n") + before), encoding="utf-8")


@pytest.fixture(scope="module")
def said(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    root = tmp_path_factory.mktemp("recipe")
    music = root / "bridge" / "music"
    shutil.copytree(PACKAGE, root / "bridge", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copytree(PACKAGE.parent / "profiles", root / "profiles")
    inserted(music / "kinds.py", "# --- the table ---", SOURCE)
    inserted(music / "kinds.py", ")\nKINDS: ", ROW)
    inserted(music / "values.py", "MakesNode = ", NODE)
    inserted(music / "values.py", "        Decay: DecayNode,\n", "        Count: CountNode,\n")
    inserted(
        music / "values.py",
        "from bridge.music.model import ",
        "from bridge.music.kinds import Count\n",
    )
    done = subprocess.run(
        [sys.executable, "-c", USED],
        cwd=root,
        env={**os.environ, "PYTHONPATH": str(root)},
        capture_output=True,
        text=True,
        timeout=100,
    )
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_it_is_read_and_plays(said: dict[str, Any]) -> None:
    assert said["kind"] == "count"
    assert said["hits"] is False
    # Four hits in the bar, each a quarter of the way up.
    assert [round(value / said["values"][-1] * 4) for value in said["values"] if value] == [
        1,
        2,
        3,
        4,
    ]


def test_what_is_wrong_in_it_is_said(said: dict[str, Any]) -> None:
    assert said["unknown"] == ["there is no lane kik; did you mean kick?"]
    assert "a lane of hits is needed here" in said["values_where_hits"][0]
    assert said["beyond"] == ["must be from 1 to 64, not 65"]


def test_names_in_it_follow_a_rename_and_a_removal(said: dict[str, Any]) -> None:
    assert "count: {of: drum, most: 4}" in said["renamed"]
    assert said["removed"] == ["lanes.climb"]


def test_sheet_manual_and_page_know_it(said: dict[str, Any]) -> None:
    assert said["words"].startswith("counts the hits of kick up to 4")
    assert any("source of values: counts the hits of a lane" in line for line in said["manual"])
    assert [part["takes"] for part in said["page"]["parts"]] == ["hits", "whole"]
    assert [part["label"] for part in said["page"]["parts"]] == ["Hits of", "Up to"]

"""Two or more sets: compiled ahead, taking over, and back again with what was left unsaved."""

from __future__ import annotations

from typing import Any

import pytest

from bridge.session import texts

SLACK = """\
set: Slack water
tempo: 90
lanes:
  kick: {steps: "x..x", out: main.gate-1}
"""


@pytest.fixture
def sets(stage: Any) -> Any:
    (stage.folder / "slack-water.yaml").write_text(SLACK, encoding="utf-8")
    ideas = stage.folder / "ideas"
    ideas.mkdir()
    (ideas / "one.yaml").write_text(SLACK.replace("Slack water", "One"), encoding="utf-8")
    return stage


async def open_set(stage: Any, file: str, **more: Any) -> Any:
    status, answer, _ = await stage.call("POST", "/api/set/open", {"file": file} | more)
    assert status == 200, answer
    return answer


async def rows(stage: Any) -> dict[str, Any]:
    _, answer, _ = await stage.call("GET", "/api/sets")
    return {row["file"]: row for row in answer["sets"]}


async def test_the_tempo_of_the_new_set_is_taken_on_the_same_line_or_kept(sets: Any) -> None:
    await open_set(sets, "slack-water.yaml", tempo="keep")
    (swap,) = sets.player.received
    assert (swap["when"], "parts" in swap) == ("bar", False)
    assert sets.state["tempo"] == 126
    await open_set(sets, "low-tide.yaml")
    await open_set(sets, "slack-water.yaml", tempo="set")
    assert sets.player.received[-1]["parts"] == {"tempo": 90.0, "tempo_glide": None}
    assert sets.player.words == ["swap"] * 3  # no stop, no start: the clock goes on
    assert sets.state["tempo"] == 90
    await sets.call("POST", "/api/undo")
    assert (sets.state["set"], sets.state["tempo"]) == ("Low tide", 126)
    await sets.call("POST", "/api/redo")
    assert (sets.state["set"], sets.state["tempo"]) == ("Slack water", 90)


async def test_where_we_follow_a_clock_its_tempo_stays(sets: Any) -> None:
    await sets.call("PUT", "/api/clock/source", {"source": "desk"})
    await open_set(sets, "slack-water.yaml", tempo="set")
    assert "parts" not in sets.player.received[-1]


async def test_back_again_with_the_edits_that_were_left(sets: Any) -> None:
    status, problem, _ = await sets.call("POST", "/api/set/back")
    assert (status, problem["kind"]) == (409, "state")
    _, mine, _ = await sets.call("GET", "/api/set")
    text = mine["text"].replace("hits: 4", "hits: 3", 1)
    await sets.call("PUT", "/api/set", {"text": text, "when": "step"})
    await open_set(sets, "slack-water.yaml")
    left = (await rows(sets))["low-tide.yaml"]
    assert (left["loaded"], left["saved"], left["current"]) == (True, False, False)
    status, answer, _ = await sets.call("POST", "/api/set/back", {"when": "beat"})
    assert (status, answer["file"], answer["saved"]) == (200, "low-tide.yaml", False)
    assert answer["text"] == text
    assert sets.player.received[-1]["when"] == "beat"
    status, answer, _ = await sets.call("POST", "/api/set/back")
    assert (status, answer["name"]) == (200, "Slack water")


async def test_a_set_is_opened_fresh_when_asked(sets: Any) -> None:
    _, mine, _ = await sets.call("GET", "/api/set")
    text = mine["text"].replace("hits: 4", "hits: 3", 1)
    await sets.call("PUT", "/api/set", {"text": text, "when": "step"})
    await open_set(sets, "slack-water.yaml")
    answer = await open_set(sets, "low-tide.yaml", fresh=True)
    assert (answer["text"], answer["saved"]) == (mine["text"], True)


async def test_a_set_is_compiled_ahead(sets: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    assert not (await rows(sets))["slack-water.yaml"]["loaded"]
    status, answer, _ = await sets.call("POST", "/api/sets/load", {"file": "slack-water.yaml"})
    assert status == 200
    assert next(r for r in answer["sets"] if r["file"] == "slack-water.yaml")["loaded"]
    assert sets.player.received == []
    (sets.folder / "bad.yaml").write_text("set: Bad\nlanes: {a: {}}\n", encoding="utf-8")
    status, problem, _ = await sets.call("POST", "/api/sets/load", {"file": "bad.yaml"})
    assert (status, bool(problem["problems"])) == (422, True)
    assert (await sets.call("POST", "/api/sets/load", {"file": "none.yaml"}))[0] == 404
    monkeypatch.setattr(texts, "parse_set", None)  # what is ready needs no compiling
    assert (await open_set(sets, "slack-water.yaml"))["name"] == "Slack water"


async def test_a_file_that_changed_since_is_compiled_anew(sets: Any) -> None:
    await sets.call("POST", "/api/sets/load", {"file": "slack-water.yaml"})
    new = SLACK.replace("Slack water", "Ebb")
    (sets.folder / "slack-water.yaml").write_text(new, encoding="utf-8")
    assert (await open_set(sets, "slack-water.yaml"))["name"] == "Ebb"


async def test_sketches_are_opened_by_their_folder(sets: Any) -> None:
    answer = await open_set(sets, "ideas/one.yaml")
    assert (answer["file"], answer["name"]) == ("ideas/one.yaml", "One")
    assert (await rows(sets))["ideas/one.yaml"]["current"]
    assert "low-tide.yaml" in await rows(sets)
    async with sets.page() as page:
        await page.next()
        assert page.state["document"] == {"file": "ideas/one.yaml", "saved": True}
    status, _, _ = await sets.call("POST", "/api/set/open", {"file": "other/one.yaml"})
    assert status == 422

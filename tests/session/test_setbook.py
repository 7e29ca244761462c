"""The set as text: checked, swapped, undone, saved, opened, listed, kept through a crash."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bridge.errors import InputError
from bridge.files.working import WORKING
from bridge.service.app import Service

OTHER = """\
set: Slack water
tempo: 90
lanes:
  bell: {steps: "x..x", out: main.gate-1}
"""


def changed(stage: Any, old: str = "hits: 4", new: str = "hits: 3") -> str:
    text: str = (stage.folder / "low-tide.yaml").read_text(encoding="utf-8")
    assert old in text
    return text.replace(old, new, 1)


async def test_the_text_is_given_and_swapped_on_a_bar(stage: Any) -> None:
    status, answer, _ = await stage.call("GET", "/api/set")
    assert status == 200
    assert (answer["name"], answer["file"], answer["saved"]) == ("Low tide", "low-tide.yaml", True)
    status, answer, _ = await stage.call("PUT", "/api/set", {"text": changed(stage)})
    assert status == 200, answer
    assert (answer["revision"], answer["saved"]) == (2, False)
    (swap,) = stage.player.received
    assert (swap["do"], swap["when"], swap["revision"]) == ("swap", "bar", 2)
    kick = stage.player.score.lanes[0]
    assert kick.settings["hits"] == 3
    assert stage.state["lanes"]["kick"]["settings"]["hits"] == 3
    assert (await stage.call("GET", "/api/state"))[1]["document"] == {
        "file": "low-tide.yaml",
        "saved": False,
    }


async def test_a_wrong_text_changes_nothing_and_every_mistake_is_placed(stage: Any) -> None:
    text = changed(stage, "hits: 5", "hits: 17").replace("main.gate-3", "main.gate-33")
    status, problem, _ = await stage.call("PUT", "/api/set", {"text": text})
    assert status == 422
    places = {(p["path"], p["line"] > 0, p["column"] > 0) for p in problem["problems"]}
    assert ("lanes.shaker.out", True, True) in places
    assert any(path.startswith("lanes.rim") for path, _, _ in places)
    assert stage.player.received == []
    status, answer, _ = await stage.call("POST", "/api/set/check", {"text": text})
    assert status == 200
    assert answer["problems"] == problem["problems"]
    assert (await stage.call("GET", "/api/set"))[1]["revision"] == 1


async def test_text_that_is_no_yaml_or_too_long_is_refused(stage: Any) -> None:
    assert (await stage.call("PUT", "/api/set", {"text": "lanes: ["}))[0] == 422
    assert (await stage.call("PUT", "/api/set", {"text": ""}))[0] == 422
    assert (await stage.call("PUT", "/api/set", {"text": "#" * (257 << 10)}))[0] == 422
    assert (await stage.call("PUT", "/api/set", {"text": "#" * (600 << 10)}))[0] == 413
    assert stage.player.received == []


async def test_an_edit_is_one_undoable_step(stage: Any) -> None:
    before = (await stage.call("GET", "/api/set"))[1]["text"]
    await stage.call("PUT", "/api/set", {"text": changed(stage), "when": "step"})
    assert (await stage.call("POST", "/api/undo"))[1]["label"] == "edit of the set"
    answer = (await stage.call("GET", "/api/set"))[1]
    assert (answer["text"], answer["saved"]) == (before, True)
    assert stage.state["lanes"]["kick"]["settings"]["hits"] == 4
    assert (await stage.call("POST", "/api/redo"))[0] == 200
    assert stage.state["lanes"]["kick"]["settings"]["hits"] == 3


async def test_saving_writes_the_file_and_keeps_a_dated_copy(stage: Any) -> None:
    path = stage.folder / "low-tide.yaml"
    before = path.read_text(encoding="utf-8")
    text = changed(stage)
    await stage.call("PUT", "/api/set", {"text": text})
    assert path.read_text(encoding="utf-8") == before  # playing is not saving
    status, answer, _ = await stage.call("POST", "/api/set/save")
    assert (status, answer["saved"]) == (200, True)
    assert path.read_text(encoding="utf-8") == text
    (copy,) = (stage.folder / "backups").iterdir()
    assert copy.read_text(encoding="utf-8") == before


async def test_save_as_never_writes_over_another_file_unasked(stage: Any) -> None:
    other = stage.folder / "slack-water.yaml"
    other.write_text(OTHER, encoding="utf-8")
    body = {"file": "slack-water.yaml"}
    status, problem, _ = await stage.call("POST", "/api/set/save-as", body)
    assert (status, problem["kind"]) == (409, "taken")
    assert other.read_text(encoding="utf-8") == OTHER
    status, answer, _ = await stage.call("POST", "/api/set/save-as", {**body, "replace": True})
    assert (status, answer["file"], answer["saved"]) == (200, "slack-water.yaml", True)
    assert other.read_text(encoding="utf-8") == answer["text"]


async def test_sets_of_the_folder_are_listed_and_opened(stage: Any) -> None:
    (stage.folder / "slack-water.yaml").write_text(OTHER, encoding="utf-8")
    (stage.folder / "notes.yaml").write_text("hello: 1\n", encoding="utf-8")
    _, answer, _ = await stage.call("GET", "/api/sets")
    assert answer["sets"] == [  # neither the rig nor other files
        {
            "file": "low-tide.yaml",
            "set": "Low tide",
            "current": True,
            "loaded": True,
            "saved": True,
        },
        {
            "file": "slack-water.yaml",
            "set": "Slack water",
            "current": False,
            "loaded": False,
            "saved": True,
        },
    ]
    status, answer, _ = await stage.call("POST", "/api/set/open", {"file": "slack-water.yaml"})
    assert (status, answer["name"], answer["saved"]) == (200, "Slack water", True)
    assert set(stage.state["lanes"]) == {"bell"}
    assert (await stage.call("PUT", "/api/lanes/kick/mute", {"muted": True}))[0] == 404
    await stage.call("POST", "/api/undo")
    assert "kick" in stage.state["lanes"]
    assert (await stage.call("GET", "/api/set"))[1]["file"] == "low-tide.yaml"


async def test_a_set_with_mistakes_is_not_opened(stage: Any) -> None:
    (stage.folder / "bad.yaml").write_text("set: Bad\nlanes: {a: {}}\n", encoding="utf-8")
    status, problem, _ = await stage.call("POST", "/api/set/open", {"file": "bad.yaml"})
    assert status == 422
    assert problem["problems"]
    assert (await stage.call("GET", "/api/set"))[1]["file"] == "low-tide.yaml"


async def test_links_out_of_the_folder_are_not_followed(stage: Any, tmp_path_factory: Any) -> None:
    outside = tmp_path_factory.mktemp("outside") / "secret.yaml"
    outside.write_text(OTHER, encoding="utf-8")
    (stage.folder / "link.yaml").symlink_to(outside)
    assert (await stage.call("POST", "/api/set/open", {"file": "link.yaml"}))[0] == 404
    status, _, _ = await stage.call(
        "POST", "/api/set/save-as", {"file": "link.yaml", "replace": True}
    )
    assert status == 404
    assert outside.read_text(encoding="utf-8") == OTHER


async def test_the_player_started_anew_gets_the_text_that_should_play(stage: Any) -> None:
    await stage.call("PUT", "/api/set", {"text": changed(stage)})
    first = stage.player.score
    await stage.player.stop()
    stage.player.revision = 1  # it starts with what it was started with
    stage.player.received.clear()
    await stage.player.start()
    await stage.until(lambda: stage.player.words == ["swap"])
    assert stage.player.received[0]["when"] == "step"
    assert stage.player.score.spec == first.spec
    await stage.until(lambda: stage.state["revision"] == 2)


async def test_a_service_that_comes_back_has_the_text_that_plays(
    options: Any, player: Any, folder: Path, running: Any, make_stage: Any
) -> None:
    text = (folder / "low-tide.yaml").read_text("utf-8").replace("hits: 4", "hits: 3", 1)
    async with running(Service(options)) as service:
        await service.link.met.wait()
        await service.book.put(text, "bar", "page 1")
    player.received.clear()
    async with running(Service(options)) as service:
        await service.link.met.wait()
        playing = service.session.playing
        assert playing is not None
        assert (playing.text, playing.revision) == (text, 2)
        assert service.session.document["saved"] is False
    assert player.received == []  # nothing was taken from the player


async def test_yesterdays_text_is_not_taken_for_todays(
    options: Any, player: Any, folder: Path, running: Any
) -> None:
    (folder / "state").mkdir()
    kept = {
        "started_with": str(folder / "low-tide.yaml"),
        "run": -1,
        "revision": 1,
        "file": str(folder / "low-tide.yaml"),
        "text": OTHER,
    }
    for text in (json.dumps(kept), "{", "[]", json.dumps({**kept, "text": 5})):
        (folder / "state" / WORKING).write_text(text, encoding="utf-8")
        service = Service(options)
        await service.book.load()
        assert service.session.playing is not None
        assert service.session.playing.document.spec.name == "Low tide"


async def test_wrong_files_are_said_before_anything_starts(options: Any, folder: Path) -> None:
    (folder / "low-tide.yaml").write_text("set: x\nlanes: {}\n", encoding="utf-8")
    with pytest.raises(InputError):
        await Service(options).book.load()
    with pytest.raises(InputError):
        await Service(replace(options, set=folder / "missing.yaml")).book.load()


async def test_the_rig_is_told_with_what_drives_each_output(stage: Any) -> None:
    _, answer, _ = await stage.call("GET", "/api/rig")
    rows = {row["output"]: row for row in answer["outputs"]}
    assert answer["rig"] == "Quay rack"
    assert rows["main.gate-1"]["cable"] == "kick voice"
    assert rows["main.gate-1"]["lanes"] == ["kick"]
    assert rows["main.level-2"]["macros"] == ["shaker-level"]
    assert rows["main.gate-8"]["lanes"] == []


async def test_a_file_spoilt_while_it_plays_does_not_keep_the_service_from_coming_back(
    options: Any, player: Any, folder: Path, running: Any
) -> None:
    async with running(Service(options)) as service:
        await service.link.met.wait()
        for _ in range(2000):
            if (folder / "state" / WORKING).exists():
                break
            await asyncio.sleep(0.002)
    (folder / "low-tide.yaml").write_text("lanes: [", encoding="utf-8")
    service = Service(options)
    await service.book.load()
    assert service.session.playing is not None
    assert service.session.playing.document.spec.name == "Low tide"
    assert service.session.document["saved"] is False


async def test_a_set_that_is_too_much_work_is_refused_at_every_door(stage: Any) -> None:
    lanes = "".join(f"  h{n}: {{every: 1, rate: 1/64, repeats: 16}}\n" for n in range(120))
    text = (
        (stage.folder / "low-tide.yaml")
        .read_text("utf-8")
        .replace("\nmacros:", "\n" + lanes + "macros:")
    )
    status, answer, _ = await stage.call("PUT", "/api/set", {"text": text})
    assert status == 422
    assert "cost most" in json.dumps(answer)
    status, answer, _ = await stage.call("POST", "/api/set/check", {"text": text})
    assert "cost most" in json.dumps(answer)
    (stage.folder / "dense.yaml").write_text(text, encoding="utf-8")
    status, answer, _ = await stage.call("POST", "/api/set/open", {"file": "dense.yaml"})
    assert status == 422
    assert stage.player.words == []

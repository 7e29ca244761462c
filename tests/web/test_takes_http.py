"""Takes over HTTP: listed, starred, named, removed, and made into files."""

from __future__ import annotations

import io
from typing import Any
from xml.etree import ElementTree

import mido
import pytest
from support.taped import Evening

from bridge.paper.take_again import standing_at
from bridge.web import takes_http


def played(stage: Any, bars: int = 2) -> Evening:
    """An evening that has been recorded into the state folder of the service."""
    evening = Evening(stage.folder / "state")
    evening.do("start")
    evening.bars(bars)
    evening.do("mute", lane="rim", muted=True, when="now")
    evening.bars(1)
    evening.stop()
    evening.written()
    return evening


async def raw(stage: Any, path: str) -> tuple[int, str, bytes]:
    async with stage.session.get(stage.base + path) as response:
        return response.status, response.headers["Content-Type"], await response.read()


async def test_without_a_take_the_list_is_empty(stage: Any) -> None:
    assert (await stage.call("GET", "/api/takes"))[:2] == (200, {"takes": []})


async def test_a_take_is_listed_with_what_the_command_lists(stage: Any) -> None:
    evening = played(stage)
    status, answer, _ = await stage.call("GET", "/api/takes")
    (row,) = answer["takes"]
    assert status == 200
    assert (row["set"], row["bars"], row["recording"]) == ("Low tide", 3, False)
    assert row["began"] == "2026-03-07T21:04:00+00:00"
    (known,) = evening.takes.rows()
    assert (row["id"], row["bytes"], row["messages"]) == (known.id, known.bytes, known.messages)
    # 3 bars of four quarters at 126 a minute, and the stop on the last line.
    assert row["seconds"] == pytest.approx(3 * 4 * 60 / 126, abs=0.3)
    assert row["messages"] == len(evening.take().ticks) > 50


async def test_a_star_and_a_name_stay(stage: Any) -> None:
    evening = played(stage)
    status, answer, _ = await stage.call("PUT", "/api/takes/last/star", {"starred": True})
    assert (status, answer["takes"][0]["starred"]) == (200, True)
    assert (await stage.call("PUT", "/api/takes/1/name", {"name": "first light"}))[0] == 200
    note = evening.takes.note(evening.takes.find("first light"))
    assert (note.name, note.starred) == ("first light", True)
    _, answer, _ = await stage.call("PUT", "/api/takes/first light/star", {"starred": False})
    assert [row["starred"] for row in answer["takes"]] == [False]


@pytest.mark.parametrize(("name", "status"), [("last", 422), ("x" * 65, 422), ("a\tb", 200)])
async def test_names_have_the_limits_of_the_command(stage: Any, name: str, status: int) -> None:
    played(stage, 1)
    found, answer, _ = await stage.call("PUT", "/api/takes/last/name", {"name": name})
    assert found == status
    assert status != 200 or answer["takes"][0]["name"] == "a b"


async def test_a_starred_take_is_removed_only_when_that_is_said(stage: Any) -> None:
    evening = played(stage, 1)
    await stage.call("PUT", "/api/takes/last/star", {"starred": True})
    status, problem, _ = await stage.call("DELETE", "/api/takes/last")
    assert (status, problem["kind"]) == (409, "state")
    assert "starred" in problem["detail"]
    status, answer, _ = await stage.call("DELETE", "/api/takes/last?starred=yes")
    assert (status, answer) == (200, {"takes": []})
    assert evening.takes.rows() == []


async def test_what_is_being_recorded_cannot_be_removed(stage: Any) -> None:
    evening = Evening(stage.folder / "state")
    evening.do("start")
    evening.run(6000)
    evening.written()
    _, answer, _ = await stage.call("GET", "/api/takes")
    assert answer["takes"][0]["recording"]
    status, problem, _ = await stage.call("DELETE", "/api/takes/last")
    assert (status, problem["kind"]) == (409, "state")
    evening.recorder.end(evening.now / 1e9)


async def test_the_files_are_those_of_the_command(stage: Any) -> None:
    """A reader of another make counts the notes that were recorded (mido)."""
    evening = played(stage)
    status, kind, data = await raw(stage, "/api/takes/last/midi")
    assert (status, kind) == (200, "audio/midi")
    file = mido.MidiFile(file=io.BytesIO(data))
    assert (file.type, file.ticks_per_beat) == (1, 960)
    ons = sum(message.type == "note_on" for track in file.tracks for message in track)
    take = evening.take()
    assert ons == sum(data[0] & 0xF0 == 0x90 and data[2] > 0 for _, _, _, _, data in take.sent())
    status, kind, table = await raw(stage, "/api/takes/last/csv")
    assert (status, kind) == (200, "text/csv; charset=utf-8")
    lines = table.decode().splitlines()
    assert lines[0] == "tick,lane,kind,value,length,output"
    assert len(lines) == 1 + sum(event[-1] is not None for event in take.events)
    _, _, moves = await raw(stage, "/api/takes/last/csv?of=moves")
    assert any(",mute," in line and "lane=rim" in line for line in moves.decode().splitlines())


async def test_the_picture_names_every_lane_and_is_shown_in_the_page(stage: Any) -> None:
    lanes = {event[2] for event in played(stage).take().events}
    assert len(lanes) > 2
    status, kind, data = await raw(stage, "/api/takes/last/picture")
    assert (status, kind) == (200, "image/svg+xml")
    texts = {"".join(one.itertext()) for one in ElementTree.fromstring(data).iter()}
    assert lanes <= texts
    async with stage.session.get(f"{stage.base}/api/takes/last/picture") as answer:
        assert answer.headers["Content-Disposition"].startswith("inline")


async def test_what_is_no_take_or_too_large_says_so(
    stage: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    evening = played(stage, 1)
    monkeypatch.setattr(takes_http, "SERVICE_BYTES", 100)
    status, problem, _ = await stage.call("GET", "/api/takes/last/midi")
    assert (status, problem["kind"]) == (409, "state")
    assert "lanebridge takes export" in problem["detail"]
    monkeypatch.undo()
    (evening.takes.folder / "2026-03-08T00-00-00.take").write_bytes(b"no take at all")
    status, problem, _ = await stage.call("GET", "/api/takes/2026-03-08/csv")
    assert (status, problem["kind"]) == (409, "state")
    assert (await stage.call("GET", "/api/takes/nothing/csv"))[0] == 404


async def test_the_service_goes_on_from_a_bar_of_a_take(stage: Any) -> None:
    """What plays is stopped; the player is handed exactly where the take stood, with the set that
    was played then; undo brings the set and the hands back."""
    evening = Evening(stage.folder / "state")
    evening.do("start")
    evening.bars(1.5)
    evening.do("mute", lane="rim", muted=True, when="now")
    evening.do("macro", macro="brightness", value=0.7)
    evening.bars(2)
    evening.stop()
    take = evening.take()
    expected = standing_at(take, 3).place
    await stage.call("POST", "/api/transport/start")
    await stage.call("PUT", "/api/lanes/kick/mute", {"muted": True})
    before = (await stage.call("GET", "/api/set"))[1]["text"]
    status, answer, _ = await stage.call("POST", "/api/takes/1/continue", {"bar": 3})
    assert status == 200, answer
    assert (answer["take"], answer["tick"]) == (evening.takes.find("1").stem, 2 * 3840)
    assert answer["exact"]
    assert stage.player.words[-2:] == ["stop", "swap"]
    assert stage.player.performance.state() == expected.state
    assert stage.player.performance.state()["lanes"]["rim"]["muted"]
    shown = (await stage.call("GET", "/api/set"))[1]
    assert (shown["text"], shown["file"]) == (evening.text, "low-tide.yaml")
    assert (await stage.call("POST", "/api/undo"))[1]["label"].startswith("on from bar 3 of ")
    assert (await stage.call("GET", "/api/set"))[1]["text"] == before
    await stage.until(lambda: stage.state["lanes"]["kick"]["muted"], "what was set is back")
    status, _, _ = await stage.call("POST", "/api/takes/1/continue", {"bar": 2, "start": True})
    assert (status, stage.player.words[-1]) == (200, "continue")


async def test_a_take_is_gone_on_from_behind_a_jump_and_not_behind_its_end(stage: Any) -> None:
    evening = Evening(stage.folder / "state")
    evening.do("start")
    evening.bars(1.2)
    evening.do("position", tick=0)
    evening.bars(2)
    evening.stop()
    evening.written()
    status, answer, _ = await stage.call("POST", "/api/takes/last/continue", {"bar": 3})
    assert status == 200, answer
    assert answer["exact"]
    assert 0 < answer["tick"] < 2 * 3840, "the song began anew in bar 2 of the take"
    found, problem, _ = await stage.call("POST", "/api/takes/last/continue", {"bar": 9})
    assert (found, problem["kind"]) == (404, "unknown")
    assert "no bar 9" in problem["detail"]


async def test_who_may_watch_sees_the_list_and_changes_nothing(stage: Any) -> None:
    roles = {route.name: route.needs for route in stage.service.routes() if "/takes" in route.path}
    assert (
        roles["takes"] == roles["takeMidi"] == roles["takeTable"] == roles["takePicture"] == "watch"
    )
    changing = ("starTake", "nameTake", "removeTake", "continueTake")
    assert {roles[name] for name in changing} == {"edit"}

"""Saved moments and packs over HTTP."""

from __future__ import annotations

import asyncio
import io
import zipfile
from datetime import datetime
from typing import Any

from support.patience import PATIENCE_S
from support.zips import Entry, archive

from bridge.files.pack import gather, pack_bytes
from bridge.files.rig import parse_rig
from bridge.files.set import parse_set
from bridge.files.store import save
from bridge.files.tuning import Tuning, load_tuning, save_tuning, tuning_path
from bridge.voltage.calibration import Correction

ZIP = {"Content-Type": "application/zip"}


async def upload(stage: Any, raw: bytes, query: str = "", headers: Any = None) -> tuple[int, Any]:
    async with stage.session.post(
        stage.base + "/api/pack" + query,
        data=io.BytesIO(raw),
        headers=ZIP if headers is None else headers,
    ) as response:
        return response.status, await response.json()


async def announced(stage: Any, size: int) -> int:
    """The answer to a pack of which only the head of the request has been sent."""
    reader, writer = await asyncio.open_connection("127.0.0.1", int(stage.base.split(":")[-1]))
    head = f"POST /api/pack HTTP/1.1\r\nHost: {stage.base.removeprefix('http://')}\r\n"
    head += f"Content-Type: application/zip\r\nContent-Length: {size}\r\n\r\n"
    writer.write(head.encode())
    async with asyncio.timeout(PATIENCE_S):
        line = await reader.readline()
    writer.close()
    return int(line.split()[1])


async def changed(stage: Any, old: str, new: str) -> str:
    """The set plays with a change, saved; returns its text from before."""
    text: str = (await stage.call("GET", "/api/set"))[1]["text"]
    assert text.count(old) == 1
    body = {"text": text.replace(old, new), "when": "step"}
    assert (await stage.call("PUT", "/api/set", body))[0] == 200
    assert (await stage.call("POST", "/api/set/save"))[0] == 200
    return text


async def test_saved_moments_are_told_and_one_is_brought_back_and_undone(stage: Any) -> None:
    status, answer, _ = await stage.call("GET", "/api/set/moments")
    assert (status, answer["moments"]) == (200, [])
    before = await changed(stage, "tempo: 126", "tempo: 133")
    _, answer, _ = await stage.call("GET", "/api/set/moments")
    (moment,) = answer["moments"]
    assert moment["changes"] == ["tempo 126 to 133"]
    body = {"moment": moment["moment"], "when": "step"}
    status, shown, _ = await stage.call("POST", "/api/set/bring-back", body)
    assert (status, shown["text"], shown["saved"]) == (200, before, False)
    assert (await stage.call("POST", "/api/undo"))[0] == 200
    assert "tempo: 133" in (await stage.call("GET", "/api/set"))[1]["text"]


async def test_a_moment_that_is_not_there_is_not_found(stage: Any) -> None:
    for path in ("/api/set/bring-back", "/api/rig/bring-back"):
        status, problem, _ = await stage.call("POST", path, {"moment": "2020-01-01T00-00-00"})
        assert (status, problem["kind"]) == (404, "unknown")
        assert (await stage.call("POST", path, {"moment": "../../x"}))[0] == 422


async def test_a_rig_is_brought_back_in_its_file(stage: Any) -> None:
    path = stage.service.session.rig.path
    before = path.read_text(encoding="utf-8")
    save(path, before.replace("kick voice", "tom voice"), datetime(2026, 1, 31, 21))
    _, answer, _ = await stage.call("GET", "/api/rig/moments")
    (moment,) = answer["moments"]
    assert any("tom voice" in line for line in moment["changes"])
    status, answer, _ = await stage.call(
        "POST", "/api/rig/bring-back", {"moment": moment["moment"]}
    )
    assert status == 200
    assert path.read_text(encoding="utf-8") == before
    assert len(answer["moments"]) == 2


async def test_tunings_and_what_was_heard_have_moments_of_their_own(stage: Any) -> None:
    rig = stage.service.session.rig.path
    for hour, offset in ((20, 0.25), (21, 0.5)):
        made = Correction(offset, made="2026-01-31T20:00:00")
        tuning = Tuning(made, "eight-gates-four-cv")
        save_tuning(rig, "main.pitch-1", tuning, datetime(2026, 1, 31, hour))
    status, answer, _ = await stage.call("GET", "/api/rig/moments?of=tuning")
    assert (status, answer["file"]) == (200, tuning_path(rig).name)
    (moment,) = answer["moments"]
    assert any("main.pitch-1" in line for line in moment["changes"])
    body = {"moment": moment["moment"], "of": "tuning"}
    assert (await stage.call("POST", "/api/rig/bring-back", body))[0] == 200
    assert load_tuning(rig)["main.pitch-1"].correction.offset_volts == 0.25
    assert (await stage.call("GET", "/api/rig/moments?of=sounds"))[1]["moments"] == []
    assert (await stage.call("GET", "/api/rig/moments?of=../x"))[0] == 400


async def test_a_pack_is_downloaded_and_opened_again(stage: Any) -> None:
    async with stage.session.get(stage.base + "/api/pack") as response:
        raw = await response.read()
        assert response.status == 200
        assert response.content_type == "application/zip"
        assert 'filename="low-tide.zip"' in response.headers["Content-Disposition"]
    with zipfile.ZipFile(io.BytesIO(raw)) as found:
        assert found.testzip() is None
        assert "set.yaml" in found.namelist()
        assert not any(str(stage.folder).encode() in found.read(name) for name in found.namelist())
    status, answer = await upload(stage, raw)
    assert status == 200
    assert {row["how"] for row in answer["fits"]} == {"same"}
    assert answer["file"] == "low-tide-2.yaml"
    text = (stage.folder / "low-tide-2.yaml").read_text(encoding="utf-8")
    assert text == (stage.folder / "low-tide.yaml").read_text(encoding="utf-8")
    body = {"file": "low-tide-2.yaml", "when": "step"}
    assert (await stage.call("POST", "/api/set/open", body))[0] == 200


def sets(stage: Any) -> list[str]:
    return sorted(path.name for path in stage.folder.glob("*.yaml"))


def stranger() -> bytes:
    rig = parse_rig("rig: Loft\ninterfaces: {box: {profile: eight-gates-four-cv}}\n")
    document = parse_set("set: Ebb\nlanes: {kick: {steps: x.x., out: box.gate-3}}\n", "x", rig)
    return pack_bytes(gather(rig, document, "<script>alert(1)</script>"))


async def test_a_pack_for_another_rig_is_asked_about_before_anything_is_written(stage: Any) -> None:
    before = sets(stage)
    status, answer = await upload(stage, stranger())
    assert (status, answer["file"], answer["rig"]) == (200, None, "Loft")
    (row,) = answer["fits"]
    assert (row["to"], row["how"]) == ("main.gate-3", "suggested")
    assert "which has that name on another interface" in row["words"]
    assert sets(stage) == before
    status, answer = await upload(stage, stranger(), "?accept=yes")
    assert (status, answer["file"]) == (200, "ebb.yaml")
    assert "out: main.gate-3" in (stage.folder / "ebb.yaml").read_text(encoding="utf-8")
    # What was said is known the next time, also without being told again.
    status, answer = await upload(stage, stranger())
    assert (answer["file"], answer["fits"][0]["how"]) == ("ebb-2.yaml", "said")


async def test_what_is_no_good_pack_is_refused_in_words(stage: Any) -> None:
    before = sets(stage)
    status, problem = await upload(stage, b"set: x\n")
    assert status == 422
    assert "is not a zip archive" in problem["problems"][0]["message"]
    status, problem = await upload(stage, archive([Entry("../../set.yaml", b"x")]))
    assert status == 422
    assert "leads out of the archive" in problem["problems"][0]["message"]
    assert (await upload(stage, stranger(), headers={"Content-Type": "text/plain"}))[0] == 415
    assert await announced(stage, (4 << 20) + 1) == 413
    assert (await upload(stage, stranger(), "?accept=perhaps"))[0] == 400
    assert sets(stage) == before

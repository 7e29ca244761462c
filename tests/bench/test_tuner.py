"""Tuning over HTTP: a ladder, readings, what they come to, and what the player is told."""

from __future__ import annotations

from typing import Any

import pytest

from bridge.files.rig import load_rig
from bridge.files.tuning import load_tuning

OUT = "main.pitch-1"
GAIN, OFFSET = 0.99, 0.02  # of the synthetic interface the readings are taken from


async def begin(stage: Any, **body: Any) -> dict[str, Any]:
    # A player that has just come is given the tunings of the file first.
    await stage.until(lambda: not stage.service.tuner._tasks)
    body = {"output": OUT, "every": 12} | body
    status, session, _ = await stage.call("POST", "/api/tuning/session", body)
    assert status == 200, session
    return session  # type: ignore[no-any-return]


async def read(stage: Any, note: int, text: str) -> tuple[int, Any]:
    status, answer, _ = await stage.call(
        "PUT", "/api/tuning/session/readings", {"note": note, "text": text}
    )
    return status, answer


async def measure(stage: Any, session: dict[str, Any]) -> dict[str, Any]:
    """Readings of an interface that is wrong by a line: volts = OFFSET + GAIN * asked."""
    out = load_rig(stage.folder / "rig.yaml").wired[OUT].output
    answer: dict[str, Any] = {}
    for row in session["notes"]:
        # 1 V/oct: volts = (note - reference) / 12 above the reference volts.
        asked = out.reference_volts + (row["note"] - out.reference_note) / 12
        status, answer = await read(stage, row["note"], f"{OFFSET + GAIN * asked:.6f} V")
        assert status == 200
    return answer


async def test_an_output_is_tuned_and_the_player_uses_it_at_once(stage: Any) -> None:
    session = await begin(stage)
    assert stage.player.tunings[-1] == {"do": "correct", "output": OUT, "correction": None}
    assert "at least 2 readings" in session["says"]
    assert session["result"] is None
    answer = await measure(stage, session)
    result = answer["result"]
    assert result["offset_mv"] == pytest.approx(1000 * OFFSET, abs=2.0)
    assert result["gain"] == pytest.approx(GAIN, abs=1e-3)
    # 1 V/oct: 20 mV are 24 cents; the worst end is off by 10 mV a volt more.
    assert result["worst_before"] > 20
    rows = result["rows"]
    assert max(abs(row["after"] - row["missed"]) for row in rows) < 2.4  # 2 mV
    # The two ends stay off: lower than 0 V and higher than 8 V it cannot go.
    ends = [1200 * OFFSET, 1200 * (8 * GAIN + OFFSET - 8)]
    assert [rows[0]["missed"], rows[-1]["missed"]] == pytest.approx(ends, abs=2.4)
    assert result["doubts"] == []
    assert len(result["rows"]) == len(session["notes"])
    status, kept, _ = await stage.call("POST", "/api/tuning/session/keep")
    assert (status, kept["output"], kept["file"]) == (200, OUT, "rig.tuning.yaml")
    told = stage.player.tunings[-1]
    assert told["correction"]["gain"] == pytest.approx(GAIN, abs=1e-3)
    assert told["correction"]["made"] == kept["made"]
    written = load_tuning(stage.folder / "rig.yaml")[OUT]
    assert written.correction.gain == pytest.approx(told["correction"]["gain"], abs=1e-6)
    _, listed, _ = await stage.call("GET", "/api/tuning")
    assert listed["session"] is None
    row = next(row for row in listed["outputs"] if row["output"] == OUT)
    assert (row["made"], row["points"]) == (kept["made"], len(session["notes"]))
    status, undone, _ = await stage.call("POST", "/api/tuning/undo", {"output": OUT})
    assert (status, undone["made"]) == (200, "")
    assert stage.player.tunings[-1]["correction"] is None
    assert load_tuning(stage.folder / "rig.yaml") == {}


async def test_ending_a_session_brings_back_what_was_kept(stage: Any) -> None:
    await measure(stage, await begin(stage))
    assert (await stage.call("POST", "/api/tuning/session/keep"))[0] == 200
    kept = stage.player.tunings[-1]
    await begin(stage)
    untuned = stage.player.tunings[-1]
    assert untuned["correction"] is None
    assert (await stage.call("DELETE", "/api/tuning/session"))[0] == 200
    told = stage.player.tunings[-1]["correction"]
    assert told["gain"] == pytest.approx(kept["correction"]["gain"], abs=1e-6)
    assert (await stage.call("DELETE", "/api/tuning/session"))[0] == 409


async def test_a_note_sounds_and_is_silenced(stage: Any) -> None:
    session = await begin(stage)
    note = session["notes"][1]["note"]
    status, answer, _ = await stage.call("PUT", "/api/tuning/session/sound", {"note": note})
    assert (status, answer["sounding"]) == (200, note)
    assert stage.player.received == [
        {"do": "try", "output": OUT, "action": "pitch", "value": float(note)}
    ]
    status, answer, _ = await stage.call("PUT", "/api/tuning/session/sound", {"note": None})
    assert (status, answer["sounding"]) == (200, None)
    assert stage.player.received[-1]["action"] == "pitch"
    status, problem, _ = await stage.call("PUT", "/api/tuning/session/sound", {"note": 5})
    assert (status, problem["kind"]) == (404, "unknown")


async def test_readings_are_refused_in_plain_words_and_forgotten(stage: Any) -> None:
    session = await begin(stage)
    note, other = session["notes"][0]["note"], session["notes"][1]["note"]
    status, problem = await read(stage, note, "two volts")
    assert (status, problem["kind"]) == (422, "value")
    assert "is not a reading" in problem["detail"]
    status, answer = await read(stage, note, "1.000 V")
    assert answer["notes"][0] == {
        "note": note,
        "name": answer["notes"][0]["name"],
        "text": "1.000 V",
        "volts": 1.0,
    }
    status, problem = await read(stage, other, "440 Hz")
    assert (status, "the same way" in problem["detail"]) == (422, True)
    status, answer = await read(stage, note, "")
    assert (status, answer["notes"][0]["volts"]) == (200, None)
    status, problem, _ = await stage.call("POST", "/api/tuning/session/keep")
    assert (status, problem["kind"]) == (409, "state")
    assert not (stage.folder / "rig.tuning.yaml").exists()


async def test_what_cannot_be_tuned_is_refused(stage: Any) -> None:
    for output, status in (("main.gate-1", 422), ("main.pitch-9", 404)):
        got, _, _ = await stage.call("POST", "/api/tuning/session", {"output": output})
        assert got == status
    await begin(stage)
    got, problem, _ = await stage.call("POST", "/api/tuning/session", {"output": "main.pitch-2"})
    assert (got, problem["kind"]) == (409, "state")
    got, problem, _ = await stage.call("POST", "/api/tuning/undo", {"output": "main.pitch-2"})
    assert (got, problem["detail"]) == (409, "main.pitch-2 has no tuning to undo")


async def test_a_running_song_is_not_tuned_into(stage: Any) -> None:
    await begin(stage)
    await stage.call("POST", "/api/transport/start")
    await stage.until(lambda: stage.service.tuner.session is None)
    status, problem, _ = await stage.call("POST", "/api/tuning/session", {"output": OUT})
    assert (status, problem["kind"]) == (409, "state")
    assert "stop the song" in problem["detail"]


async def test_a_new_player_is_given_the_tunings_again(stage: Any) -> None:
    await measure(stage, await begin(stage))
    await stage.call("POST", "/api/tuning/session/keep")
    await stage.player.stop()
    await stage.until(lambda: not stage.service.link.present)
    stage.player.tunings.clear()
    await stage.player.start()
    await stage.until(lambda: len(stage.player.tunings) == 2)
    told = {row["output"]: row.get("correction") for row in stage.player.tunings}
    assert told[OUT]["gain"] == pytest.approx(GAIN, abs=1e-3)
    assert told["main.pitch-2"] is None


async def test_all_pages_see_the_session(stage: Any) -> None:
    async with stage.page() as page:
        first = await page.next()
        assert first["state"]["tuning"] is None
        await begin(stage)
        await page.wait(lambda m: "tuning" in m.get("patch", {}))
        assert page.state["tuning"]["output"] == OUT


async def test_a_doubtful_tuning_is_kept_only_by_saying_so(stage: Any) -> None:
    """The second reading is an octave off."""
    await begin(stage)
    for note, text in ((24, "0.0 V"), (60, "4.0 V"), (120, "8.0 V"), (36, "2.0 V")):
        body = {"note": note, "text": text}
        status, session, _ = await stage.call("PUT", "/api/tuning/session/readings", body)
        assert status == 200, session
    assert session["result"]["doubts"]
    status, problem, _ = await stage.call("POST", "/api/tuning/session/keep")
    assert (status, problem["kind"]) == (409, "state")
    assert problem["detail"].startswith("not kept: ")
    assert not list(stage.folder.rglob("*.tuning.yaml"))
    assert (await stage.call("POST", "/api/tuning/session/keep", {"doubtful": True}))[0] == 200
    assert list(stage.folder.rglob("*.tuning.yaml"))

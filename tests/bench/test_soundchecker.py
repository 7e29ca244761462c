"""Soundcheck over HTTP: what is played, how it ends, what is reported."""

from __future__ import annotations

import asyncio
import itertools
from typing import Any

import pytest

from bridge.bench.checklist import FULL, QUIET, plan


@pytest.fixture
async def bench(stage: Any) -> Any:
    """A stage on which waiting takes one turn of the loop, and nothing is paced."""
    waits: list[float] = []

    async def sleep(seconds: float) -> None:
        waits.append(seconds)
        await asyncio.sleep(0)

    stage.service.bench.sleep = sleep
    stage.service.control._pacer._pace_s = 0.0
    stage.waits = waits
    return stage


@pytest.fixture
async def held(stage: Any) -> Any:
    """A stage on which what plays stays where it is until something ends it."""

    async def sleep(seconds: float) -> None:
        await asyncio.Event().wait()

    stage.service.bench.sleep = sleep
    return stage


async def begin(stage: Any, *outputs: str) -> Any:
    body: dict[str, Any] = {"monitors_down": True}
    if outputs:
        body["outputs"] = list(outputs)
    status, check, _ = await stage.call("POST", "/api/soundcheck", body)
    assert status == 200, check
    return check


async def play(stage: Any, output: str, **more: Any) -> None:
    status, check, _ = await stage.call("POST", "/api/soundcheck/play", {"output": output} | more)
    assert (status, check["playing"]) == (200, output)
    work = stage.service.soundchecker._work
    await stage.until(lambda: work.done())  # the output is at rest again
    assert stage.service.soundchecker.check.playing is None


async def test_nothing_sounds_before_somebody_has_turned_the_monitors_down(stage: Any) -> None:
    for body in ({}, {"monitors_down": False}):
        assert (await stage.call("POST", "/api/soundcheck", body))[0] == 422
    status, problem, _ = await stage.call("POST", "/api/soundcheck/play", {"output": "main.gate-1"})
    assert (status, problem["kind"]) == (409, "state")
    _, answer, _ = await stage.call("GET", "/api/soundcheck")
    assert "hearing" in answer["caution"]
    assert answer["check"] is None


async def test_a_gate_pulses_quietly_first_and_then_as_loud_as_asked(bench: Any) -> None:
    await begin(bench, "main.gate-1", "main.pitch-1")
    for loud, level in ((False, QUIET), (True, FULL)):
        bench.player.received.clear()
        bench.waits.clear()
        await play(bench, "main.gate-1", loud=loud)
        values = [command["value"] for command in bench.player.received]
        assert values == [level, 0.0] * 4 + [0.0]
        moves = plan(bench.service.session.rig.wired["main.gate-1"].output, loud)
        assert sum(bench.waits) == pytest.approx(moves[-1].at_ms / 1000)


async def test_a_level_sweeps_and_goes_back_to_rest(bench: Any) -> None:
    await begin(bench, "main.level-1")
    await play(bench, "main.level-1")
    out = bench.service.session.rig.wired["main.level-1"].output
    values = [command["value"] for command in bench.player.received]
    assert max(values) == pytest.approx(out.rest + 0.25 * (out.high - out.rest))
    assert values[-1] == out.rest
    assert {command["action"] for command in bench.player.received} == {"level"}


async def test_a_pitch_goes_octave_by_octave(bench: Any) -> None:
    await begin(bench, "main.gate-1", "main.pitch-1")
    await play(bench, "main.pitch-1")
    notes = [command["value"] for command in bench.player.received][:-2]
    assert all(b - a == 12 for a, b in itertools.pairwise(notes))


async def test_what_plays_is_ended_by_silence_by_another_and_by_the_song(held: Any) -> None:
    stage = held
    await begin(stage, "main.gate-1", "main.gate-2", "main.gate-3")
    await stage.call("POST", "/api/soundcheck/play", {"output": "main.gate-1"})
    await stage.call("POST", "/api/soundcheck/play", {"output": "main.gate-2"})
    assert stage.service.soundchecker.check.playing == "main.gate-2"
    closes = {"do": "try", "output": "main.gate-1", "action": "gate", "value": 0.0}
    await stage.until(lambda: closes in stage.player.received)
    assert (await stage.call("POST", "/api/soundcheck/stop"))[0] == 200
    assert stage.service.soundchecker.check.playing is None
    await stage.call("POST", "/api/soundcheck/play", {"output": "main.gate-3"})
    await stage.call("POST", "/api/transport/start")
    await stage.until(lambda: stage.service.soundchecker.check.playing is None)
    status, problem, _ = await stage.call("POST", "/api/soundcheck/play", {"output": "main.gate-1"})
    assert (status, "stop the song" in problem["detail"]) == (409, True)


async def test_the_report_says_what_failed(stage: Any) -> None:
    check = await begin(stage, "main.gate-1", "main.gate-2", "main.level-1")
    assert [row["output"] for row in check["outputs"]] == [
        "main.gate-1",
        "main.gate-2",
        "main.level-1",
    ]
    assert check["outputs"][0]["says"] == "main.gate-1 (gate): four pulses at: kick voice"
    for output, answer in (
        ("main.gate-1", "yes"),
        ("main.gate-2", "no"),
        ("main.level-1", "skip"),
        ("main.level-1", None),
    ):
        body = {"output": output, "answer": answer}
        assert (await stage.call("PUT", "/api/soundcheck/answers", body))[0] == 200
    _, answer, _ = await stage.call("GET", "/api/soundcheck")
    lines = answer["report"].splitlines()
    assert lines[0].startswith("Soundcheck of Quay rack")
    assert lines[1:] == [
        "yes   main.gate-1  kick voice",
        "NO    main.gate-2  (no cable written down)",
        "open  main.level-1  (no cable written down)",
        "1 arrived, 1 did not arrive, 1 not checked",
    ]
    body = {"output": "main.gate-3", "answer": "yes"}
    assert (await stage.call("PUT", "/api/soundcheck/answers", body))[0] == 404
    body = {"output": "main.gate-1", "answer": "maybe"}
    assert (await stage.call("PUT", "/api/soundcheck/answers", body))[0] == 422
    assert (await stage.call("DELETE", "/api/soundcheck"))[0] == 200
    assert (await stage.call("DELETE", "/api/soundcheck"))[0] == 409


async def test_without_a_choice_it_is_about_the_outputs_that_have_a_cable(stage: Any) -> None:
    """The rig of these tests has one cable."""
    check = await begin(stage)
    assert [row["output"] for row in check["outputs"]] == ["main.gate-1"]

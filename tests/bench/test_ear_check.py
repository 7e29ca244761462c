"""The soundcheck by ear over HTTP: moved through the door, heard in a thread, said in words."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from typing import Any

import pytest
from support.drums import drum
from support.earshot import Earshot
from support.listened import ears_of, hands_of
from support.patience import PATIENCE_S

from bridge.bench.ear_check import EarCheck
from bridge.bench.workbench import Workbench
from bridge.files.sounds import load_sounds

GATES = ("main.gate-1", "main.gate-2")


@pytest.fixture
def world() -> Earshot:
    return Earshot({GATES[0]: drum("kick", 1), GATES[1]: drum("rim", 1)})


@pytest.fixture
async def bench(stage: Any, world: Earshot) -> Any:
    """A stage whose rack is heard: what the player is told strikes the world's drums."""

    def made(bench: Workbench, wanted: str, on_change: Callable[[], None]) -> EarCheck:
        return EarCheck(bench, wanted, on_change, ears_of(world), hands_of(world))

    stage.service.soundchecker.ear_check = made
    stage.service.control._pacer._pace_s = 0.0
    return stage


async def begin(stage: Any, *outputs: str) -> None:
    body = {"monitors_down": True, "outputs": list(outputs)}
    assert (await stage.call("POST", "/api/soundcheck", body))[0] == 200


async def listen(stage: Any, wanted: str = "ears") -> dict[str, Any]:
    """Listens to the end; what there is to see then."""
    status, check, _ = await stage.call("POST", "/api/soundcheck/listen", {"input": wanted})
    assert status == 200, check
    assert check["listening"]["running"]
    return await ended(stage)


async def ended(stage: Any) -> dict[str, Any]:
    ears = stage.service.soundchecker.check.ears
    await stage.until(lambda: not ears.running)
    _, answer, _ = await stage.call("GET", "/api/soundcheck")
    listening: dict[str, Any] = answer["check"]["listening"]
    return listening


async def test_what_is_heard_is_said_and_kept_when_all_is_well(bench: Any) -> None:
    await begin(bench, *GATES)
    found = await listen(bench)
    assert [row["output"] for row in found["heard"]] == list(GATES)
    assert all(row["good"] and "heard after" in row["says"] for row in found["heard"])
    assert found["complete"]
    assert found["kept"]
    assert set(load_sounds(bench.folder / "rig.yaml")) == set(GATES)
    values = [c["value"] for c in bench.player.received if c.get("output") == GATES[0]]
    assert max(values) == pytest.approx(0.3)  # quiet was enough
    assert values[-1] == 0.0
    _, answer, _ = await bench.call("GET", "/api/soundcheck")
    assert "Heard on ears:" in answer["report"]


async def test_swapped_cables_are_kept_only_when_a_person_says_so(
    bench: Any, world: Earshot
) -> None:
    await begin(bench, *GATES)
    await listen(bench)
    before = load_sounds(bench.folder / "rig.yaml")
    world.drums = {GATES[0]: world.drums[GATES[1]], GATES[1]: world.drums[GATES[0]]}
    found = await listen(bench)
    assert sum("cables swapped?" in line for line in found["summary"]) == 2
    assert not found["kept"]
    assert load_sounds(bench.folder / "rig.yaml") == before
    status, check, _ = await bench.call("POST", "/api/soundcheck/keep")
    assert (status, check["listening"]["kept"]) == (200, True)
    assert load_sounds(bench.folder / "rig.yaml") != before


async def test_an_input_that_is_not_there_or_goes_away_is_said(bench: Any, world: Earshot) -> None:
    await begin(bench, *GATES)
    found = await listen(bench, "violin")
    assert found["summary"] == ["there is no audio input violin; audio inputs: ears"]
    world.dead_after_s = 3.2
    found = await listen(bench)
    assert len(found["heard"]) == 1
    assert "was it pulled out?" in found["summary"][0]
    assert not found["complete"]
    status, problem, _ = await bench.call("POST", "/api/soundcheck/keep")
    assert (status, problem["kind"]) == (409, "state")
    assert bench.player.received[-1]["value"] == 0.0


@pytest.mark.parametrize("end", ["/api/soundcheck/stop", "/api/transport/start"])
async def test_silence_and_the_song_end_it(bench: Any, world: Earshot, end: str) -> None:
    """The first strike is held up until somebody has ended the check."""
    loop, reached, go = asyncio.get_running_loop(), asyncio.Event(), threading.Event()
    strike = world.open

    def struck(output: str, level: float) -> int:
        loop.call_soon_threadsafe(reached.set)
        assert go.wait(PATIENCE_S)
        return strike(output, level)

    world.open = struck  # type: ignore[method-assign]
    await begin(bench, *GATES)
    assert (await bench.call("POST", "/api/soundcheck/listen", {"input": "ears"}))[0] == 200
    ears = bench.service.soundchecker.check.ears
    await reached.wait()
    ending = asyncio.create_task(bench.call("POST", end))
    await bench.until(ears.hands.stop.is_set)
    go.set()
    assert (await ending)[0] == 200
    found = await ended(bench)
    assert not found["complete"]
    assert found["heard"] == []
    assert not found["kept"]


async def test_it_waits_for_the_song_to_stand(bench: Any) -> None:
    await begin(bench, *GATES)
    await bench.call("POST", "/api/transport/start")
    await bench.until(lambda: not bench.service.bench.stands)
    status, problem, _ = await bench.call("POST", "/api/soundcheck/listen", {"input": "ears"})
    assert (status, "stop the song" in problem["detail"]) == (409, True)


async def test_nothing_is_listened_to_before_a_check_has_begun(bench: Any) -> None:
    status, problem, _ = await bench.call("POST", "/api/soundcheck/listen", {"input": "ears"})
    assert (status, problem["kind"]) == (409, "state")
    await begin(bench, *GATES)
    status, problem, _ = await bench.call("POST", "/api/soundcheck/keep")
    assert (status, problem["detail"]) == (409, "nothing was listened to")

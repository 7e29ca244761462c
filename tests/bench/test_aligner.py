"""Lining up over HTTP: struck through the door, heard in a thread, written only when told to."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from support.drums import RATE, Drum
from support.earshot import Earshot
from support.listened import ears_of, hands_of
from support.patience import PATIENCE_S

from bridge.files.rig import load_rig
from bridge.listen import wrong
from bridge.listen.audio import Block, Samples

RIG = """\
rig: Quay rack   # by the door
interfaces:
  main: {profile: eight-gates-four-cv, port: simulated, cables: {gate-1: kick voice}}
  side:
    profile: eight-gates-four-cv
    port: simulated
    latency_ms: 1
    cables: {gate-1: rim voice, gate-2: {to: bell voice, notes: long decay}}
clock: {follow: Recorder, offset_ms: -3}
"""
LATE = {"main.gate-1": 2.0, "side.gate-1": 9.5, "side.gate-2": 12.3}
BODY = {"input": "ears", "monitors_down": True, "hits": 3}


@pytest.fixture
def folder(folder: Path) -> Path:
    (folder / "rig.yaml").write_text(RIG)
    return folder


@pytest.fixture
def world() -> Earshot:
    names = list(LATE)
    return Earshot(
        {
            names[0]: Drum("click", 2500.0, 12.0, 0.3, LATE[names[0]]),
            names[1]: Drum("rim", 450.0, 60.0, 0.3, LATE[names[1]]),
            names[2]: Drum("bell", 550.0, 150.0, 0.3, LATE[names[2]]),
        }
    )


@pytest.fixture
async def bench(stage: Any, world: Earshot) -> Any:
    aligner = stage.service.aligner
    aligner.ears, aligner.make_hands = ears_of(world), hands_of(world)
    stage.service.control._pacer._pace_s = 0.0
    return stage


async def call(stage: Any, word: str, body: Any = None, method: str = "POST") -> tuple[int, Any]:
    status, answer, _ = await stage.call(method, f"/api/align/{word}".rstrip("/"), body)
    return status, answer


async def ended(stage: Any) -> dict[str, Any]:
    await stage.until(lambda: not stage.service.aligner.running)
    _, answer = await call(stage, "", method="GET")
    found: dict[str, Any] = answer["align"]
    return found


async def listened(stage: Any, **more: Any) -> dict[str, Any]:
    status, state = await call(stage, "voices", BODY | more)
    assert (status, state["running"], state["hears"]) == (200, True, "voices"), state
    return await ended(stage)


async def test_voices_are_heard_shown_before_and_after_and_written_when_told(bench: Any) -> None:
    """Latencies of the voices are those that the drums were made with."""
    path = bench.folder / "rig.yaml"
    found = await listened(bench)
    assert [row["output"] for row in found["heard"]] == list(LATE)
    assert all(row["good"] for row in found["heard"])
    assert found["heard"][1]["says"].startswith("side.gate-1, rim voice: 9.5")
    assert found["proposed"][:3] == [
        "main: latency_ms 0 -> 0",
        "side: latency_ms 1 -> 7.5",
        "side.gate-2, bell voice: latency_ms 0 -> 2.8",
    ]
    # Sent 1 ms early by the rig as it is, the two on that interface are 6.5 and 9.3 ms late.
    assert found["before_ms"] == pytest.approx(12.3 - 2.0 - 1.0, abs=0.15)
    assert found["after_ms"] <= 0.2
    assert (found["complete"], found["changes"], found["applied"]) == (True, True, False)
    assert path.read_text() == RIG
    assert bench.player.received[-1]["value"] == 0.0
    status, found = await call(bench, "apply")
    assert (status, found["applied"]) == (200, True)
    rig = load_rig(path)
    assert rig.interfaces["side"].latency_ms == pytest.approx(7.5, abs=0.1)
    assert rig.interfaces["side"].voice_ms == {"side.gate-2": pytest.approx(2.8, abs=0.15)}
    assert rig.cables["side.gate-2"].notes == "long decay"
    assert "# by the door" in path.read_text()
    assert len(list((bench.folder / "backups").iterdir())) == 1
    status, problem = await call(bench, "apply")
    assert (status, problem["detail"]) == (409, "there is nothing to be changed")
    # Heard again before the next start: the file is what it is compared with.
    found = await listened(bench)
    assert found["says"] == ["Nothing is to be changed."]
    assert not found["changes"]
    assert (await call(bench, "", method="DELETE"))[0] == 200
    assert (await call(bench, "", method="GET"))[1]["align"] is None


async def test_it_moves_nothing_before_the_monitors_are_down(bench: Any) -> None:
    status, _ = await call(bench, "voices", {"input": "ears"})
    assert status == 422
    assert not any(command["do"] == "try" for command in bench.player.received)


async def test_what_was_heard_before_the_device_was_pulled_out_stays_and_is_not_applied(
    bench: Any, world: Earshot
) -> None:
    world.dead_after_s = 4.5
    found = await listened(bench)
    assert found["heard"][0]["output"] == "main.gate-1"
    assert len(found["heard"]) < 3
    assert "was it pulled out?" in found["says"][0]
    assert found["says"][-1] == "What was heard is not applied."
    assert (found["complete"], found["proposed"]) == (False, [])
    status, problem = await call(bench, "apply")
    assert (status, problem["kind"]) == (409, "state")
    assert bench.player.received[-1]["value"] == 0.0
    assert load_rig(bench.folder / "rig.yaml").interfaces["side"].latency_ms == 1


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"gain": 0.0}, "brings digital silence"),
        ({"gain": 90.0}, "clips"),
        ({"drums": dict.fromkeys(LATE)}, "only noise|nothing is heard|only hum"),
        ({"loses": lambda block: block % 40 == 0}, "lost again and again"),
    ],
)
async def test_an_input_that_cannot_be_used_is_said(
    bench: Any, world: Earshot, change: dict[str, Any], says: str
) -> None:
    for name, value in change.items():
        setattr(world, name, value)
    found = await listened(bench)
    assert any(word in found["says"][0] for word in says.split("|")), found["says"]
    assert not found["complete"]
    assert (await call(bench, "apply"))[0] == 409
    opened = [c for c in bench.player.received if c.get("action") == "gate"]
    assert not opened or opened[-1]["value"] == 0.0


async def test_an_input_that_is_not_there_is_said(bench: Any) -> None:
    found = await listened(bench, input="violin")
    assert found["says"][0] == "ended early: there is no audio input violin; audio inputs: ears"


@pytest.mark.parametrize("end", ["/api/align/stop", "/api/transport/start"])
async def test_silence_and_the_song_end_it(bench: Any, world: Earshot, end: str) -> None:
    loop, reached, go = asyncio.get_running_loop(), asyncio.Event(), threading.Event()
    strike = world.open

    def struck(output: str, level: float) -> int:
        loop.call_soon_threadsafe(reached.set)
        assert go.wait(PATIENCE_S)
        return strike(output, level)

    world.open = struck  # type: ignore[method-assign]
    assert (await call(bench, "voices", BODY))[0] == 200
    await reached.wait()
    ending = asyncio.create_task(bench.call("POST", end))
    hands = bench.service.aligner.hands
    await bench.until(hands.stop.is_set)
    go.set()
    assert (await ending)[0] == 200
    found = await ended(bench)
    assert found["says"][0] == "ended early: stopped"
    assert found["heard"] == []


async def test_the_bench_is_used_by_one_at_a_time(bench: Any, world: Earshot) -> None:
    """While voices are struck nothing else sounds by way of the bench, and the other way round."""
    loop, reached, go = asyncio.get_running_loop(), asyncio.Event(), threading.Event()
    strike = world.open

    def struck(output: str, level: float) -> int:
        loop.call_soon_threadsafe(reached.set)
        assert go.wait(PATIENCE_S)
        return strike(output, level)

    world.open = struck  # type: ignore[method-assign]
    assert (await call(bench, "voices", BODY))[0] == 200
    await reached.wait()
    status, problem = await call(bench, "voices", BODY)
    assert (status, problem["detail"]) == (409, "it is listening already")
    await bench.call("POST", "/api/soundcheck", {"monitors_down": True})
    status, problem, _ = await bench.call("POST", "/api/soundcheck/play", {"output": "main.gate-1"})
    assert (status, problem["detail"]) == (409, "voices are being lined up; end that first")
    await bench.call("POST", "/api/tuning/session", {"output": "main.pitch-1"})
    status, _, _ = await bench.call("POST", "/api/tuning/session/listen", {"input": "ears"})
    assert status == 409
    bench.service.aligner.end()
    go.set()
    await ended(bench)
    sleeping = asyncio.Event()

    async def sleep(seconds: float) -> None:
        sleeping.set()
        await asyncio.Event().wait()

    bench.service.bench.sleep = sleep
    status, _, _ = await bench.call("POST", "/api/soundcheck/play", {"output": "main.gate-1"})
    assert status == 200
    await sleeping.wait()
    status, problem = await call(bench, "voices", BODY)
    assert (status, problem["detail"]) == (409, "the soundcheck sounds an output; end that first")
    await bench.call("POST", "/api/soundcheck/stop")
    bench.player.running = "running"
    bench.player.play_to(0)
    await bench.until(lambda: not bench.service.bench.stands)
    status, problem = await call(bench, "voices", BODY)
    assert (status, "stop the song first" in problem["detail"]) == (409, True)


async def test_a_player_that_does_not_say_when_it_struck_ends_it(
    bench: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("bridge.bench.workbench.LEFT_S", 0.01)
    bench.player.encoder = None
    found = await listened(bench)
    assert found["says"][0] == "ended early: the player does not say when main.gate-1 was struck"


async def test_the_time_of_a_strike_is_the_one_that_the_player_tells(bench: Any) -> None:
    service = bench.service
    wired = service.bench.output("side.gate-2")
    before = time.monotonic_ns()
    sent = await service.bench.strike(wired, 0.3, "left", 100.0)
    assert before <= sent <= time.monotonic_ns()
    told = 12_345_678_901_234
    bench.player._strike = lambda encoder, output, level: bench.player.tell(
        {
            "type": "played",
            "sent": [
                [told - 1, "side", "993860"],  # another gate
                [told, "side", "992560"],
            ],
        }
    )
    assert await service.bench.strike(wired, 0.3, "left", 100.0) == told


# --- a host's click ----------------------------------------------------------------------------


class ClickEar:
    """An input with a click on each beat of 120 a minute, `late_ms` after it; the first beat is at
    `begun`, as the player reports it."""

    name, rate = "clicks", RATE

    def __init__(self, begun_ns: int, late_ms: float, seconds: float = 22.0) -> None:
        self.begun_ns = begun_ns
        line = np.random.default_rng(1).normal(0.0, 1e-3, round(seconds * RATE))
        for beat in range(int(2 * seconds) - 1):
            at = round((0.5 * beat + late_ms / 1e3) * RATE)
            line[at : at + 300] += 0.4 * np.sin(np.arange(300) * 0.5 + 1.5)
        self.line: Samples = line.astype(np.float32)
        self.firsts = iter(range(0, len(line), 4800))

    def __enter__(self) -> ClickEar:
        return self

    def __exit__(self, *told: object) -> None:
        """Nothing is held."""

    def close(self) -> None:
        """Nothing is held."""

    def blocks(self) -> Iterator[Block]:
        for first in self.firsts:
            ns = self.begun_ns + round(first * 1e9 / RATE)
            yield Block(first, ns, self.line[first : first + 4800])
        raise wrong.gone(self.name)


def follows(stage: Any, begun_ns: int) -> None:
    """The player follows a host of 120 a minute whose first beat is at `begun_ns`, and says where
    the song is twice a second, for half a minute."""
    state = stage.player.state()
    for half in range(60):
        state["transport"] = {
            "state": "running",
            "tick": 960.0 * half,
            "bar": 1 + half // 4,
            "beat": 1 + half % 4,
            "tempo": 120.0,
            "at_ms": begun_ns / 1e6 + 500.0 * half,
        }
        state["clock"] = {**state["clock"], "source": "Recorder", "state": "locked"}
        stage.player.tell({"type": "state", **state})


async def test_the_rack_is_put_on_the_click_of_the_host(bench: Any, world: Earshot) -> None:
    """The click comes 20 ms after the clock, and the earliest voice is 2 ms late: 18 ms later."""
    await listened(bench)
    bench.player.source = "Recorder"
    bench.player.play_to(0)
    await bench.until(lambda: bench.state["clock"]["source"] == "Recorder")
    begun = time.monotonic_ns()
    aligner = bench.service.aligner
    told = threading.Event()

    def ears(wanted: str, channel: int) -> ClickEar:
        assert (wanted, channel) == ("clicks", 2)
        assert told.wait(PATIENCE_S)
        return ClickEar(begun, 20.0)

    class Hands(hands_of(world)):  # type: ignore[misc]
        def now_ns(self) -> int:
            return begun

    aligner.ears, aligner.make_hands = ears, Hands
    status, state = await call(bench, "click", {"input": "clicks", "channel": 2, "seconds": 15})
    assert (status, state["hears"], state["running"]) == (200, "click", True), state
    follows(bench, begun)
    await bench.until(lambda: bench.state["transport"]["tick"] == 960.0 * 59)
    told.set()
    found = await ended(bench)
    assert found["offset"], found["says"]
    assert any(line.startswith("clock: offset_ms -3 -> 1") for line in found["proposed"])
    assert (await call(bench, "apply"))[0] == 200
    rig = load_rig(bench.folder / "rig.yaml")
    assert rig.clock.offset_ms == pytest.approx(18.0, abs=0.2)
    assert rig.interfaces["side"].latency_ms == pytest.approx(7.5, abs=0.1)


async def test_no_click_leaves_the_latencies_as_they_were_proposed(
    bench: Any, world: Earshot
) -> None:
    status, problem = await call(bench, "click", {"input": "ears"})
    assert (status, "listened to first" in problem["detail"]) == (409, True)
    await listened(bench)
    status, problem = await call(bench, "click", {"input": "ears"})
    assert (status, "follows no host" in problem["detail"]) == (422, True)
    bench.player.source = "Recorder"
    bench.player.play_to(0)
    await bench.until(lambda: bench.state["clock"]["source"] == "Recorder")
    status, _ = await call(bench, "click", {"input": "ears", "seconds": 5})
    assert status == 200
    found = await ended(bench)
    assert found["says"] == [
        "no offset: the player followed no clock meanwhile: does the host run?"
    ]
    assert found["complete"]
    bench.service.aligner._today = lambda: datetime(2026, 5, 4)
    assert (await call(bench, "apply"))[0] == 200
    rig = load_rig(bench.folder / "rig.yaml")
    assert rig.clock.offset_ms == -3.0
    assert rig.interfaces["side"].latency_ms == pytest.approx(7.5, abs=0.1)


async def test_a_rig_file_that_is_gone_is_said_and_nothing_is_taken_for_applied(bench: Any) -> None:
    await listened(bench)
    (bench.folder / "rig.yaml").unlink()
    status, problem = await call(bench, "apply")
    assert status == 409
    assert problem["detail"] == "the rig file: cannot be read: no such file or directory"
    assert not (await ended(bench))["applied"]

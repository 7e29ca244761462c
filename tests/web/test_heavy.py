"""Work that takes long is done once for all who ask, one at a time, and given up when all left."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Iterator
from types import SimpleNamespace
from typing import Any

import pytest

from bridge.control.threads import in_thread
from bridge.errors import CommandError
from bridge.files.set import parse_set
from bridge.session.texts import weighed
from bridge.web.heavy import KEPT_MAX, WAITING_MAX, Heavy


def client() -> Any:
    return SimpleNamespace(transport=object())


async def test_the_same_is_made_once_and_kept() -> None:
    heavy: Heavy[int] = Heavy()
    made = []

    async def make() -> int:
        made.append(1)
        await asyncio.sleep(0)
        return 7

    assert await asyncio.gather(*(heavy.get(client(), "a", make) for _ in range(20))) == [7] * 20
    assert await heavy.get(client(), "a", make) == 7
    assert len(made) == 1
    for number in range(KEPT_MAX):
        await heavy.get(client(), number, make)
    await heavy.get(client(), "a", make)
    assert len(made) == KEPT_MAX + 2


async def test_different_works_are_made_one_at_a_time_and_so_many_wait() -> None:
    heavy: Heavy[None] = Heavy()
    running, go, most = [0], asyncio.Event(), [0]

    async def make() -> None:
        running[0] += 1
        most[0] = max(most[0], running[0])
        await go.wait()
        running[0] -= 1

    tasks = [asyncio.ensure_future(heavy.get(client(), n, make)) for n in range(WAITING_MAX)]
    await asyncio.sleep(0)
    with pytest.raises(CommandError) as busy:
        await heavy.get(client(), "one more", make)
    assert busy.value.kind == "busy"
    go.set()
    await asyncio.gather(*tasks)
    assert most == [1]


async def test_it_goes_on_while_anybody_waits_and_ends_with_the_last(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("bridge.web.heavy.LEFT_LOOK_S", 0.001)
    heavy: Heavy[None] = Heavy()
    ended = []

    async def make() -> None:
        try:
            await asyncio.Event().wait()
        except asyncio.CancelledError:
            ended.append(1)
            raise

    one, two = client(), client()
    tasks = [asyncio.ensure_future(heavy.get(who, "a", make)) for who in (one, two)]
    await asyncio.sleep(0)
    one.transport = None
    with pytest.raises(ConnectionResetError):
        await tasks[0]
    assert not ended
    two.transport = None
    with pytest.raises(ConnectionResetError):
        await tasks[1]
    await asyncio.sleep(0)
    assert ended == [1]

    async def quick() -> None:
        ended.append(2)

    await heavy.get(client(), "a", quick)
    assert ended == [1, 2]  # nothing bars the way afterwards


async def test_a_failure_is_told_to_all_and_not_kept() -> None:
    heavy: Heavy[None] = Heavy()
    calls = []

    async def make() -> None:
        calls.append(1)
        await asyncio.sleep(0)
        raise CommandError("no", "state")

    results = await asyncio.gather(
        *(heavy.get(client(), "a", make) for _ in range(3)), return_exceptions=True
    )
    assert [type(r) for r in results] == [CommandError] * 3
    with pytest.raises(CommandError):
        await heavy.get(client(), "a", make)
    assert len(calls) == 2


async def test_a_thread_that_nobody_waits_for_ends_before_the_next_begins(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("bridge.web.heavy.LEFT_LOOK_S", 0.001)
    heavy: Heavy[str] = Heavy()
    begun, go, order = threading.Event(), threading.Event(), []

    def block() -> str:
        begun.set()
        go.wait(30)
        order.append("first")
        return "first"

    async def second() -> str:
        order.append("second")
        return "second"

    leaves = client()
    first = asyncio.ensure_future(heavy.get(leaves, 1, lambda: in_thread(block)))
    await asyncio.to_thread(begun.wait, 30)
    leaves.transport = None
    with pytest.raises(ConnectionResetError):
        await first
    after = asyncio.ensure_future(heavy.get(client(), 2, second))
    for _ in range(20):
        await asyncio.sleep(0)
    assert order == []
    go.set()
    assert await after == "second"
    assert order == ["first", "second"]


async def test_a_thread_that_fails_after_its_caller_left_is_silent() -> None:
    begun, go = threading.Event(), threading.Event()

    def block() -> None:
        begun.set()
        go.wait(30)
        raise ValueError("nobody hears this")

    task = asyncio.ensure_future(in_thread(block))
    await asyncio.to_thread(begun.wait, 30)
    task.cancel()
    go.set()
    with pytest.raises(asyncio.CancelledError):
        await task


# --- the routes that look at a text -------------------------------------------------------------

Body = Callable[[int], dict[str, Any]]
CHECK: tuple[str, Body] = (
    "/api/set/check",
    lambda n: {"text": f"set: number {n}\nlanes: {{a: {{steps: x.}}}}\n"},
)
PREVIEW: tuple[str, Body] = (
    "/api/set/preview",
    lambda n: {"edits": [{"path": ["lanes", "kick", "euclid", "hits"], "value": n}]},
)
LOOKS = pytest.mark.parametrize(("path", "body"), [CHECK, PREVIEW], ids=["check", "preview"])


class Slow:
    """Looks at a text that go on until `go` is set, and how many did so at once."""

    def __init__(self) -> None:
        self.go = threading.Event()
        self.lock = threading.Lock()
        self.running = self.most = self.begun = 0

    def around(self, function: Callable[..., Any]) -> Callable[..., Any]:
        def slow(*args: Any, **more: Any) -> Any:
            with self.lock:
                self.begun += 1
                self.running += 1
                self.most = max(self.most, self.running)
            self.go.wait(30)
            try:
                return function(*args, **more)
            finally:
                with self.lock:
                    self.running -= 1

        return slow


@pytest.fixture
def slow(monkeypatch: pytest.MonkeyPatch) -> Iterator[Slow]:
    made = Slow()
    monkeypatch.setattr("bridge.session.setbook.weighed", made.around(weighed))
    monkeypatch.setattr("bridge.web.edit_http.parse_set", made.around(parse_set))
    yield made
    made.go.set()


@LOOKS
async def test_texts_are_looked_at_one_at_a_time(
    stage: Any, slow: Slow, path: str, body: Body
) -> None:
    calls = [asyncio.ensure_future(stage.call("POST", path, body(n))) for n in range(1, 5)]
    await stage.until(lambda: slow.begun)
    slow.go.set()
    answers = await asyncio.gather(*calls)
    assert [status for status, _, _ in answers] == [200] * 4
    assert (slow.most, slow.begun) == (1, 4)


@LOOKS
async def test_the_same_text_is_looked_at_once(
    stage: Any, slow: Slow, path: str, body: Body
) -> None:
    slow.go.set()
    answers = [await stage.call("POST", path, body(3)) for _ in range(3)]
    assert [status for status, _, _ in answers] == [200] * 3
    assert answers[0][1] == answers[1][1] == answers[2][1]
    assert slow.begun == 1


@LOOKS
async def test_clients_that_have_left_cost_no_more_than_the_look_that_had_begun(
    stage: Any, slow: Slow, path: str, body: Body, monkeypatch: pytest.MonkeyPatch
) -> None:
    left, get = [], Heavy.get

    async def noted(*args: Any) -> Any:
        try:
            return await get(*args)
        except ConnectionResetError:
            left.append(1)
            raise

    monkeypatch.setattr(Heavy, "get", noted)
    calls = [asyncio.ensure_future(stage.call("POST", path, body(n))) for n in range(1, 7)]
    await stage.until(lambda: slow.begun)
    for call in calls:
        call.cancel()
    await asyncio.gather(*calls, return_exceptions=True)
    await stage.until(lambda: len(left) == 6, "all have left")
    slow.go.set()
    assert (await stage.call("POST", path, body(9)))[0] == 200
    assert slow.begun == 2


async def test_a_preview_follows_the_hands(stage: Any) -> None:
    """What is kept depends on the mutes, too: a lane that is out is drawn as out."""
    path, body = PREVIEW
    assert "out" not in (await stage.call("POST", path, body(5)))[1]["chart"]["lanes"]["kick"]
    await stage.call("PUT", "/api/lanes/kick/mute", {"muted": True})
    await stage.until(lambda: stage.state["lanes"]["kick"]["muted"])
    assert (await stage.call("POST", path, body(5)))[1]["chart"]["lanes"]["kick"]["out"]

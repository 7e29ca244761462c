"""Work that takes long is done once for all who ask, one at a time, and given up when all left."""

from __future__ import annotations

import asyncio
from types import SimpleNamespace
from typing import Any

import pytest

from bridge.errors import CommandError
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

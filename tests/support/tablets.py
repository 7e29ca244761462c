"""Two tablets beyond a bad wireless link, as a program of its own: it runs in another network
namespace. Usage: tablets.py URL TOKEN; prints one JSON object of what it has measured (seconds)."""

from __future__ import annotations

import asyncio
import json
import sys
import time
from collections.abc import Callable
from typing import Any

import aiohttp

ROUNDS = 8
PATIENCE_S = 60.0


class Tablet:
    """A page that follows macros by merge patches."""

    def __init__(self, ws: aiohttp.ClientWebSocketResponse) -> None:
        self.ws = ws
        self.value: float | None = None
        self.moved_at = 0.0
        self.changes = 0
        self.refused = 0
        self.sent = 0
        self.answered = 0
        self.first: str | None = None

    async def read(self) -> None:
        async for message in self.ws:
            told = json.loads(message.data)
            self.first = self.first or told["type"]
            self.refused += told["type"] == "refused"
            self.answered += told["type"] in ("done", "refused")
            told = told.get("state") or told.get("patch") or {}
            value = told.get("macros", {}).get("flotsam", {}).get("value")
            if value is not None and value != self.value:
                self.value, self.moved_at = value, time.monotonic()
                self.changes += 1

    async def move(self, value: float) -> None:
        self.sent += 1
        await self.ws.send_json({"do": "macro", "macro": "flotsam", "value": value})


async def wait(true: Callable[[], bool]) -> float:
    """Seconds until it is true."""
    begin = time.monotonic()
    while not true():
        await asyncio.sleep(0.005)
        if time.monotonic() - begin > PATIENCE_S:
            raise TimeoutError("they never agree")
    return time.monotonic() - begin


async def shows(tablet: Tablet, value: float) -> float:
    return await wait(lambda: tablet.value == value)


async def agree(one: Tablet, other: Tablet) -> float:
    """Seconds until the service has told both the same."""
    return await wait(lambda: one.value == other.value)


async def rest(tablets: list[Tablet], session: aiohttp.ClientSession, url: str) -> None:
    """Waits until every command has been answered, however often its packet was lost, and both
    show what stands at the service."""
    for tablet in tablets:
        await wait(lambda tablet=tablet: tablet.answered >= tablet.sent)  # type: ignore[misc]
    async with session.get(f"{url}api/state") as answer:
        value = (await answer.json())["macros"]["flotsam"]["value"]
    for tablet in tablets:
        await shows(tablet, value)


async def main(url: str, token: str) -> dict[str, Any]:
    headers = {"Authorization": f"Bearer {token}"}
    async with aiohttp.ClientSession(headers=headers) as session:
        tablets = [Tablet(await session.ws_connect(f"{url}api/live")) for _ in range(2)]
        readers = [asyncio.create_task(tablet.read()) for tablet in tablets]
        one, other = tablets
        await agree(one, other)
        await asyncio.sleep(0.5)
        one_moves: list[float] = []  # until the other shows what the finger shows
        confirmed: list[float] = []  # until the mover has it from the service too
        for turn in range(ROUNDS):
            for step in range(10):
                await one.move((turn * 10 + step) / 128)
                await asyncio.sleep(0.03)
            value = (turn * 10 + 9) / 128
            begin = time.monotonic()
            one_moves.append(await shows(other, value))
            await shows(one, value)
            confirmed.append(time.monotonic() - begin)
            await asyncio.sleep(0.2)
        refused_before = one.refused + other.refused
        both_move: list[float] = []
        swings: list[int] = []
        for _ in range(2):
            for step in range(20):  # both fingers on one fader, pulling apart
                await one.move(0.6 + step / 100)
                await other.move(0.4 - step / 100)
                await asyncio.sleep(0.04)
            await asyncio.sleep(0.3)  # the finger that owns it has left
            both_move.append(await agree(one, other))
            await rest(tablets, session, url)
            before = one.changes + other.changes
            await asyncio.sleep(0.5)
            swings.append(one.changes + other.changes - before)
            await agree(one, other)
        for reader in readers:
            reader.cancel()
        return {
            "first": [tablet.first for tablet in tablets],
            "one_moves": one_moves,
            "confirmed": confirmed,
            "both_move": both_move,
            "swings": swings,
            "refused": one.refused + other.refused - refused_before,
        }


if __name__ == "__main__":
    print(json.dumps(asyncio.run(main(*sys.argv[1:3]))))

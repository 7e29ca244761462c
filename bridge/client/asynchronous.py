"""The client for asyncio."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self, cast

import aiohttp

from bridge.client.requests import (
    RefusedError,
    Request,
    UnreachableError,
    answer_of,
    patched,
    request_of,
)
from bridge.protocol.command import Command
from bridge.protocol.ports import ADDRESS
from bridge.protocol.state import State

TIMEOUT_S = 30.0
AGAIN_S = 1.0  # before a lost connection is made again


@dataclass(slots=True)
class _Gap:
    """The state as far as it has arrived, and what to go on with after a lost connection."""

    name: str = ""
    number: int = 0
    state: Any = None


class AsyncClient:
    """One connection to a running service. Use it as ``async with AsyncClient() as rack:``."""

    def __init__(
        self, address: str = ADDRESS, *, token: str | None = None, timeout_s: float = TIMEOUT_S
    ) -> None:
        """
        Args:
            address: such as ``http://192.0.2.4:8420``.
            token: that of ``--lan``; None where none is needed.
            timeout_s: how long an answer may take, in seconds.
        """
        self.address = address.rstrip("/")
        self._headers = {} if token is None else {"Authorization": f"Bearer {token}"}
        self._timeout = aiohttp.ClientTimeout(total=timeout_s)
        self._session: aiohttp.ClientSession | None = None

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.close()

    async def close(self) -> None:
        """Closes the connection."""
        if self._session is not None:
            await self._session.close()
            self._session = None

    async def do(self, command: Command) -> dict[str, object]:
        """Carries out a command; returns when that is done.

        Raises:
            RefusedError: the service has refused it; nothing was done.
            UnreachableError: nobody answers.
            ValueError: the command has no HTTP route.
        """
        return cast(dict[str, object], await self.send(request_of(command)))

    async def state(self) -> State:
        """The whole state, as it is now. Raises as `do`."""
        return cast(State, await self.send(Request("GET", "/api/state")))

    async def send(self, request: Request) -> object:
        """Any other request; see the page at ``/api``. Raises `RefusedError`,
        `UnreachableError`."""
        session = self._open()
        try:
            async with session.request(
                request.method, self.address + request.path, json=request.body
            ) as answer:
                return answer_of(answer.status, answer.content_type, await answer.read())
        except (aiohttp.ClientError, TimeoutError, OSError) as error:
            raise self._unreachable(error) from error

    async def watch(self, *, again: bool = True) -> AsyncGenerator[State, None]:
        """The whole state now, and again after each change, newest first when many come at once.

        Args:
            again: a lost connection is made again, and the state of then comes first; False ends
                with `UnreachableError`.

        Raises:
            RefusedError: the service does not let us in.
            UnreachableError: nobody answers, and `again` is False.
        """
        gap = _Gap()
        while True:
            try:
                async for state in self._watched(gap):
                    yield state
                lost: Exception = ConnectionError("the connection has ended")
            except aiohttp.WSServerHandshakeError as error:
                raise RefusedError(error.status, {}) from error
            except (aiohttp.ClientError, TimeoutError, OSError) as error:
                lost = error
            if not again:
                raise self._unreachable(lost) from lost
            await asyncio.sleep(AGAIN_S)

    async def _watched(self, gap: _Gap) -> AsyncGenerator[State, None]:
        resume = {"resume": gap.name, "number": str(gap.number)} if gap.name else {}
        async with self._open().ws_connect(f"{self.address}/api/live", params=resume) as socket:
            async for message in socket:
                if message.type is not aiohttp.WSMsgType.TEXT:
                    return
                told = message.json()
                if told["type"] == "state":
                    gap.name, gap.state = told["resume"], told["state"]
                elif told["type"] == "change":
                    gap.state = patched(gap.state, told["patch"])
                else:
                    continue
                gap.number = told["number"]
                yield gap.state

    def _open(self) -> aiohttp.ClientSession:
        if self._session is None:
            self._session = aiohttp.ClientSession(headers=self._headers, timeout=self._timeout)
        return self._session

    def _unreachable(self, error: Exception) -> UnreachableError:
        return UnreachableError(f"nobody answers at {self.address}: {error or 'it takes too long'}")

"""The same client without asyncio."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from types import TracebackType
from typing import Any, Self

from bridge.client.asynchronous import TIMEOUT_S, AsyncClient
from bridge.client.requests import Request
from bridge.protocol.command import Command
from bridge.protocol.ports import ADDRESS
from bridge.protocol.state import State


class Client:
    """One connection to a running service. Use it as ``with Client() as rack:``, and not inside a
    running event loop: `AsyncClient` is for that."""

    def __init__(
        self, address: str = ADDRESS, *, token: str | None = None, timeout_s: float = TIMEOUT_S
    ) -> None:
        """Takes what `AsyncClient` takes."""
        self._client = AsyncClient(address, token=token, timeout_s=timeout_s)
        self._runner = asyncio.Runner()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Closes the connection."""
        self._runner.run(self._client.close())
        self._runner.close()

    def do(self, command: Command) -> dict[str, object]:
        """Carries out a command; see `AsyncClient.do`."""
        return self._runner.run(self._client.do(command))

    def state(self) -> State:
        """The whole state, as it is now."""
        return self._runner.run(self._client.state())

    def send(self, request: Request) -> Any:
        """Any other request; see `AsyncClient.send`."""
        return self._runner.run(self._client.send(request))

    def watch(self, *, again: bool = True) -> Iterator[State]:
        """The state now and after each change; see `AsyncClient.watch`. Come back for the next
        within some seconds: a client that does not read is dropped by the service."""
        states = self._client.watch(again=again)

        async def following() -> State:
            return await anext(states)

        async def end() -> None:
            await states.aclose()

        try:
            while True:
                try:
                    yield self._runner.run(following())
                except StopAsyncIteration:
                    return
        finally:
            self._runner.run(end())

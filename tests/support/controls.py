"""Hands on the MIDI controllers of a stage: what they send, and learning."""

from __future__ import annotations

import asyncio
from typing import Any

from support.patience import PATIENCE_S

from bridge.control.stream import Played


class Desk:
    """Knobs and buttons in front of a stage, at one port."""

    def __init__(self, stage: Any, port: str = "pads") -> None:
        self.stage = stage
        self.port = port

    async def turn(self, *messages: str) -> None:
        """Sends messages, and waits until the service has seen them."""
        stage = self.stage
        seen = asyncio.Event()
        stream = stage.service.session.stream

        def hear(event: Played) -> None:
            seen.set()

        stream.on(Played, hear)
        rows = [[1, self.port, message] for message in messages]
        stage.player.tell(
            {"type": "played", "events": [], "sent": [], "input": rows, "tick": 0, "t_ns": 1}
        )
        await asyncio.wait_for(seen.wait(), PATIENCE_S)
        stream.off(Played, hear)


async def learn(stage: Any, *messages: str, **body: Any) -> tuple[int, Any]:
    """Asks to learn, touches something, and gives the answer."""
    learning = asyncio.create_task(stage.call("POST", "/api/controllers/learn", body))
    await stage.until(stage.service.controllers.learning)
    for message in messages:
        await Desk(stage).turn(message)
    status, answer, _ = await asyncio.wait_for(learning, PATIENCE_S)
    return status, answer

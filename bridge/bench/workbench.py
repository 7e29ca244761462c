"""What tuning, soundcheck and lining up share: one output by hand, while the song stands."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Iterator
from typing import Literal

from bridge.bench.checklist import QUIET, gate_of
from bridge.control.door import Control
from bridge.control.stream import Played
from bridge.errors import CommandError, PlayerError
from bridge.files.rig import Rig
from bridge.music.handlers import known
from bridge.protocol.running import TryOutput
from bridge.voltage.decode import Decoder
from bridge.voltage.encode import Encoder
from bridge.voltage.profile import WiredOutput, note_of_volts

SETTLE_S = 0.03  # a pitch is on the wire and has settled before the gate of its voice opens
TONE_MS = 30_000.0
LEFT_S = 5.0
"""The player says within this when a message has left; it tells thirty times a second."""

Sleep = Callable[[float], Awaitable[None]]


class Workbench:
    """Moves single outputs of the session's rig through the control door."""

    def __init__(self, control: Control, sleep: Sleep = asyncio.sleep) -> None:
        self.control = control
        self.sleep = sleep
        self._uses: list[tuple[str, Callable[[], bool]]] = []

    def the_rig(self) -> Rig:
        """Raises `PlayerError` before it has been read."""
        return self.control.session.the_rig()

    def output(self, name: str) -> WiredOutput:
        """Raises `CommandError` when there is no such output."""
        rig = self.the_rig()
        known("output", name, rig.wired)
        return rig.wired[name]

    @property
    def stands(self) -> bool:
        """Whether the song stands, so that nothing else moves the outputs."""
        state = self.control.session.state.get("transport", {}).get("state", "stopped")
        return bool(state == "stopped")

    def must_stand(self) -> None:
        """Raises `CommandError` while the song runs."""
        if not self.control.session.present:
            raise PlayerError("the player is away; it is being started again")
        if not self.stands:
            raise CommandError("stop the song first: it would play over the test", "state")

    def used_by(self, says: str, busy: Callable[[], bool]) -> None:
        """Somebody else who moves outputs: `says` what they do while they are `busy`."""
        self._uses.append((says, busy))

    def must_be_free(self, *own: str) -> None:
        """Raises `CommandError` while the song runs, or somebody moves outputs who does something
        else than `own`."""
        self.must_stand()
        for says, busy in self._uses:
            if says not in own and busy():
                raise CommandError(f"{says}; end that first", "state")

    async def strike(self, wired: WiredOutput, level: float, client: str, ms: float) -> int:
        """Opens a gate for `ms` at most; gives the monotonic ns at which its message left, by the
        player's own clock. Raises `PlayerError` when the player does not say."""
        with self._leaving(wired) as left:
            await self.gate(wired, level, client, ms)
            try:
                return await asyncio.wait_for(left, LEFT_S)
            except TimeoutError:
                raise PlayerError(f"the player does not say when {wired.name} was struck") from None

    @contextlib.contextmanager
    def _leaving(self, wired: WiredOutput) -> Iterator[asyncio.Future[int]]:
        """When the voltage of an output moves away from rest next, read from what was sent."""
        outputs = self.the_rig().wired
        decoder = Decoder(outputs)
        for message in Encoder(outputs).setup():
            decoder.feed(message.port, message.data)
        left: asyncio.Future[int] = asyncio.get_running_loop().create_future()

        def played(event: Played) -> None:
            for ns, port, data in event.frame.get("sent", ()):
                for name, volts in decoder.feed(port, bytes.fromhex(data)):
                    if name == wired.name and volts != wired.output.rest and not left.done():
                        left.set_result(ns)

        session = self.control.session
        session.stream.on(Played, played)
        session.look(left, True)
        try:
            yield left
        finally:
            session.look(left, False)
            session.stream.off(Played, played)

    async def gate(self, wired: WiredOutput, level: float, client: str, ms: float = 0.0) -> None:
        if wired.output.gates and wired.output.address.by != "clock":
            await self._try(wired.name, "gate", level, client, ms)

    async def value(
        self,
        wired: WiredOutput,
        what: Literal["pitch", "level"],
        value: float,
        client: str,
        ms: float = 0.0,
    ) -> None:
        """Moves a pitch (a note) or a level (volts); a voice that moves with its gate only is
        opened quietly, for `ms`."""
        gate = gate_of(wired, self.the_rig().wired)
        if gate is not None:
            await self.gate(self.output(gate), 0.0, client)
        await self._try(wired.name, what, value, client)
        if gate is not None:
            await self.sleep(SETTLE_S)
            await self.gate(self.output(gate), QUIET, client, ms)

    async def rest(self, wired: WiredOutput, client: str) -> None:
        """The output as it is when nothing plays."""
        out = wired.output
        gate = gate_of(wired, self.the_rig().wired)
        for name in filter(None, (gate, wired.name if out.gates else None)):
            await self.gate(self.output(name), 0.0, client)
        if out.kind == "level":
            await self._try(wired.name, "level", out.rest, client)
        elif out.kind == "pitch" and not (out.law == "hz/v" and out.rest <= 0):
            note = min(max(note_of_volts(out, out.rest), 0.0), 127.0)
            await self._try(wired.name, "pitch", note, client)

    async def _try(
        self,
        output: str,
        action: Literal["gate", "pitch", "level"],
        value: float,
        client: str,
        ms: float = 0.0,
    ) -> None:
        command = TryOutput(output=output, action=action, value=value, ms=ms or None)
        await self.control.do(command, client)

"""A player for tests of the service: the frames of the real one, no music.

It speaks the wire of `bridge.player.messages` on a local socket, applies commands with the real
`Performance`, and lets a test hold answers back, refuse, vanish and come back.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import pickle
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from support.said import carry_out
from support.states import player_report

from bridge.errors import CommandError
from bridge.music import snapshot
from bridge.music.performance import Performance
from bridge.player.frames import Unpacker, pack_json
from bridge.player.messages import Swap
from bridge.protocol.state import PlayerReport, TransportWord
from bridge.protocol.table import decode
from bridge.voltage.encode import Encoder

ONLY_PERFORMANCE = {
    "mute",
    "cancel",
    "hold",
    "release",
    "solo",
    "group",
    "macro",
    "setting",
    "section",
    "order",
    "tempo",
    "mute-all",
    "freeze",
    "put-back",
}


class FakePlayer:
    """`received` holds every command in order, but those for MIDI controllers stand in `lamps` and
    corrections in `tunings`; `answering` False keeps the answers back, `telling` False says no more
    than that a command was carried out. With an `encoder` it says what it sent to gates."""

    def __init__(self, path: Path, score: Any, revision: int = 1) -> None:
        self.path = path
        self.received: list[dict[str, Any]] = []
        self.lamps: list[dict[str, Any]] = []
        self.tunings: list[dict[str, Any]] = []
        self.aside = {"feedback": self.lamps, "listen": self.lamps, "correct": self.tunings}
        self.aside["keep"] = self.aside["frames"] = []
        self.answering = True
        self.telling = True
        self.refuse: str | None = None
        self.revision = revision
        self.origin: dict[str, Any] | None = None
        self.tick = 0
        self.running: TransportWord = "stopped"
        self.offset_ms = 0.0
        self.source = "internal"
        self.encoder: Encoder | None = None
        self.arrived = asyncio.Event()
        self._server: asyncio.Server | None = None
        self._writers: set[asyncio.StreamWriter] = set()
        self.use(score)

    def use(self, score: Any) -> None:
        self.score = score
        self.performance = Performance(score)

    @property
    def words(self) -> list[str]:
        return [command["do"] for command in self.received]

    async def start(self) -> None:
        self._server = await asyncio.start_unix_server(self._serve, self.path)

    async def stop(self) -> None:
        """Vanishes, as a killed process does."""
        if self._server is None:
            return
        self._server.close()
        for writer in list(self._writers):
            writer.close()
            with contextlib.suppress(OSError):
                await writer.wait_closed()
        await self._server.wait_closed()
        self._server = None
        self.path.unlink(missing_ok=True)

    def state(self) -> PlayerReport:
        bar, tempo = self.score.spec.bar_ticks, self.performance.tempo
        said = player_report(
            self.performance.state(), set=self.score.spec.name, revision=self.revision
        )
        said["transport"] = {
            "state": self.running,
            "tick": self.tick,
            "bar": self.tick // bar + 1,
            "beat": self.tick % bar // self.score.spec.beat_ticks + 1,
            "tempo": tempo,
            "at_ms": time.monotonic() * 1000,
        }
        said["clock"] |= {"source": self.source, "tempo": tempo, "offset_ms": self.offset_ms}
        return said

    def tell(self, message: Mapping[str, Any]) -> None:
        """Sends a frame to everybody who is connected."""
        for writer in self._writers:
            writer.write(pack_json(message))

    def play_to(self, tick: int) -> None:
        """Time passes."""
        self.tick = tick
        self.performance.settle(tick)
        self.tell({"type": "state", **self.state()})

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.add(writer)
        origin = {} if self.origin is None else {"origin": self.origin}
        writer.write(pack_json({"type": "hello", **self.state(), **origin}))
        unpacker = Unpacker()
        try:
            while data := await reader.read(65536):
                for kind, payload in unpacker.feed(data):
                    if kind == "J":
                        self._take(json.loads(payload))
                    else:
                        self._take_swap(pickle.loads(payload))
        except (ConnectionError, asyncio.CancelledError):
            pass
        finally:
            self._writers.discard(writer)
            writer.close()

    def _take(self, command: dict[str, Any]) -> None:
        seq = command.get("seq")
        kept = self.aside.get(command["do"], self.received)
        # Who sent it matters to holds only.
        aside = {"seq"} if command["do"] in ("hold", "release") else {"seq", "client"}
        kept.append({k: v for k, v in command.items() if k not in aside})
        self._answer(seq, lambda: self._apply(command))

    def _take_swap(self, swap: Swap) -> None:
        said = {"do": "swap", "when": swap.when, "revision": swap.revision, "text": swap.text}
        more = {"renamed": swap.renamed, "parts": swap.parts}
        self.received.append(said | {name: value for name, value in more.items() if value})
        self._answer(swap.seq, lambda: self._swap(swap))

    def _answer(self, seq: Any, apply: Callable[[], None]) -> None:
        self.arrived.set()
        if not self.answering:
            return
        try:
            if self.refuse is not None:
                raise CommandError(self.refuse, "state")
            apply()
        except CommandError as error:
            self.tell({"type": "state", "refused": [[seq, error.kind, str(error)]]})
        else:
            self.tell({"type": "state", **(self.state() if self.telling else {}), "acks": [seq]})

    def _swap(self, swap: Swap) -> None:
        if swap.place is not None:
            if self.running != "stopped":
                raise CommandError("the song plays; stop it first", "state")
            self.use(swap.score)
            self.tick, self.revision = swap.place.tick, swap.revision
            self.performance.restore(swap.place.state, self.tick)
            return
        kept = snapshot.renamed(self.performance.state(), swap.renamed)
        self.use(swap.score)
        self.performance.restore(snapshot.overlay(kept, swap.parts), self.tick)
        self.revision = swap.revision

    def _strike(self, encoder: Encoder, output: str, level: float) -> None:
        """Says what it sent, as the real one does."""
        open_, close = encoder.gate_on, encoder.gate_off
        messages = open_(output, level) if level else close(output)
        sent = [[time.monotonic_ns(), one.port, one.data.hex()] for one in messages]
        self.tell({"type": "played", "sent": sent})

    def _apply(self, command: dict[str, Any]) -> None:
        decode(command)
        match command["do"]:
            case "start":
                self.running, self.tick = "running", 0
            case "continue":
                self.running = "running"
            case "stop":
                self.running = "stopped"
            case "position":
                self.tick = command["tick"]
            case "offset":
                self.offset_ms = command["ms"]
            case "try" if self.encoder is not None and command["action"] == "gate":
                self._strike(self.encoder, command["output"], command["value"])
            case "follow":
                self.source = command["source"]
            case do if do in ONLY_PERFORMANCE:
                carry_out(self.performance, command, self.tick)

"""MIDI controllers on the desk: their knobs and buttons as one more hand at the control door.

The player hands over the channel messages of the inputs that the rig lists under `controllers`. A
knob moves a macro only after it has met the macro's value (`pickup`), so that nothing jumps when a
page or a section has moved it meanwhile. A button acts when it is pressed: a mute goes to the other
side of where it is, a section is recalled on the bar, transport acts at once.

Learning waits for the next control that is touched and writes it into the rig's file (a dated copy
of the old one is kept).
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from bridge.errors import CommandError, PlayerError
from bridge.files import edit, store
from bridge.files.document import Document
from bridge.files.rig import Binding, Rig, parse_rig
from bridge.service import commands as c
from bridge.service.control import Control, find

log = logging.getLogger(__name__)

LEARN_S = 20.0
PRESSED = 64  # from here on a controller is "on" (MIDI 1.0, switches: 0-63 off, 64-127 on)
MET = 1.5 / 127  # a knob this near the value has met it
TRANSPORT: dict[str, Callable[[], c.Command]] = {
    "start": c.Start, "stop": c.Stop, "continue": c.Continue, "tap": c.Tap, "all-out": c.AllOut,
}  # fmt: skip
TARGETS = ("macro", "mute", "section", "transport")


@dataclass(frozen=True, slots=True)
class Touched:
    """One control that moved: its input, what it is (channel from 1), its value 0..127."""

    port: str
    kind: str
    channel: int
    number: int
    value: int

    @property
    def key(self) -> tuple[str, str, int, int]:
        return self.port, self.kind, self.channel, self.number


def read(port: str, data: bytes) -> Touched | None:
    """What moved, or None for other messages. A note-off is a note of value 0."""
    if len(data) != 3:
        return None
    kind, channel = data[0] & 0xF0, (data[0] & 0x0F) + 1
    if kind == 0xB0 and data[1] < 120:  # 120 and up are mode messages
        return Touched(port, "cc", channel, data[1], data[2])
    if kind in (0x80, 0x90):
        return Touched(port, "note", channel, data[1], data[2] if kind == 0x90 else 0)
    return None


class Pickup:
    """A knob that takes hold of a value only when it has met or passed it."""

    def __init__(self) -> None:
        self._last: float | None = None
        self._sent: float | None = None

    def move(self, value: float, target: float) -> bool:
        """The knob stands at `value`, what it moves at `target`; True when it has hold of it."""
        last, self._last = self._last, value
        holds = self._sent is not None and abs(self._sent - target) < 1e-6
        meets = abs(value - target) <= MET
        passes = last is not None and (last - target) * (value - target) <= 0
        if not (holds or meets or passes):
            self._sent = None
            return False
        self._sent = value
        return True


class Controllers:
    """All controllers of the rig. `refused` counts what the door did not take."""

    def __init__(self, control: Control) -> None:
        self._control = control
        self._bound: dict[tuple[str, str, int, int], list[tuple[str, Binding]]] = {}
        self._ports: dict[str, str] = {}
        self._pickups: dict[tuple[Any, ...], Pickup] = {}
        self._pressed: set[tuple[str, str, int, int]] = set()
        self._learning: asyncio.Future[Touched] | None = None
        self.rig: Rig | None = None
        self.refused = 0
        control.link.on_played.append(self._played)

    def use(self, rig: Rig) -> None:
        """Takes the controllers of `rig` from now on."""
        self.rig = rig
        self._bound.clear()
        self._pickups.clear()
        self._ports = {controller.port: name for name, controller in rig.controllers.items()}
        for name, controller in rig.controllers.items():
            for binding in controller.bindings:
                key = (controller.port, binding.kind, binding.channel, binding.number)
                self._bound.setdefault(key, []).append((name, binding))

    def _played(self, frame: dict[str, Any]) -> None:
        for _, port, data in frame.get("input", ()):
            touched = read(port, bytes.fromhex(data))
            if touched is not None:
                self.take(touched)

    def take(self, touched: Touched) -> None:
        """One control has moved."""
        was = touched.key in self._pressed
        pressed = touched.value >= (PRESSED if touched.kind == "cc" else 1)
        (self._pressed.add if pressed else self._pressed.discard)(touched.key)
        if self._learning is not None:
            if (pressed or touched.kind == "cc") and not self._learning.done():
                self._learning.set_result(touched)
            return
        for name, binding in self._bound.get(touched.key, ()):
            try:
                command = self._command(name, binding, touched, pressed and not was)
                if command is not None:
                    self._control.submit(command, f"midi {name}")
            except (CommandError, PlayerError):
                self.refused += 1

    def _command(
        self, name: str, binding: Binding, touched: Touched, press: bool
    ) -> c.Command | None:
        state = self._control.link.state
        if binding.macro is not None:
            find("macro", binding.macro, state.get("macros", {}))
            if touched.kind == "note" and not press:
                return None
            value = touched.value / 127
            target = state["macros"][binding.macro]["value"]
            pickup = self._pickups.setdefault((name, *touched.key, binding.macro), Pickup())
            if touched.kind == "cc" and binding.pickup and not pickup.move(value, target):
                return None
            return c.MacroMove(macro=binding.macro, value=value)
        if not press:
            return None
        if binding.mute is not None:
            find("lane", binding.mute, state.get("lanes", {}))
            lane = state["lanes"][binding.mute]
            return c.Mute(lane=binding.mute, muted=not lane.get("under", lane["muted"]))
        if binding.section is not None:
            return c.Recall(section=binding.section)
        return TRANSPORT[binding.transport]() if binding.transport is not None else None

    # --- learning -----------------------------------------------------------------------------

    async def learn(self, target: str, name: str, within_s: float = LEARN_S) -> dict[str, Any]:
        """Waits for a control, binds it to `name` (a macro, lane, section or transport word) and
        writes the rig. Raises `CommandError` when nothing is touched or the rig cannot be written.
        """
        self._check(target, name)
        if self._learning is not None:
            raise CommandError("another control is being learned already", "state")
        if not self._ports:
            raise CommandError("the rig lists no controllers", "state")
        self._learning = asyncio.get_running_loop().create_future()
        try:
            touched = await asyncio.wait_for(self._learning, within_s)
        except TimeoutError:
            raise CommandError(f"no control was touched within {within_s:g} s", "state") from None
        finally:
            self._learning = None
        controller = self._ports.get(touched.port)
        if controller is None:
            raise CommandError(f"'{touched.port}' is no controller of the rig", "state")
        entry = {touched.kind: touched.number, "channel": touched.channel, target: name}
        await self._write(controller, touched, entry)
        return {"controller": controller, **shown(entry)}

    async def forget(self, controller: str, kind: str, channel: int, number: int) -> None:
        """Takes what a control does away again, in the rig's file too."""
        find("controller", controller, self._ports.values())
        port = next(port for port, name in self._ports.items() if name == controller)
        touched = Touched(port, kind, channel, number, 0)
        if touched.key not in self._bound:
            what = f"{kind} {number} on channel {channel}"
            raise CommandError(f"{what} of {controller} does nothing", "unknown")
        await self._write(controller, touched, None)

    def rows(self) -> list[dict[str, Any]]:
        """Every binding, for surfaces."""
        return [
            {"controller": name, "kind": b.kind, "channel": b.channel, "number": b.number,
             "target": next(t for t in TARGETS if getattr(b, t) is not None),
             "name": next(str(getattr(b, t)) for t in TARGETS if getattr(b, t) is not None)}
            for bound in self._bound.values() for name, b in bound
        ]  # fmt: skip

    def _check(self, target: str, name: str) -> None:
        state = self._control.link.state
        known: Iterable[str] = {
            "macro": state.get("macros", ()), "mute": state.get("lanes", ()),
            "section": state.get("sections", ()), "transport": TRANSPORT,
        }[target]  # fmt: skip
        find({"mute": "lane", "transport": "transport word"}.get(target, target), name, known)

    async def _write(self, controller: str, touched: Touched, entry: dict[str, Any] | None) -> None:
        rig = self.rig
        if rig is None or rig.path is None:
            raise CommandError("the rig has no file to write", "state")
        try:
            self.use(await asyncio.to_thread(rewrite, rig, controller, touched, entry))
        except OSError as error:
            raise CommandError(f"the rig cannot be written: {error}", "state") from None


def shown(entry: dict[str, Any]) -> dict[str, Any]:
    """An entry of the rig file as a row of an answer."""
    kind = "cc" if "cc" in entry else "note"
    target = next(t for t in TARGETS if t in entry)
    return {"kind": kind, "number": entry[kind], "channel": entry["channel"], "target": target,
            "name": entry[target]}  # fmt: skip


def rewrite(rig: Rig, controller: str, touched: Touched, entry: dict[str, Any] | None) -> Rig:
    """The rig with one control bound anew (or to nothing), read back from what was written.

    Works on the file as it is now; blocks on disk. Raises `InputError`, `OSError`.
    """
    assert rig.path is not None
    text = rig.path.read_text(encoding="utf-8")
    data: Any = Document.parse(text, rig.path.name).data
    rows = list(data["controllers"][controller].get("controls") or [])
    same = (touched.kind, touched.number, touched.channel)
    kept = [row for row in rows if _place(row) != same]
    if entry is not None:
        kept.append(entry)
    change = edit.Change(("controllers", controller, "controls"), kept)
    written = edit.apply(text, [change])
    read_back = parse_rig(written, rig.path.name, rig.path.parent)
    store.save(rig.path, written, datetime.now())
    return replace(read_back, path=rig.path)


def _place(row: dict[str, Any]) -> tuple[str, int, int]:
    kind = "cc" if row.get("cc") is not None else "note"
    return kind, int(row[kind]), int(row.get("channel", 1))

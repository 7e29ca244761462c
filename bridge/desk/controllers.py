"""MIDI controllers on the desk: their knobs and buttons as one more hand at the control door.

The player hands over the channel messages of the inputs that the rig lists under `controllers`. A
knob moves a macro only after it has met the macro's value (`pickup`), so that nothing jumps when a
page or a section has moved it meanwhile; an encoder has no position and moves it from where it
stands. A pad's velocity sets a macro at once. A button acts when it is pressed: a mute goes to the
other side of where it is, a section is recalled on the bar, transport acts at once. Where a control
says `feedback`, what it moves is shown on it.

Learning waits for the next control that is touched and writes it into the rig's file (a dated copy
of the old one is kept).
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections import defaultdict
from collections.abc import Callable, Iterable
from datetime import datetime

from bridge.control.door import Control
from bridge.control.stream import (
    ControllersChanged,
    OwnershipEnded,
    Played,
    PresenceChanged,
    RigChanged,
    StateChanged,
)
from bridge.desk import lamps
from bridge.desk.knobs import FINE, Heading, Key, Pair, Pickup, Touched, read, steps_of
from bridge.desk.learning import Learning, binding_of
from bridge.errors import CommandError, PlayerError
from bridge.files import controls
from bridge.files.controls import TARGETS
from bridge.files.rig import Binding, Rig
from bridge.music.handlers import known
from bridge.protocol.asking import Learn
from bridge.protocol.command import Command
from bridge.protocol.internal import Listen, SendFeedback, TakeInput
from bridge.protocol.limits import Target
from bridge.protocol.performing import (
    MoveMacro,
    Mute,
    MuteAll,
    NextOfOrder,
    RecallSection,
    macro_target,
)
from bridge.protocol.running import Continue, Start, Stop, Tap
from bridge.protocol.state import ControllerState, ControlRow, ControlState, LearningState

LAMPS_S = 1 / 30
LAMPS_MOST = 32  # messages a round: about a third of what DIN carries
TRANSPORT: dict[str, Callable[[], Command]] = {
    "start": Start,
    "stop": Stop,
    "continue": Continue,
    "tap": Tap,
    "mute-all": MuteAll,
    "order-next": NextOfOrder,
}
_SHOWN_KEYS = frozenset({"macros", "lanes", "sections", "inputs", "revision"})


class _Bound:
    """One control that does something: its binding, and what is known of its knob."""

    def __init__(self, controller: str, binding: Binding) -> None:
        self.controller = controller
        self.binding = binding
        self.value: float | None = None
        self.down: bool | None = None
        self.pair = Pair()
        knob = binding.macro is not None and binding.kind == "cc" and binding.encoder is None
        self.pickup = Pickup(binding.pickup) if knob else None


class Controllers:
    """All controllers of the session's rig. `refused` counts what the door did not take."""

    def __init__(
        self,
        control: Control,
        *,
        clock: Callable[[], float] = time.monotonic,
        today: Callable[[], datetime] = datetime.now,
    ) -> None:
        self._control = control
        self._clock = clock
        self._today = today
        self._bound: dict[Key, list[_Bound]] = {}
        self._fine: dict[Key, Key] = {}
        self._headings: defaultdict[str, Heading] = defaultdict(Heading)
        self._learning: Learning | None = None
        self._writing = asyncio.Lock()
        self._told: dict[tuple[str, bytes], bytes] = {}
        self._dark = asyncio.Event()
        self._state: dict[str, ControllerState] | None = None
        self.refused = 0
        self._session = control.session
        stream = self._session.stream
        stream.on(Played, self._played)
        stream.on(StateChanged, self._moved)
        stream.on(PresenceChanged, self._presence)
        stream.on(OwnershipEnded, lambda _: self._dark.set())
        stream.on(RigChanged, self._bind_all)

    def _bind_all(self, event: RigChanged) -> None:
        """Takes the controllers of a new rig; knobs that do what they did stay in hand."""
        before = {(b.controller, b.binding): b for rows in self._bound.values() for b in rows}
        self._bound, self._fine = {}, {}
        for name, controller in event.rig.controllers.items():
            for binding in controller.bindings:
                key = (controller.port, binding.kind, binding.channel, binding.number)
                bound = before.get((name, binding)) or _Bound(name, binding)
                self._bound.setdefault(key, []).append(bound)
                if binding.pair:
                    self._fine[*key[:3], binding.number + FINE] = key
        self._session.look(self, bool(self._bound))
        self._listen()
        self._stand()
        self._changed()

    async def run(self) -> None:
        """Keeps the lamps of controllers in step with the state; never returns."""
        while True:
            await self._dark.wait()
            self._dark.clear()
            if self.light():
                self._dark.set()
            await asyncio.sleep(LAMPS_S)

    # --- what comes from the player -----------------------------------------------------------

    def _played(self, event: Played) -> None:
        for _, port, data in event.frame.get("input", ()):
            touched = read(port, bytes.fromhex(data))
            if touched is not None:
                self.take(touched)

    def _moved(self, event: StateChanged) -> None:
        if "macros" in event.keys:
            self._stand()
        if event.keys & _SHOWN_KEYS:
            self._changed()
        self._dark.set()

    def _presence(self, event: PresenceChanged) -> None:
        self._told.clear()
        if event.present:
            self._listen()
            self._dark.set()

    def _stand(self) -> None:
        macros, now = self._session.state.get("macros", {}), self._clock()
        for rows in self._bound.values():
            for bound in rows:
                name = bound.binding.macro
                if bound.pickup is not None and name is not None and name in macros:
                    bound.pickup.stands(macro_target(macros[name]), now)

    def _listen(self) -> None:
        """Tells the player of inputs that it does not know of yet."""
        session = self._session
        known = session.state.get("inputs", {})
        if session.rig is None or not session.present:
            return
        for port in {x.port for x in session.rig.controllers.values()} - known.keys():
            with contextlib.suppress(PlayerError):
                self._control.pass_on(Listen(port=port))

    # --- what a control does ------------------------------------------------------------------

    def take(self, touched: Touched) -> None:
        """One control has moved."""
        learning = self._learning
        if learning is not None:
            if self._of_port(touched.port, learning.wish.controller) is not None:
                learning.hear(touched)
            return
        now = self._clock()
        key = self._fine.get(touched.key, touched.key)
        for bound in self._bound.get(key, ()):
            if bound.binding.encoder is not None:
                self._turn(bound, steps_of(bound.binding.encoder, touched.value))
                continue
            value = touched.value / 127
            if bound.binding.pair:
                half = bound.pair.coarse if key == touched.key else bound.pair.fine
                value = half(touched.value)
            self._act(bound, touched, value, now)
            self._changed()

    def _act(self, bound: _Bound, touched: Touched, value: float, now: float) -> None:
        was, bound.down, bound.value = bound.down, touched.pressed, value
        try:
            command = self._command(bound, value, now, bound.down and not was, bound.down != was)
            if command is not None:
                self._submit(command, bound)
        except (CommandError, PlayerError):
            self.refused += 1
            if bound.pickup is not None:
                bound.pickup.let_go()

    def _turn(self, bound: _Bound, steps: int) -> None:
        """An encoder has made so many steps: its macro moves on from where it is, also in a glide
        (where that is, and not where it was going)."""
        binding, macros = bound.binding, self._session.state.get("macros", {})
        name = binding.macro or ""
        try:
            known("macro", name, macros)
            stands = float(macros[name]["value"])
            value = self._headings[name].after(stands, steps / binding.steps)
            if value is not None:
                self._submit(MoveMacro(macro=name, value=value), bound)
        except (CommandError, PlayerError):
            self.refused += 1

    def _submit(self, command: Command, bound: _Bound) -> None:
        answer = self._control.submit(command, f"midi {bound.controller}")
        if isinstance(command, MoveMacro):
            expected = self._headings[command.macro]
            expected.sent(command.value)
            answer.add_done_callback(lambda _: expected.answered())

    def _command(
        self, bound: _Bound, value: float, now: float, press: bool, edge: bool
    ) -> Command | None:
        state, binding = self._session.state, bound.binding
        if binding.macro is not None:
            known("macro", binding.macro, state.get("macros", {}))
            if bound.pickup is None:
                return MoveMacro(macro=binding.macro, value=value) if press else None
            if bound.pickup.move(value, now):
                return MoveMacro(macro=binding.macro, value=value)
            return None
        if binding.mute is not None and (press or (edge and binding.latch)):
            known("lane", binding.mute, state.get("lanes", {}))
            lane = state["lanes"][binding.mute]
            out = not press if binding.latch else not lane.get("under", lane["muted"])
            return Mute(lane=binding.mute, muted=out)
        if not press:
            return None
        if binding.section is not None:
            return RecallSection(section=binding.section)
        return TRANSPORT[binding.transport]() if binding.transport is not None else None

    # --- lamps --------------------------------------------------------------------------------

    def light(self) -> bool:
        """Sends what has changed, a round of it; True while there is more."""
        control, rig = self._control, self._session.rig
        if rig is None or not self._session.present:
            return False
        busy = frozenset(
            (bound.controller, macro)
            for rows in self._bound.values()
            for bound in rows
            if (macro := bound.binding.macro) is not None
            and control.owner(macro) == f"midi {bound.controller}"
        )
        now = lamps.shown(rig.controllers.values(), self._session.state, busy)
        due = [key for key, data in now.items() if self._told.get(key) != data]
        for port, address in due[:LAMPS_MOST]:
            data = now[port, address]
            try:
                control.pass_on(SendFeedback(port=port, data=data.hex()))
            except PlayerError:
                return False
            self._told[port, address] = data
        return len(due) > LAMPS_MOST

    # --- learning -----------------------------------------------------------------------------

    async def learn(self, wish: Learn, client: str) -> ControlRow:
        """Waits for a control, makes it do what is wished and writes the rig; gives its row.

        Raises `CommandError` when nothing is touched in time, the control does something else
        already, learning was cancelled, or the rig cannot be written.
        """
        rig = self._session.the_rig()
        self._check(wish.target, wish.name)
        if wish.encoder is not None and wish.target != "macro":
            raise CommandError("an encoder moves a macro, and nothing else")
        if wish.controller is not None:
            known("controller", wish.controller, rig.controllers)
        if not rig.controllers:
            raise CommandError(
                "the rig lists no controllers; add one by the name of its port", "state"
            )
        if self._learning is not None:
            raise CommandError("another control is being learned already", "state")
        waiting = asyncio.get_running_loop().create_future()
        learning = self._learning = Learning(wish, client, waiting)
        self._changed()
        try:
            touched = await asyncio.wait_for(waiting, wish.within_s)
        except TimeoutError:
            raise CommandError(learning.why_none(), "state") from None
        finally:
            self._learning = None
            self._changed()
        controller = self._of_port(touched.port, wish.controller)
        number = touched.number
        if wish.pair and touched.kind == "cc" and number >= FINE:
            number -= FINE  # its fine half has come first
        binding = binding_of(wish, touched.kind, number, touched.channel)
        return await self.bind(controller, binding, wish.replace)

    def cancel(self, client: str | None = None) -> None:
        """Ends learning, if there is any (and it is this client's)."""
        learning = self._learning
        if learning is None or client not in (None, learning.client):
            return
        if not learning.touched.done():
            learning.touched.set_exception(CommandError("learning was cancelled", "state"))

    def _of_port(self, port: str, wanted: str | None) -> str | None:
        for name, controller in self._session.the_rig().controllers.items():
            if controller.port == port and wanted in (None, name):
                return name
        return None

    # --- the rig's file -----------------------------------------------------------------------

    async def bind(
        self, controller: str | None, binding: Binding, replaces: bool = True
    ) -> ControlRow:
        """Makes a control do something, in the file too. Raises `CommandError`, `InputError`."""
        target, name = target_of(binding)
        self._check(target, name)
        known("controller", controller or "", self._session.the_rig().controllers)
        assert controller is not None
        for old in self._session.the_rig().controllers[controller].bindings:
            same = (old.kind, old.number, old.channel)
            if same != (binding.kind, binding.number, binding.channel) or replaces:
                continue
            was = target_of(old)
            if was != (target, name):
                raise CommandError(
                    f"{words(binding)} of {controller} is for {' '.join(was)} already; forget it "
                    "first, or replace it",
                    "taken",
                )
        await self._write(lambda rig: controls.bind(rig, controller, binding, self._today()))
        key = (
            self._session.the_rig().controllers[controller].port,
            binding.kind,
            binding.channel,
            binding.number,
        )
        bound = next(b for b in self._bound[key] if b.controller == controller)
        return {**self._row(bound), "controller": controller}

    async def forget(self, controller: str, kind: str, channel: int, number: int) -> None:
        """Takes what a control does away again, in the rig's file too."""
        rig = self._session.the_rig()
        known("controller", controller, rig.controllers)
        there = any(
            (b.kind, b.number, b.channel) == (kind, number, channel)
            for b in rig.controllers[controller].bindings
        )
        if not there:
            what = f"{kind} {number} on channel {channel}"
            raise CommandError(f"{what} of {controller} does nothing", "unknown")
        await self._write(
            lambda rig: controls.unbind(rig, controller, kind, number, channel, self._today())
        )

    async def put(self, controller: str, port: str) -> None:
        """Adds a controller, or finds one by another port."""
        await self._write(lambda rig: controls.put_controller(rig, controller, port, self._today()))

    async def remove(self, controller: str) -> None:
        known("controller", controller, self._session.the_rig().controllers)
        await self._write(lambda rig: controls.remove_controller(rig, controller, self._today()))

    async def play(self, controller: str, data: str) -> None:
        """A message (hex) as if it came from a simulated controller."""
        known("controller", controller, self._session.the_rig().controllers)
        port = self._session.the_rig().controllers[controller].port
        await self._control.pass_on(TakeInput(port=port, data=data))

    async def _write(self, change: Callable[[Rig], Rig]) -> None:
        async with self._writing:
            try:
                rig = await asyncio.to_thread(change, self._session.the_rig())
            except (OSError, UnicodeDecodeError) as error:
                raise CommandError(f"the rig cannot be written: {error}", "state") from None
            self._session.use_rig(rig)

    # --- what surfaces see --------------------------------------------------------------------

    def rows(self) -> list[ControlRow]:
        """Every control that does something."""
        return [{**self._row(bound), "controller": bound.controller} for bound in self._in_order()]

    def state(self) -> dict[str, ControllerState]:
        """Controllers by name; the same object until something has changed."""
        if self._state is None:
            inputs = self._session.state.get("inputs", {})
            rig = self._session.rig
            listed = () if rig is None else rig.controllers.values()
            self._state = {
                x.name: {"port": x.port, "open": bool(inputs.get(x.port)), "controls": {}}
                for x in listed
            }
            for bound in self._in_order():
                b = bound.binding
                place = f"{b.kind}-{b.number}-{b.channel}"
                self._state[bound.controller]["controls"][place] = self._row(bound)
        return self._state

    def learning(self) -> LearningState | None:
        """What is being learned, and for whom; None when nothing is."""
        if self._learning is None:
            return None
        wish = self._learning.wish
        return {"target": wish.target, "name": wish.name, "client": self._learning.client}

    def _in_order(self) -> Iterable[_Bound]:
        return (bound for rows in self._bound.values() for bound in rows)

    def _row(self, bound: _Bound) -> ControlState:
        binding, pickup = bound.binding, bound.pickup
        target, name = target_of(binding)
        return {
            "kind": binding.kind,
            "number": binding.number,
            "channel": binding.channel,
            "target": target,
            "name": name,
            "pickup": binding.pickup,
            "feedback": binding.feedback,
            "pair": binding.pair,
            "latch": binding.latch,
            "encoder": binding.encoder,
            "steps": binding.steps,
            "known": name in self._known(target),
            "value": None if bound.value is None else round(bound.value, 4),
            "waiting": pickup is not None and pickup.waiting,
            "goal": None if pickup is None or pickup.goal is None else round(pickup.goal, 4),
        }

    # --- inside -------------------------------------------------------------------------------

    def _known(self, target: str) -> Iterable[str]:
        state = self._session.state
        known: dict[str, Iterable[str]] = {
            "macro": state.get("macros", ()),
            "mute": state.get("lanes", ()),
            "section": state.get("sections", ()),
            "transport": TRANSPORT,
        }
        return known[target]

    def _check(self, target: str, name: str) -> None:
        what = {"mute": "lane", "transport": "transport word"}.get(target, target)
        known(what, name, self._known(target))

    def _changed(self) -> None:
        self._state = None
        self._session.stream.tell(ControllersChanged())


def target_of(binding: Binding) -> tuple[Target, str]:
    """(macro, mute, section or transport; the name)."""
    return next((t, str(name)) for t in TARGETS if (name := getattr(binding, t)) is not None)


def words(binding: Binding) -> str:
    """``cc 21 on channel 1``."""
    return f"{binding.kind} {binding.number} on channel {binding.channel}"

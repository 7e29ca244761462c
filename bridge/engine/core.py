"""The player: what to send, and when. No process, no socket, no sleeping.

Whoever runs it calls `step(now)`, which sends what is due and returns when to call again; commands
and incoming MIDI are handed in between. All times are monotonic nanoseconds, so a test plays an
hour in a second by handing in its own.

How an event gets out: the renderer gives events some 30 ms ahead (`_render`); the timeline holds
them by tick and binds the next 15 ms to deadlines; what falls together is encoded a millisecond
ahead (`_stage`) and then only sent. Rendering and other work that can wait is done where no
deadline is near.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any

from bridge.clock.tempo import TICKS_PER_CLOCK, Anchor
from bridge.engine.leading import Leading
from bridge.engine.messages import check_command
from bridge.engine.outputs import Outputs
from bridge.engine.part import Part
from bridge.engine.songclock import Did, SongClock
from bridge.engine.start import ClockSettings, PortSpec, Timing
from bridge.engine.timeline import Item, Timeline
from bridge.errors import CommandError
from bridge.music.performance import Performance
from bridge.music.score import Score
from bridge.ports.port import OutPort
from bridge.voltage.calibration import Correction
from bridge.voltage.encode import CLOCK, Message
from bridge.voltage.profile import WiredOutput

STAGE_NS = 1_000_000
"""What falls together is encoded this long before its deadline."""
SLACK_NS = 2_500_000
"""Work that can wait is done where the next deadline is at least this far away."""
AHEAD_NS = 7_000_000
"""How much earlier than needed rendering is done, where there is slack."""
HOLD_NS = 10_000_000
"""While the song stands, moved values go out at most this often."""
GLIDE_TICKS = 20
"""Values of one output that come closer than this are a glide: they may be thinned."""
TRY_NS = 250_000_000
RESUME_NS = 5_000_000
"""What is still to be done when a restarted player has found its place."""
PLAYED_MOST = 1024
ECHO_MOST = 200
Done = Callable[[CommandError | None], None]


class Player:
    """One set, playing on one rig. `clock` reads the monotonic time, for stamps of what was sent.

    Public besides the methods: `song` (where it is), `outputs` (ports and what was sent),
    `performance`, `played` (rows of the contract of `messages`, for whoever reads and clears them).
    """

    def __init__(
        self,
        score: Score,
        outputs: Mapping[str, WiredOutput],
        ports: Mapping[str, OutPort],
        now: int,
        clock: Callable[[], int],
        *,
        specs: Mapping[str, PortSpec] | None = None,
        timing: Timing = Timing(),
        settings: ClockSettings = ClockSettings(),
        corrections: Mapping[str, Correction] | None = None,
        revision: int = 1,
    ) -> None:
        latency = {name: round(spec.latency_ms * 1e6) for name, spec in (specs or {}).items()}
        early = {name: latency.get(wired.port, 0) for name, wired in outputs.items()}
        self.part = Part(score, revision, outputs, early, timing)
        self.outputs = Outputs(outputs, ports, specs or {}, corrections or {}, clock)
        self.timeline = Timeline(timing.gap_ns)
        send_to = tuple(port for port in settings.send_to if port in self.outputs.ports)
        self.leading = Leading(outputs, send_to, round(timing.trigger_ms * 1e6))
        self.song = SongClock(now, self.performance.tempo, settings.follow, bool(send_to))
        self.offset_ns = _offset(settings.offset_ms)
        self.others: dict[str, int] = {}
        self.cut: set[str] = set()
        self.warnings: list[str] = []
        self.played: list[list[Any]] = []
        self.inputs: list[list[Any]] = []
        self._most_early = max(2_000_000, timing.lead_ns + max(early.values(), default=0))
        self._horizon = max(15_000_000, timing.gap_ns + 8_000_000)
        self._staged: list[Message] = []
        self._staged_due: int | None = None
        self._waiting: deque[tuple[dict[str, Any], Done | None]] = deque()
        self._held: dict[str, float] = {}
        self._hold_at: int | None = None
        self._held_at = 0
        self._bpm = self._line_bpm = self.performance.tempo
        self._value_tick: dict[str, int] = {}
        self._echo: dict[str, list[Any]] = {}
        for port in self.outputs.ports:
            self.outputs.send(self.outputs.setup(port))
        self._held = self.part.values()

    @property
    def performance(self) -> Performance:
        return self.part.performance

    @property
    def score(self) -> Score:
        return self.part.score

    @property
    def revision(self) -> int:
        return self.part.revision

    @property
    def staged(self) -> bool:
        """Whether the next messages are ready and only wait for their deadline."""
        return self._staged_due is not None

    # --- time ------------------------------------------------------------------------------------

    def step(self, now: int) -> int:
        """Sends what is due by `now`; returns the time of the next call (at the latest)."""
        if self._staged_due is not None:
            if now < self._staged_due:
                return self._staged_due
            self._send_staged()
        self._do(self.song.check(now), now)
        while True:
            self._work(now)
            due = self._stage(now)
            if due is None:
                break
            if due > now:
                return due
            self._send_staged()
        self.outputs.trickle(now, self._next_hits)
        return self._next(now)

    def slack(self, now: int) -> int:
        """Ns until something must be sent: how long other work may take."""
        if self._staged_due is not None:
            return self._staged_due - now
        due = self.timeline.next_due()
        return 1_000_000_000 if due is None else due - now

    def _next(self, now: int) -> int:
        times = [now + 50_000_000]
        due = self.timeline.next_due()
        if due is not None:
            times.append(due - STAGE_NS)
        earliest = self._earliest()
        tick = self.timeline.next_tick()
        if tick is not None:
            times.append(self.song.time_of(tick) - earliest - 3 * STAGE_NS)
        if self.song.playing:
            must = self.song.time_of(self.part.rendered) - self._need()
            may = must - AHEAD_NS
            times.append(may if may > now else must)
            if self.song.following:
                times.append(now + 10_000_000)
        value = self.outputs.next_value()
        if value is not None:
            times.append(value if value > now else now + 500_000)
        if self._hold_at is not None:
            times.append(self._hold_at)
        return max(min(times), now + 50_000)

    def _earliest(self) -> int:
        return self._most_early + max(0, -self.offset_ns)

    def _need(self) -> int:
        """How far ahead of now events must be known."""
        return self._horizon + self._earliest()

    # --- the way of a note -----------------------------------------------------------------------

    def _work(self, now: int) -> None:
        while self._waiting:
            command, done = self._waiting.popleft()
            self._answer(command, now, done)
        song = self.song
        if song.playing:
            ready = song.time_of(self.part.rendered)
            need = now + self._need()
            slack = self.slack(now)
            if ready < need or (ready < need + AHEAD_NS and slack > SLACK_NS):
                self._render(math.ceil(song.tick_at(need + AHEAD_NS + 4_000_000)))
        else:
            if self.part.swap_waits:
                self._change_score()
            if self._hold_at is not None and now >= self._hold_at:
                self._hold(now)
        if song.ready:
            until = now + self._horizon
            for item in self.leading.clock_bytes(until, song.time_of, not song.following):
                self.timeline.add(item)
            self.timeline.bind(until, song.time_of, self.offset_ns, self._earliest())

    def _render(self, goal: int) -> None:
        part = self.part
        while part.rendered < goal:
            start = part.rendered
            for item in part.render(goal, self.song.bpm):
                self.timeline.add(item)
            for item in self.leading.pulses(start, part.rendered, self.song.bpm):
                self.timeline.add(item)
            bpm = part.performance.at(part.rendered).bpm
            if not self.song.following and bpm != self._bpm:
                self._set_bpm(bpm, part.rendered)

    def _stage(self, now: int) -> int | None:
        """Encodes what falls together next, if that is near; returns its deadline."""
        due = self.timeline.next_due()
        if due is None or due > now + STAGE_NS:
            return None
        due, group = self.timeline.pop_group()
        messages: list[Message] = []
        for item in group:
            messages += self._encode(item, due)
        self._staged = self.outputs.ordered(messages)
        self._staged_due = due
        return due

    def _encode(self, item: Item, due: int) -> list[Message]:
        out = self.outputs
        if item.sort == "on":
            self._note_played(item, due)
            if item.output is None:
                return []
            self.timeline.opened(item)
            return out.gate_on(item.output, item.value)
        if item.sort == "value":
            return self._value(item, due)
        if item.sort == "off":
            output = self.timeline.closes(item)
            return [] if output is None else out.gate_off(output)
        if item.sort == "pulse" and item.output is not None:
            self.timeline.opened(item)
            return out.pulse_on(item.output)
        if item.sort == "mute":
            return [m for o in self.timeline.close_lane(item.owner) for m in out.gate_off(o)]
        if item.data == b"\xf8" and not self.leading.may_send(due, self.song.bpm):
            return []
        return [Message(port, CLOCK, item.data) for port in self.leading.send_to]

    def _value(self, item: Item, due: int) -> list[Message]:
        output = item.output
        if output is None:
            return []
        self._note_played(item, due)
        last = self._value_tick.get(output)
        self._value_tick[output] = item.tick
        step = last is None or not 0 <= item.tick - last <= GLIDE_TICKS
        if item.kind == "pitch" and step:
            # A new note must be there before its gate; only what moves may wait.
            self.outputs.withdraw(output)
            return self.outputs.value(output, item.value)
        self.outputs.offer(output, item.value, due)
        return []

    def _note_played(self, item: Item, due: int) -> None:
        self.played.append([item.tick, item.owner, item.kind, item.value, item.length, due])
        if len(self.played) > PLAYED_MOST:
            del self.played[: PLAYED_MOST // 2]

    def _send_staged(self) -> None:
        messages, due = self._staged, self._staged_due
        self._staged, self._staged_due = [], None
        self.outputs.send(messages, due)

    def _next_hits(self) -> dict[str, int]:
        return self.timeline.next_hits(self.outputs.port_of)

    # --- commands ----------------------------------------------------------------------------------

    def command(self, command: dict[str, Any], now: int, done: Done | None = None) -> None:
        """Does a command, or refuses it whole: CommandError, or `done(error)` where one is given.

        What is already on its way out (less than a millisecond) goes first; then `done` is called.
        """
        if self._staged_due is not None:
            check_command(command) if done is None else None
            self._waiting.append((command, done))
        elif done is None:
            self._execute(command, now)
        else:
            self._answer(command, now, done)

    def swap(self, score: Score, revision: int, when: str) -> None:
        """Plays another score from the next step, beat or bar on; at once when stopped."""
        self.part.swap(score, revision, when, self.song.playing)

    def _answer(self, command: dict[str, Any], now: int, done: Done | None) -> None:
        try:
            self._execute(command, now)
        except CommandError as error:
            if done is not None:
                done(error)
        else:
            if done is not None:
                done(None)

    def _execute(self, command: dict[str, Any], now: int) -> None:
        check_command(command)
        do = command["do"]
        song = self.song
        if do == "start":
            self._do(song.start(now), now)
        elif do == "stop":
            self._do(song.stop(now), now)
        elif do == "continue":
            self._do(song.go_on(now), now)
        elif do == "position":
            self._do(song.locate(command["tick"], now), now)
        elif do == "offset":
            if abs(command["ms"]) > 100:
                raise CommandError("the offset is from -100 to 100 ms")
            self.offset_ns = _offset(command["ms"])
            self.timeline.rebind()
        elif do == "nudge":
            self._do(song.nudge(command["ms"], now), now)
        elif do == "tap":
            bpm = song.tap(now)
            if bpm is not None:
                self._perform({"do": "tempo", "bpm": round(bpm, 1)}, now)
        elif do == "take-clock":
            self._do(song.take(now), now)
            self._keep_tempo()
        elif do == "follow":
            self._do(song.follow(command["source"], now), now)
            self._keep_tempo()
        elif do == "try":
            self._try(command["output"], command["action"], command["value"], now)
        elif do == "tempo" and song.following:
            raise CommandError(f"the tempo is that of {song.source}", "state")
        elif do == "reset":
            if command["lane"] not in self.score.positions:
                raise CommandError(f"there is no lane {command['lane']!r}", "unknown")
            self.part.renderer.reset(command["lane"])
        elif do == "quit":
            raise CommandError("the player is stopped by its process", "state")
        else:
            self._perform(command, now)

    def _perform(self, command: dict[str, Any], now: int) -> None:
        part = self.part
        before = part.unheard()
        part.performance.apply(command, part.rendered)
        for name, was, out in zip(part.names, before, part.unheard(), strict=True):
            if out and not was:
                self._silence(name)
        bpm = part.performance.at(part.rendered).bpm
        if not self.song.following and bpm != self._bpm:
            self._set_bpm(bpm, max(0, math.ceil(self.song.tick_at(now))))
        if not self.song.playing and self._hold_at is None:
            self._hold_at = max(now, self._held_at + HOLD_NS)

    def _silence(self, lane: str) -> None:
        self.timeline.drop_lane(lane)
        for output in self.timeline.close_lane(lane):
            self.outputs.send(self.outputs.gate_off(output))

    def _try(self, output: str, action: str, value: float, now: int) -> None:
        wired = self.outputs.wired.get(output)
        if wired is None:
            raise CommandError(f"there is no output {output!r}", "unknown")
        if (action == "gate") != wired.output.gates:
            raise CommandError(f"{output} is a {wired.output.kind} output: no {action} there")
        if action != "gate":
            if (action == "pitch") != (wired.output.kind == "pitch"):
                raise CommandError(f"{output} is a {wired.output.kind} output: no {action} there")
            self.outputs.offer(output, value, now)
        elif value > 0:
            width = round(wired.output.pulse_ms * 1e6) or TRY_NS
            item = Item("on", 0, output=output, value=min(value, 1.0), kind="try", width=width)
            self.timeline.hit_at(item, now)
        else:
            for name in self.timeline.close_output(output):
                self.outputs.send(self.outputs.gate_off(name))

    # --- the song clock's wishes -------------------------------------------------------------------

    def midi_in(self, port: str, stamp: int, data: bytes, now: int) -> None:
        """A message that came in on input `port` at `stamp`."""
        if not data or port in self.cut:
            return
        if data[0] != 0xF8 and self._echoes(port, stamp, data):
            return
        if data[0] < 0xF0:
            self.inputs.append([stamp, port, data.hex()])
            del self.inputs[:-PLAYED_MOST]
        elif port == self.song.source:
            self._do(self.song.midi(stamp, data), now)
        elif data[0] == 0xF8:
            self.others[port] = self.others.get(port, 0) + 1

    def _echoes(self, port: str, stamp: int, data: bytes) -> bool:
        seen = self._echo.setdefault(port, [b"", 0, 0])
        if data != seen[0] or stamp - seen[1] > 1_000_000_000:
            seen[:] = [data, stamp, 0]
        seen[2] += 1
        if seen[2] <= ECHO_MOST:
            return False
        self.cut.add(port)
        self.warnings.append(f"{port}: the same message over {ECHO_MOST} times a second; cut off")
        return True

    def _do(self, did: list[Did], now: int) -> None:
        for what in did:
            if what.do == "begin":
                self._begin(what.clock, what.ns, now)
            elif what.do == "locate":
                self._locate(what.clock, now)
            elif what.do == "close":
                self._stop()
            elif what.do == "moved":
                self._moved()
            elif what.do == "says":
                self.warnings.append(what.text)
            elif what.ns > now:
                self.timeline.add_at(Item("byte", 0, data=what.data), what.ns)
            else:
                self.outputs.send(
                    [Message(port, CLOCK, what.data) for port in self.leading.send_to]
                )

    def _begin(self, clock: int, at: int, now: int) -> None:
        self._quiet(before=at)
        tick = clock * TICKS_PER_CLOCK
        self.performance.running = True
        self._seek(tick)
        self.leading.align(tick)
        for item in self.part.standing(tick):
            self.timeline.add(item)
        for item in self.leading.begin(clock, at):
            self.timeline.add(item)

    def _locate(self, clock: int, now: int) -> None:
        self._seek(clock * TICKS_PER_CLOCK)
        if self.song.transport.state == "armed":
            if clock == 0:
                for item in self.leading.reset_now(now):
                    self.timeline.hit_at(item, now)
            for output, value in self.part.values().items():
                self.outputs.offer(output, value, now)
        self._held = self.part.values()

    def _seek(self, tick: int) -> None:
        if self.part.swap_waits:
            self._change_score()
        self.part.seek(tick)
        self._value_tick.clear()

    def _stop(self) -> None:
        self._quiet()
        self.outputs.send(self.outputs.rest_levels())
        self.performance.running = False
        self._held = self.part.values()

    def _quiet(self, before: int = 0) -> None:
        """Every gate closed, nothing queued but bytes due before `before`."""
        if self._staged_due is not None:
            self._send_staged()
        self._quiet_gates()
        self.timeline.clear(before)

    def _quiet_gates(self) -> None:
        for output in self.timeline.close_all():
            self.outputs.send(self.outputs.gate_off(output))

    def _moved(self) -> None:
        line = self.song.bpm
        due = self.timeline.next_due()
        if due is None:
            return
        if not self.song.following or abs(line - self._line_bpm) > 0.002 * line:
            self.timeline.rebind()
        self._line_bpm = line

    # --- values while the song stands --------------------------------------------------------------

    def _hold(self, now: int) -> None:
        """Sends what a hand has moved since the song stopped, and only that."""
        self._hold_at, self._held_at = None, now
        values = self.part.values()
        for output, value in values.items():
            if self._held.get(output) != value:
                self.outputs.offer(output, value, now)
        self._held = values

    # --- changes of tempo, mutes and score -----------------------------------------------------------

    def _set_bpm(self, bpm: float, tick: int) -> None:
        self._bpm = bpm
        self._do(self.song.set_tempo(bpm, tick), 0)

    def _keep_tempo(self) -> None:
        """After another clock: what is in milliseconds goes by the tempo that holds now."""
        bpm = min(max(round(self.song.bpm, 2), 20.0), 400.0)
        if bpm != self.performance.tempo:
            self.performance.apply({"do": "tempo", "bpm": bpm}, self.part.rendered)
        self._bpm = self.performance.tempo

    def _change_score(self) -> None:
        """While stopped: at once."""
        for item in self.part.change_score():
            if item.sort == "value" and item.output is not None:
                self.outputs.offer(item.output, item.value, 0)
        self._held = self.part.values()

    # --- ports, crash and end --------------------------------------------------------------------

    def port_lost(self, port: str) -> None:
        """The interface is away: nothing is sent to it, and the song goes on."""
        self.outputs.lost.add(port)
        self.warnings.append(f"{port}: the MIDI port is gone")

    def port_back(self, port: str, now: int) -> None:
        """It is there again: everything closed, present values, and no backlog."""
        self.outputs.lost.discard(port)
        self.outputs.send(self.outputs.setup(port))
        for output, value in self.part.values().items():
            if self.outputs.port_of[output] == port and self.song.playing:
                self.outputs.offer(output, value, now)
        self.warnings.append(f"{port}: the MIDI port is back")

    def overrun(self, count: int) -> None:
        """More came in than could be read."""
        self._quiet_gates()
        self.warnings.append(f"{count} incoming messages were dropped; gates were closed")

    def mute_derived(self, now: int) -> None:
        """Every derived lane out: the safe way to begin after repeated crashes."""
        for lane in self.score.lanes:
            if lane.kind == "logic":
                self._perform({"do": "mute", "lane": lane.name, "muted": True, "when": "now"}, now)
        self.warnings.append("started with derived lanes muted, after repeated failures")

    def resume(self, snapshot: Mapping[str, Any], clock: Callable[[], int]) -> None:
        """Goes on where `snapshot` (a state as `report` gives it) would be by now.

        Getting there takes time in which the song goes on, so the last part is done twice.
        """
        transport = snapshot["transport"]
        bpm = float(transport["tempo"])
        at = round(float(transport["at_ms"]) * 1e6)
        line = Anchor(float(transport["tick"]), at, bpm)
        playing = transport["state"] in ("running", "lost")
        tick = line.tick_at(clock()) if playing else float(transport["tick"])
        goal = -(-int(tick) // TICKS_PER_CLOCK) * TICKS_PER_CLOCK
        self.part.seek(goal)
        self.performance.restore(snapshot, goal)
        self.part.renderer.seek(goal)
        self._bpm = self.performance.tempo
        now = clock()
        if playing:
            now += RESUME_NS
            tick = line.tick_at(now)
            goal = -(-int(tick) // TICKS_PER_CLOCK) * TICKS_PER_CLOCK
            self.part.skip(max(goal, self.part.rendered))
        self._held = self.part.values()
        self._do(self.song.resume(tick, bpm, now, str(transport["state"])), now)

    def finish(self) -> None:
        """The last words: note-offs, then everything at rest whatever is believed."""
        playing = self.song.playing
        self._quiet()
        if playing:
            self.outputs.send([Message(port, CLOCK, b"\xfc") for port in self.leading.send_to])
        self.outputs.send(self.outputs.panic())


def _offset(ms: float) -> int:
    """Tenths of a millisecond, in ns."""
    return round(ms * 10) * 100_000

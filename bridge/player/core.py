"""The player: what to send, and when. No process, no socket, no sleeping.

Whoever runs it calls `step(now)`, which sends what is due and returns when to call again; commands
and incoming MIDI are handed in between. All times are monotonic nanoseconds, so a test plays an
hour in a second by handing in its own.

How an event gets out: the renderer gives events some 40 ms ahead (`part`); the timeline holds them
by tick and binds the next 15 ms to deadlines; what falls together is encoded a millisecond ahead
and then only sent (`sending`). Rendering and other work that can wait is done where no deadline is
near, and steps of glides, by far the most of what is sent, are sent without a look at all that
(`waking`).
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping

from bridge.clock.tempo import HIGHEST_BPM, LOWEST_BPM, TICKS_PER_CLOCK
from bridge.errors import CommandError
from bridge.music.performance import Performance
from bridge.music.score import Score
from bridge.player.going_on import Names
from bridge.player.incoming import Incoming
from bridge.player.leading import RESET_EARLY_NS, Leading
from bridge.player.outputs import Outputs
from bridge.player.part import Part
from bridge.player.rejoining import REST_SHARE, Rejoining
from bridge.player.sending import Sender
from bridge.player.songclock import Effect, SongClock
from bridge.player.standing import Standing
from bridge.player.stands import Stands
from bridge.player.start import PortSpec
from bridge.player.stride import AHEAD_NS, Stride
from bridge.player.tape import Tape
from bridge.player.timeline import Timeline
from bridge.player.waking import Waking
from bridge.ports.port import OutPort
from bridge.protocol.command import Command
from bridge.protocol.performing import MoveMacro, RunOrder
from bridge.protocol.running import SetTempo
from bridge.voltage.calibration import Correction
from bridge.voltage.profile import WiredOutput
from bridge.voltage.rig_parts import NS_PER_MS, ClockSettings, Timing, offset_ns_of

SWAP_SLACK_NS = 5_000_000
"""How far the next deadline must be away for another score to take over."""
BIND_MORE_NS = 25_000_000
"""So much further than needed deadlines are given: the next wake-up is one that sends."""
STALE_NS = 300_000
"""A followed clock moves a little at each pulse; deadlines further off than this are made anew."""
OTHER_TEMPO = 0.01
"""A followed clock that differs more than this is another tempo: what is in ms is made by it."""
LEFT_OUT_SAID_NS = 60_000_000_000
"""What is left out is said once, and again only after so long a pause."""
RENDER_NS = 12_000_000
"""How long rendering may take before everything else has its turn."""
RENDER_TICKS = 96
BEHIND_NS = 250_000_000
"""Rendering that is this far behind leaves music out, rather than to play all of it late."""
WARNINGS_MOST = 50

Done = Callable[[CommandError | None], None]
_TIMING, _SETTINGS = Timing(), ClockSettings()


class PlayerCore:
    """One set, playing on one rig. `clock` reads the monotonic time, for stamps of what was sent.

    Public besides the methods: `song` (where it is), `outputs` (ports, what was sent, lateness),
    `sender` (what was played), `incoming`, `performance`, `warnings`.
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
        timing: Timing = _TIMING,
        settings: ClockSettings = _SETTINGS,
        corrections: Mapping[str, Correction] | None = None,
        revision: int = 1,
    ) -> None:
        specs = specs or {}
        early = dict.fromkeys(outputs, 0)
        for name, wired in outputs.items():
            if (spec := specs.get(wired.port)) is not None:
                late_ms = spec.latency_ms + spec.voice_ms.get(name, 0.0)
                early[name] = round(late_ms * NS_PER_MS)
        self.part = Part(score, revision, outputs, early, timing, clock)
        self.outputs = Outputs(outputs, ports, specs, corrections or {}, clock)
        self.timeline = Timeline(timing.gap_ns)
        send_to = tuple(port for port in settings.send_to if port in self.outputs.ports)
        self.leading = Leading(outputs, send_to, round(timing.trigger_ms * NS_PER_MS))
        self.sender = Sender(self.timeline, self.outputs, self.leading)
        self.song = SongClock(now, self.performance.tempo, settings.follow, bool(send_to))
        self.incoming = Incoming()
        self.offset_ns = offset_ns_of(settings.offset_ms)
        self.warnings: list[str] = []
        self._clock = clock
        self._walk_at = 0
        self._stride = Stride()
        self._left_out_at: int | None = None
        self._most_early = max(RESET_EARLY_NS, timing.lead_ns + max(early.values(), default=0))
        self._horizon = max(15_000_000, timing.gap_ns + 8_000_000)
        self._waiting: deque[tuple[Command, Done | None, str]] = deque()
        self.standing = Standing(self.outputs)
        self._bpm = self.performance.tempo
        self._ready = self.song.ready
        self.tape: Tape | None = None
        self._stands = Stands(clock)
        self._rejoining = Rejoining(clock, self._stands)
        self._waking = Waking(
            self.song,
            self.part,
            self.leading,
            self.sender,
            self.standing,
            self._rejoining,
            self._horizon,
        )
        self._aim()
        for port in self.outputs.ports:
            self.outputs.send(self.outputs.setup(port))
        self.standing.take(self.part.values())

    @property
    def performance(self) -> Performance:
        return self.part.performance

    @property
    def staged(self) -> bool:
        """Whether the next messages are ready and only wait for their deadline."""
        return self.sender.staged_due is not None

    def record(self, origin: Mapping[str, object]) -> Tape:
        """Collects what is played from now on; `origin` says what the set was made of."""
        self.tape = self.outputs.tape = Tape(self.song.tick_at, origin, lambda: self.part.revision)
        return self.tape

    def warn(self, text: str) -> None:
        """A line for the performer; the oldest go."""
        if self.tape is not None:
            self.tape.note(self._clock(), "says", text=text)
        self.warnings.append(text)
        del self.warnings[:-WARNINGS_MOST]

    # --- time -----------------------------------------------------------------------------------

    def step(self, now: int) -> int:
        """Sends what is due by `now`; returns the time of the next call (at the latest)."""
        sender = self.sender
        if sender.staged_due is not None:
            if now < sender.staged_due:
                return sender.staged_due
            sender.send_staged()
            if not self._waiting and self._waking.calm(now):
                return self._waking.next_sent(now)
        elif sender.near(now) and not self._waiting and now < self._known_until():
            # Everything else can be done once that is sent.
            due = sender.stage(now, self.song.bpm)
            if due is not None:
                if not sender.may_leave(now):
                    return due
                sender.send_staged()
                now = max(now, due)
                if self._waking.calm(now):
                    return self._waking.next_sent(now)
        self.carry_out(self.song.check(now), now)
        while True:
            self._work(now)
            due = sender.stage(now, self.song.bpm)
            if due is None:
                break
            if not sender.may_leave(now):
                return due
            sender.send_staged()
            now = max(now, due)
        sender.send_moved(now)
        return self._waking.next(now, self._earliest(), self._walk_at)

    def slack(self, now: int) -> int:
        """Ns until something must be sent: how long other work may take."""
        return self.sender.slack(now)

    def _earliest(self) -> int:
        """The most by which anything may leave before its tick."""
        return self._most_early + max(0, -self.offset_ns)

    def _need(self) -> int:
        """How far ahead of now events must be known."""
        return self._horizon + self._earliest()

    def _work(self, now: int) -> None:
        while self._waiting:
            command, done, client = self._waiting.popleft()
            self._answer(command, now, done, client)
        song = self.song
        if song.playing:
            ready = song.time_of(self.part.rendered)
            need = now + self._need()
            if ready < need or (ready < need + AHEAD_NS and self.slack(now) > self._room()):
                begun = self._clock()
                self.render(math.ceil(song.tick_at(need + self._stride.ahead_ns)))
                self._stride.took(self._clock() - begun)
                self._stands.look(self.tape, self.part, self.slack)
            if self.part.catching_up is not None:
                self._rejoining.look(self.part, self.slack)
        elif self.part.seeking:
            if now >= self._walk_at:
                self._walk_at = now + (1 + REST_SHARE) * self.part.approach()
                if not self.part.seeking:
                    self._arrived(now)
        else:
            if self.part.swap_waits:
                self._change_score(max(0, math.ceil(song.tick_at(now))))
            if self.standing.at is not None and now >= self.standing.at:
                self.standing.send(self.part.values(), now)
        if song.ready and not self._ready:
            self.leading.align(math.ceil(song.tick_at(now)))  # clocks gone by are not sent
        self._ready = song.ready
        if song.ready:
            until = now + self._horizon + BIND_MORE_NS
            for item in self.leading.clock_bytes(until, song.time_of, not song.following):
                self.timeline.add(item)
            self.timeline.bind(until, song.time_of, self.offset_ns, self._earliest())

    def _room(self) -> int:
        """How far the next deadline must be away for rendering."""
        if self.part.swap_due:
            return SWAP_SLACK_NS
        if self.part.may_join:
            return self._rejoining.room_ns(self.part)
        return self._stride.room_ns

    def _known_until(self) -> int:
        """Nothing will be due before this but what has its deadline."""
        if not self.song.playing:
            return self.timeline.bound_until
        rendered = self.song.time_of(self.part.rendered) - self._earliest()
        return min(self.timeline.bound_until, rendered)

    def render(self, goal: int) -> None:
        part = self.part
        if part.last is not None:
            goal = min(goal, part.last)
        if (jump := self.song.horizon) is not None:
            goal = min(goal, jump)
        until = self._clock() + RENDER_NS
        while part.rendered < goal:
            now = self._clock()
            if now - self.song.time_of(part.rendered) > BEHIND_NS:
                self._leave_out(now)
            if now > until:
                return
            start = part.rendered
            if part.may_join:
                urgent = self.song.time_of(start) <= now + self._need()
                for item in self._rejoining.at_line(part, self.tape, self.slack, urgent):
                    self.timeline.add(item)
                if part.may_join:
                    return  # there is time to wait for room for it
            if part.swap_due:  # it may bring a tempo, which holds from the very line on
                for item in part.change_score():
                    self.timeline.add(item)
                self.keep_up(start)
            for item in part.render(min(goal, start + RENDER_TICKS), self.song.bpm):
                self.timeline.add(item)
            for item in self.leading.pulses(start, part.rendered, self.song.bpm):
                self.timeline.add(item)
            self.keep_up(part.rendered)
            if part.swap_due and self.song.time_of(part.rendered) > now + self._need():
                return  # there is time to wait for room for it

    def _leave_out(self, now: int) -> None:
        """Leaves out what is overdue by far: the song goes on where it should be by now."""
        part, song = self.part, self.song
        behind = now - song.time_of(part.rendered)
        self.sender.close_gates()
        part.skip(max(part.rendered, math.ceil(song.tick_at(now + self._need()))))
        self.keep_up(part.rendered)
        self._stands.soon()
        self.outputs.lateness.left_out_ns += behind
        if self._left_out_at is None or now - self._left_out_at > LEFT_OUT_SAID_NS:
            self.warn(
                f"playing fell {behind // NS_PER_MS} ms behind and that part is left out: "
                "the set asks too much of this computer, or something else keeps it busy"
            )
        self._left_out_at = now

    def keep_up(self, tick: int) -> None:
        """The song goes at the tempo that the performance has at `tick`, from there on."""
        bpm = self.part.performance.at(tick).bpm
        if not self.song.following and bpm != self._bpm:
            self._set_bpm(bpm, tick, 0)

    # --- commands -------------------------------------------------------------------------------

    def swap(
        self,
        score: Score,
        revision: int,
        when: str,
        renamed: Names | None = None,
        parts: Mapping[str, object] | None = None,
    ) -> None:
        """Plays another score from the next step, beat or bar on; at once when stopped. See
        `Part.swap`."""
        self._waking.disturb()
        self.part.swap(score, revision, when, self.song.playing, renamed, parts)

    def _answer(self, command: Command, now: int, done: Done | None, client: str) -> None:
        raise NotImplementedError("a player that takes commands is made by `player.dispatch`")

    def perform(self, command: Command, now: int, client: str = "") -> None:
        """Does what the performance knows about, and what follows from it here."""
        self._waking.disturb()
        part = self.part
        before = part.unheard()
        turned = None
        if isinstance(command, MoveMacro) and self.song.playing:
            turned = command.macro
        stood = {} if turned is None else part.driven_by(turned)
        part.apply(command, client)
        if turned is not None:
            # What is rendered does not know of the hand yet, and a finger is on it: at once.
            for output, volts in part.driven_by(turned).items():
                self.sender.shift(output, volts - stood[output], now)
        for name, was, out in zip(part.names, before, part.unheard(), strict=True):
            if out and not was:
                self.sender.silence(name)
        bpm = part.performance.at(part.rendered).bpm
        if not self.song.following and bpm != self._bpm:
            self._set_bpm(bpm, max(0, math.ceil(self.song.tick_at(now))), now)
        if not self.song.playing:
            self.standing.touch(now)

    # --- the song clock's wishes ----------------------------------------------------------------

    def midi_in(self, port: str, stamp: int, data: bytes, now: int) -> None:
        """A message that came in on input `port` at `stamp`."""
        wanted, warning = self.incoming.take(port, stamp, data, self.song.source)
        if warning:
            self.warn(warning)
        if wanted:
            self.carry_out(self.song.midi(stamp, data), now)
            if (jump := self.song.horizon) is not None:
                self.timeline.drop_from(jump)

    def carry_out(self, effects: list[Effect], now: int) -> None:
        """What the song clock says is to be done."""
        if effects:
            self._waking.disturb()
        for what in effects:
            if what.do == "begin":
                self._begin(what.clock, what.ns, now)
            elif what.do == "locate":
                self._locate(what.clock, now)
            elif what.do == "close":
                self._stop(now)
            elif what.do == "moved":
                self._moved()
            elif what.do == "says":
                self.warn(what.text)
            else:
                self.sender.realtime(what.data, what.ns, now)

    def _begin(self, clock: int, at: int, now: int) -> None:
        tick = clock * TICKS_PER_CLOCK
        jumps = self.tape is not None and self.tape.running
        if self.tape is not None:
            self.tape.begin(now, at, tick, self._facts)
            self.tape.line(*self.song.pieces)
        self.sender.quiet(before=at)
        self.performance.running = True
        self._seek(tick)
        if tick == 0 and self.performance.index.spec.order_starts:
            self.part.apply(RunOrder(run=True, entry=0))
        self._stands.begin(self.tape, self.part, fresh=not (tick or jumps))
        self.leading.align(tick)
        self._aim()
        for item in self.part.standing(tick):
            self.timeline.add(item)
        for item in self.leading.begin(clock, at, now):
            self.timeline.add(item)

    def _facts(self) -> dict[str, object]:
        """What another player needs to begin as this one does now."""
        song = {"bpm": self._bpm, "source": self.song.source, "offset_ns": self.offset_ns}
        return {**self.part.memory(), **song, "outputs": self.outputs.memory()}

    def _locate(self, clock: int, now: int) -> None:
        if self.part.swap_waits:
            self._change_score(max(0, math.ceil(self.song.tick_at(now))))
        self.part.head_for(clock * TICKS_PER_CLOCK)
        if self.song.playing or not self.part.seeking:
            self._arrived(now)

    def _arrived(self, now: int) -> None:
        """The renderer stands where the song does."""
        clock = self.part.rendered // TICKS_PER_CLOCK
        if self.song.transport.state == "armed":
            # The first clock may come any moment: what must be there before it goes now.
            if clock == 0:
                for item in self.leading.reset_now(now):
                    self.timeline.hit_at(item, now)
            for output, value in self.part.values().items():
                self.outputs.offer(output, value, now)
        self.standing.take(self.part.values())

    def _seek(self, tick: int) -> None:
        if self.part.swap_waits:
            self._change_score(tick)
        self.part.seek(tick)

    def _stop(self, now: int) -> None:
        if self.tape is not None:
            self.tape.stopping(now, self.part.rendered, "stop")
        self.sender.quiet()
        if self.song.ready:
            self.leading.align(math.ceil(self.song.tick_at(now)))  # clocks go on
        self.outputs.send(self.outputs.rest_levels())
        if self.tape is not None:
            self.tape.end(now)
        self.performance.running = False
        self.standing.take(self.part.values())

    def _moved(self) -> None:
        """The line from ticks to time is another one: so are deadlines, where it matters."""
        tick, at = self._aimed
        if self.song.following and abs(self.song.bpm / self.performance.tempo - 1) > OTHER_TEMPO:
            self.keep_tempo()
        if not self.song.following or abs(self.song.time_of(tick) - at) > STALE_NS:
            self.timeline.rebind()
            self._aim()
        if self.tape is not None:
            self.tape.line(*self.song.pieces)

    def _aim(self) -> None:
        tick = self.part.rendered
        self._aimed = (tick, self.song.time_of(tick))

    # --- changes of tempo and score -------------------------------------------------------------

    def _set_bpm(self, bpm: float, tick: int, now: int) -> None:
        self._bpm = bpm
        self.carry_out(self.song.set_tempo(bpm, tick), now)

    def keep_tempo(self) -> None:
        """After another clock: what is in milliseconds goes by the tempo that holds now."""
        bpm = min(max(round(self.song.bpm, 2), LOWEST_BPM), HIGHEST_BPM)
        if bpm != self.performance.tempo:
            self.part.apply(SetTempo(bpm=bpm))
            if self.tape is not None:
                self.tape.note(self._clock(), "tempo", rendered=self.part.rendered, bpm=bpm)
        self._bpm = self.performance.tempo

    def _change_score(self, tick: int) -> None:
        """While stopped: at once; a tempo that comes with it holds from `tick` on."""
        for item in self.part.change_score():
            if item.sort == "value" and item.output is not None:
                self.outputs.offer(item.output, item.value, 0)
        self.keep_up(tick)
        self.standing.take(self.part.values())

    # --- the end ----------------------------------------------------------------------------------

    def finish(self) -> None:
        """The last words: note-offs, then everything at rest whatever is believed."""
        playing = self.song.playing
        if self.tape is not None:
            self.tape.stopping(self._clock(), self.part.rendered, "finish")
        self.sender.quiet()
        if playing:
            self.sender.realtime(b"\xfc", 0, 0)
        self.outputs.send(self.outputs.panic())
        if self.tape is not None:
            self.tape.end(self._clock())

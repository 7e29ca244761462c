"""Starts the player and the service, watches both, and keeps the music and the rack safe.

When the player dies, every output is closed at once over ports that this process holds for the
purpose, and a new player goes on where the old one would be by now, mutes and macros as they
were. When players die of a set that has not sounded for long, the last one that has comes back;
when they go on dying, each new one begins with less of what may have ended the others. When the
service dies, the groove goes on, and the service is started again. A player that says nothing has
its outputs closed, then it is ended and counts as dead. Neither is ever given up.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

from bridge.errors import BridgeError
from bridge.files import store
from bridge.files.token import kept_token
from bridge.player.closing import OFTEN_NS
from bridge.player.wake import Wake
from bridge.supervisor import failsafe, heap, loading, lock, voice
from bridge.supervisor.ahead import Ahead, begun_ahead
from bridge.supervisor.crashes import Care, Crashes, cause
from bridge.supervisor.failsafe import Failsafe
from bridge.supervisor.fallback import Fallback, Loaded
from bridge.supervisor.folders import run_folder, state_folder
from bridge.supervisor.greeting import greeting, is_journal
from bridge.supervisor.guards import Guards
from bridge.supervisor.health import Health, Told
from bridge.supervisor.loading import Options
from bridge.supervisor.moment import Moments
from bridge.supervisor.notify import Notifier
from bridge.supervisor.player_child import PlayerChild
from bridge.supervisor.prepared import Prepared
from bridge.supervisor.recorder import Recorder
from bridge.supervisor.service_child import ServiceChild
from bridge.supervisor.spending import Spending
from bridge.supervisor.watch import Watch

CLOSE_NS, SILENT_NS = 1_000_000_000, 2_000_000_000
"""A player that is well says something three times a second. One that has said nothing for so long
has its outputs closed; one that goes on saying nothing is ended."""
STOP_S, CLOSE_ANYWAY_S = 3.0, 0.5
"""How long the children have to end, and after how long their outputs are closed for them."""
MEND_S = 2.0
STANDARD_OUTPUT = 1
TURN_S = 0.25


_now = time.monotonic_ns


class Supervisor:
    """Two children and what is needed to replace either. `run` returns the exit code."""

    def __init__(self, options: Options, folder: Path, ahead: Ahead) -> None:
        self.options = options
        self._out = voice.standard()
        self._log = voice.Log(
            "lanebridge", voice.standard(lambda: sys.stderr, 2), options.log_json, options.least
        )
        self._encoding = voice.encoding_of(sys.stdout)
        self._notify = Notifier()
        self._stopping = False
        self._warned: set[str] = set()
        self.token = self._access_token() if options.lan else None
        self._run = os.urandom(8).hex()
        self._socket = str(folder / "player.sock")
        state = state_folder()
        request = loading.Request(options, self._socket, state, self._run)
        self._start = loading.answer(ahead.reader, request)
        for folder_of in {options.rig.resolve().parent, options.set.resolve().parent}:
            store.sweep(folder_of, store.OTHERS_S)
        self._spending = Spending()
        self._moments = Moments(state, options.rig, options.set, self._run, self._spending)
        self._fallback = Fallback(_loaded(self._start), self._start.good)
        self._failsafe = Failsafe(self._start.safeties)
        self._say_once(*failsafe.keep(self._start.safeties, state))
        self._watch = Watch()
        self._recorder = Recorder(state, self._about_take, self._spending)
        self._crashes = Crashes()
        self._told = Told(folder)
        self.player = PlayerChild(self._said_by_player, self._player_began, ahead.players)
        self._closed_for = 0
        self._greeted = False
        self.service = ServiceChild(
            self._service_options(),
            {} if self.token is None else {"LANEBRIDGE_TOKEN": self.token},
            self._said_by_service,
            self._service_ready,
        )
        self._say_once(*self._start.warnings)
        self._looked_ns = _now()
        self._mend_at = 0.0
        self._guards = Guards()
        self._wake = Wake()

    # --- from start to end ----------------------------------------------------------------------

    def run(self) -> int:
        """Until a signal asks to stop. The end of a terminal does not."""
        handlers: dict[signal.Signals, Any] = {
            signal.SIGTERM: self._stop,
            signal.SIGINT: self._stop,
            signal.SIGCHLD: lambda *_: None,
            signal.SIGHUP: lambda *_: None,
        }
        old = [(name, signal.signal(name, handler)) for name, handler in handlers.items()]
        signal.set_wakeup_fd(self._wake.write_fd, warn_on_full_buffer=False)
        try:
            self._guards.add(self.player.start(self._start))
            self._failsafe.open()
            self._guards.add(self.service.start())
            while not self._stopping:
                self._turn()
        finally:
            self._end()
            signal.set_wakeup_fd(-1)
            self._wake.close()
            for name, handler in old:
                signal.signal(name, handler)
        return 0

    def _turn(self) -> None:
        """Waits for the next thing that happens, and sees to it."""
        watch = self._watch.sock
        lines = [*self.player.sources(), *self.service.sources()]
        sources: list[Any] = [self._wake.fd, *self._guards.sources, *lines]
        if watch is not None:
            sources.append(watch)
        readable, _, _ = select.select(sources, [], [], self._pause())
        self._wake.quiet()
        if watch is not None and watch in readable:
            self._watch.read(_now())
            self._failsafe.heard(self._watch.notes)
            self._watch.notes.clear()
            self._record()
            self._say_once(*self._watch.state.get("warnings", ()))
            self._follow()
        for source in lines:
            if source in readable:
                source.read()
        for child in self._guards.ended(readable):
            if child is self.player.child:
                self._player_died()
            elif child is self.service.child:
                self._service_died()
        self._failsafe.look(_now())
        self._look()
        self._notify.alive(time.monotonic())

    def _pause(self) -> float:
        clock = time.monotonic()
        until = [at - clock for at in (self.service.at, self.player.at) if at is not None]
        if self._failsafe.again_ns is not None:
            until.append((self._failsafe.again_ns - _now()) / 1e9)
        return max(0.0, min([TURN_S, *until]))

    def _look(self) -> None:
        """What is done now and then: a silent child, one to start, ports to mend, the moment."""
        now, clock = _now(), time.monotonic()
        # After a pause of our own (a suspended computer) the silence of others says nothing.
        if now - self._looked_ns > CLOSE_NS // 2:
            self._watch.heard_ns = now
            self.service.awake(clock)
        self._looked_ns = now
        self._look_at_player(now, clock)
        why = self.service.look(clock)
        if why:
            self.say(f"the service {why}; starting it again", "error")
        if self.service.at is not None and clock >= self.service.at:
            self._guards.add(self.service.start())
        if clock >= self._mend_at:
            self._mend_at = clock + MEND_S
            self._failsafe.mend()
        if self._watch.state:
            self._moments.look(self._watch.state, clock)
        self._recorder.look(clock)
        for note in filter(None, (self._moments.news(), self._recorder.news())):
            self.say(note, "warning")
        if self._told.due(clock):
            self._told.tell(
                Health(
                    player_restarts=self._start.restarts,
                    service_starts=self.service.starts,
                    recent_deaths=self._crashes.recent(clock),
                    kept_bytes=self._spending.of_hour(clock),
                    unkept=self._moments.problem or self._recorder.problem,
                    lost_of_takes=self._recorder.lost,
                    lines_left_out=self._log.left_out,
                )
            )

    def _look_at_player(self, now: int, clock: float) -> None:
        player, silent = self.player, now - self._watch.heard_ns
        why = player.look(clock)
        if why:
            self.say(f"the player {why}; starting it again", "error")
        if player.ready and silent > CLOSE_NS and self._closed_for != self._watch.heard_ns:
            self._closed_for = self._watch.heard_ns
            self.say("the player does not answer; outputs are closed", "error")
            self._failsafe.begin(now)
        elif player.ready and silent < CLOSE_NS and self._failsafe.again_ns is not None:
            self._failsafe.rest()  # it was only slow
        if player.ready and silent > SILENT_NS:
            self.say("the player still does not answer; starting it again", "error")
            self._watch.heard_ns = now
            player.kill()
        if self._watch.sock is None and player.ready and not self._stopping:
            with contextlib.suppress(OSError):
                self._watch.connect(self._socket, now)
        if player.due(clock, self._failsafe.left_behind):
            self._guards.add(player.start(self._start))

    def _end(self) -> None:
        """Stops both at once, and closes every output unless the player has done it."""
        self._notify.tell(STOPPING="1")
        self._stopping = True
        self.player.end_next()
        children = [child for child in (self.player.child, self.service.child) if child is not None]
        for child in children:
            if child.poll() is None:
                child.terminate()
        begun = _now()
        while any(child.poll() is None for child in children):
            now = _now()
            if now - begun > STOP_S * 1e9:
                for child in children:
                    child.kill()
            slow = self.player.child is not None and now - begun > CLOSE_ANYWAY_S * 1e9
            if slow and self._failsafe.again_ns is None:
                self._failsafe.begin(now)
            self._failsafe.look(now)
            time.sleep(0.01)
        if self.player.child is None or self.player.child.returncode != 0:
            self._close_for_good()
        self.player.close()
        self.service.close()
        self._failsafe.stop()
        self._watch.read(_now())
        self._record()
        self._recorder.end(time.monotonic())
        self._watch.close()
        self._guards.close()
        self._moments.end(self._watch.state)
        self._notify.close()
        self._out.close()
        self._log.close()

    def _close_for_good(self) -> None:
        until = _now() + OFTEN_NS
        self._failsafe.begin(_now())
        while (now := _now()) < until:
            time.sleep(0.02)
            self._failsafe.look(now)

    def _stop(self, *_: object) -> None:
        self._stopping = True

    # --- what is said ---------------------------------------------------------------------------

    def say(self, text: str, level: voice.Level = "info") -> None:
        """One line for whoever looks at the terminal or the journal."""
        self._log.say(text, level)
        self._notify.tell(STATUS=text.replace("\n", " "))

    def _say_once(self, *texts: str) -> None:
        for text in texts:
            if text not in self._warned:
                self._warned.add(text)
                self.say(text, "warning")

    def _access_token(self) -> str:
        """The token that the network needs, the same at every start; what is odd about it is
        said."""
        token, note = kept_token(state_folder())
        if note:
            self.say(note, "warning")
        return token

    # --- the player -----------------------------------------------------------------------------

    def _said_by_player(self, text: str) -> None:
        self._log.say(text, "warning", who="player")

    def _player_began(self) -> None:
        """It plays: all that a start promises, the page may still be on its way."""
        self._notify.tell(READY="1")
        self._failsafe.rest()
        start = self._start
        if start.restarts == 0:
            self._keep_good(str(self.options.rig), start.rig_text)
        if not store.good_copy(Path(start.file), state_folder()).exists():
            self._keep_good(start.file, start.text)
        self._watch.heard_ns = _now()
        with contextlib.suppress(OSError):
            self._watch.connect(self._socket, _now())

    def _follow(self) -> None:
        """What the player plays by now, and whether that has sounded for long enough to be good."""
        watch = self._watch
        if watch.revision is not None:
            self._fallback.takes(Loaded(watch.score, watch.revision, watch.text, watch.file))
        sounding = watch.state.get("transport", {}).get("state") in ("running", "lost")
        if self._fallback.heard(_now(), sounding):
            good = self._fallback.present
            self._keep_good(good.file, good.text)

    def _record(self) -> None:
        """What the player has played goes into its take."""
        for batch in self._watch.batches:
            self._recorder.hear(batch, time.monotonic())
        self._watch.batches.clear()

    def _about_take(self) -> dict[str, object]:
        state, start = self._watch.state, self._start
        return {
            "version": start.version,
            "rig": start.rig,
            "set": state.get("set", start.set),
            "meter": state.get("meter") or list(start.meter),
            "files": start.rig_texts,
        }

    def _keep_good(self, file: str, text: str) -> None:
        try:
            if file and text:
                store.keep_good(Path(file), text, state_folder())
        except OSError as error:
            self._say_once(f"a good copy of {file} cannot be kept: {error.strerror or error}")

    def _player_died(self) -> None:
        self._failsafe.begin(_now())
        code, was_ready = self.player.ended()
        self._watch.read(_now())
        self._record()
        self._follow()
        self._watch.close()
        if self._stopping:
            return
        self.say(
            f"the player ended ({cause(code)}); outputs are closed, starting it again", "error"
        )
        care = self._crashes.died(time.monotonic())
        for text in self._next_start(care):
            self.say(text, "error")
        self.player.again(slowly=care.fresh or not was_ready)

    def _next_start(self, care: Care) -> tuple[str, ...]:
        """Makes what the next player is begun with; gives the lines that say what is odd in it."""
        watch = self._watch
        fell_back = self._fallback.died()
        present = self._fallback.present
        if fell_back:
            watch.score, watch.revision = present.score, present.revision
            watch.text, watch.file = present.text, present.file
        revision, memory = watch.memory or (None, None)
        fits = revision == present.revision and not care.safe
        said = FELL_BACK if fell_back else care.says
        warnings = (said,) if said else ()
        if care.fresh:
            watch.forget_state()
        start = self._start
        self._start = replace(
            start,
            memory=memory if fits else None,
            snapshot=None if care.fresh else watch.state or start.snapshot,
            play=start.play and not watch.state and not care.fresh,
            score=present.score,
            text=present.text,
            file=present.file,
            revision=present.revision,
            restarts=start.restarts + 1,
            safe=care.safe and not fell_back,
            warnings=warnings,
        )
        return warnings

    # --- the service ----------------------------------------------------------------------------

    def _service_options(self) -> dict[str, object]:
        options = self.options
        return {
            "rig": str(options.rig),
            "set": str(options.set),
            "socket": self._socket,
            "http_port": options.http_port,
            "osc_port": options.osc_port,
            "lan": options.lan,
            "state_dir": str(state_folder()),
            "run": self._run,
            "log_json": options.log_json,
            "log_least": options.least,
        }

    def _said_by_service(self, text: str) -> None:
        self._log.raw(text)

    def _service_ready(self, address: str, code: str) -> None:
        if not self._greeted:
            self._greeted = True
            self._out.line(
                greeting(
                    address,
                    f"{self._start.set} on {self._start.rig}",
                    self.token,
                    code,
                    encoding=self._encoding,
                    journal=is_journal(STANDARD_OUTPUT),
                )
            )

    def _service_died(self) -> None:
        code = self.service.ended()
        if not self._stopping:
            self.say(
                f"the service ended ({cause(code)}); playing goes on, starting it again", "error"
            )


FELL_BACK = "the set ended the player twice; the last one that played well is back"


def _loaded(start: Prepared) -> Loaded:
    return Loaded(start.score, start.revision, start.text, start.file)


def run(options: Options, ahead: Ahead | None = None) -> int:
    """Plays a set on a rig until SIGTERM or Ctrl-C.

    Args:
        options: what is asked for.
        ahead: what was begun already, if anything (`bridge.supervisor.ahead`).

    Returns:
        The exit code: 0, or that of the error, which is said on standard error.
    """
    voice.hold_standard_handles()
    heap.keep_small()
    # Private to this user (0700), and gone afterwards.
    with tempfile.TemporaryDirectory(prefix="lanebridge-", dir=run_folder()) as folder:
        handle = None
        try:
            handle = lock.take(state_folder())
            with contextlib.nullcontext(ahead) if ahead else begun_ahead() as begun:
                return Supervisor(options, Path(folder), begun).run()
        except BridgeError as error:
            with contextlib.suppress(OSError):
                print(error, file=sys.stderr, flush=True)
            return error.exit
        finally:
            if handle is not None:
                os.close(handle)

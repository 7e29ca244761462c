"""Real MIDI ports through python-rtmidi, which is imported only when one is asked for.

Facts about that library (1.5.8) that decide the shape of this module:

- Without an ALSA sequencer its own choice of system fails instead of turning to JACK, so the
  systems are tried here, in order.
- Every listing by a fresh object makes a client of the system's sequencer, and those run out after
  some dozens; so one object per direction is kept for all listings. On JACK `JackWatch` lists.
- A peer that went away is silent: sending goes on into nothing. Only the list of names tells.
- A peer that returns is not connected again by itself; closing and opening again does it, but
  closing an input also takes its callback away.
- Clock messages are filtered unless asked for.
- A JACK server that ends leaves objects that must never be touched again, not even to be closed:
  the library underneath frees its clients at the next opening. They are kept for ever instead, and
  everything is made anew (`System.renewed`).
- A JACK server that hangs takes nothing, and sending waits for ever once its buffer is full: so
  nothing is sent while `System.taking` is False.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import sys
import time
from collections.abc import Collection, Iterator
from typing import Any

from bridge.errors import PortError
from bridge.ports.jack_watch import JackWatch
from bridge.ports.port import CLIENT, Receive, bare, find, plain
from bridge.ports.usb import named, split

ALSA_SEQUENCER = "/dev/snd/seq"
RETRY_S = 2.0
"""A system that is away is looked for this often: it takes some milliseconds each time."""


class System:
    """The MIDI system of this computer: one client per direction for listing names.

    Raises PortError when there is no MIDI system at all.
    """

    def __init__(self) -> None:
        try:
            import rtmidi
        except ImportError as problem:
            raise PortError(f"real MIDI ports need python-rtmidi ({problem})") from problem
        self._rtmidi: Any = rtmidi
        self._out: Any = None
        self.api: object = None
        self.taking = True
        self._gone = False
        self._made: list[object] = []
        self._next: System | None = None
        self._retry_at = 0.0
        self._in: Any = None
        self._watch: JackWatch | None = None
        for api in self._candidates():
            if api == rtmidi.API_UNIX_JACK:
                with contextlib.suppress(OSError), _quiet():
                    self._watch = JackWatch(f"{CLIENT}-watch")
            # Without it everything works but noticing the server's end.
            if self._watch is None:
                with contextlib.suppress(rtmidi.RtMidiError), _quiet():
                    self._out = rtmidi.MidiOut(api, name=f"{CLIENT}-names")
            if self._watch is not None or self._out is not None:
                self.api = api
                break
        if self.api is None:
            raise PortError(
                "there is no MIDI system: "
                "neither an ALSA sequencer (module snd-seq) nor a JACK server"
            )

    def look(self) -> bool:
        """Whether what is sent is taken now (`taking` says so until the next look)."""
        state = "alive" if self._watch is None else self._watch.state()
        self.taking = state == "alive" and not self._gone
        if state == "gone" and not self._gone:
            self._gone = True
            # One reference more than there are: never freed, since freeing would close them.
            for midi in (*self._made, self._out, self._in):
                ctypes.pythonapi.Py_IncRef(ctypes.py_object(midi))
        return self.taking

    def renewed(self) -> System:
        """This system, or what has come in its place after its end. Raises PortError while there
        is nothing."""
        self.look()
        if not self._gone:
            return self
        if self._next is None:
            now = time.monotonic()
            if now < self._retry_at:
                raise PortError("the MIDI system has ended; waiting for it")
            self._retry_at = now + RETRY_S
            self._next = System()
        return self._next.renewed()

    def outputs(self) -> list[str]:
        """Names of ports that take bytes from us."""
        return self._named(self._out) if self._watch is None else self._watch.names("out")

    def inputs(self) -> list[str]:
        """Names of ports that bytes come from."""
        if self._watch is not None:
            return self._watch.names("in")
        if self._in is None:
            self._in = self._rtmidi.MidiIn(self.api, name=f"{CLIENT}-names")
        return self._named(self._in)

    def left_behind(self, labels: Collection[str]) -> bool:
        """Whether outputs of ours by these labels are there still, of a process that has died."""
        if self._watch is None:
            return False
        ours = (name.partition(":") for name in self._watch.names("in") if name.startswith(CLIENT))
        return any(label in labels for _, _, label in ours)

    def _named(self, lister: Any) -> list[str]:
        """In the system's order, with the USB socket of each where it is known."""
        names = [str(name) for name in lister.get_ports()]
        if self.api == self._rtmidi.API_LINUX_ALSA:
            return [named(name) for name in names]
        return names

    def make_out(self, client: str) -> object:
        midi = self._rtmidi.MidiOut(self.api, name=client)
        self._made.append(midi)
        return midi

    def make_in(self, client: str) -> Any:
        midi = self._rtmidi.MidiIn(self.api, name=client)
        self._made.append(midi)
        return midi

    def unmake(self, midi: Any) -> None:
        """Closes what `make_out` or `make_in` gave."""
        if self._gone:
            return
        with contextlib.suppress(OSError):
            midi.close_port()
        midi.delete()
        self._made.remove(midi)

    def close(self) -> None:
        self.look()
        if self._gone:
            return
        if self._watch is not None:
            self._watch.close()
        for port in (self._out, self._in):
            if port is not None:
                port.delete()
        self._out = self._in = self._watch = None

    def _candidates(self) -> list[object]:
        rtmidi = self._rtmidi
        compiled = list(rtmidi.get_compiled_api())
        if sys.platform.startswith("linux"):
            wanted = [rtmidi.API_UNIX_JACK]
            if os.path.exists(ALSA_SEQUENCER):
                wanted.insert(0, rtmidi.API_LINUX_ALSA)
            return [api for api in wanted if api in compiled]
        return [api for api in compiled if api != rtmidi.API_RTMIDI_DUMMY]


class _Port:
    """What inputs and outputs share: a name looked for in the system's list, and reopening."""

    _way = "output"

    def __init__(self, system: System, text: str, label: str) -> None:
        self._system = system
        self._text = text
        self._label = label
        self._virtual = text.startswith("virtual:")
        self._closed = False
        self.name = text.removeprefix("virtual:")
        self._midi = self._make()
        self._open()

    def _names(self) -> list[str]:
        raise NotImplementedError

    def _make(self) -> Any:
        raise NotImplementedError

    def _open(self) -> None:
        try:
            if self._virtual:
                self._midi.open_virtual_port(self.name)
                return
            names = self._names()
            self.name = find(self._text, names, self._way)
            self._midi.open_port(names.index(self.name), name=self._label)
        except PortError:
            self._system.unmake(self._midi)
            raise
        except OSError as problem:  # the library's errors are OSErrors
            self._system.unmake(self._midi)
            raise PortError(
                f"MIDI {self._way} {self.name!r} cannot be opened: {problem}"
            ) from problem

    def alive(self) -> bool:
        if self._closed or not self._system.look():
            return False
        if self._virtual:
            return True
        mine = plain(self.name)
        return any(plain(name) == mine for name in self._names())

    def reopen(self) -> bool:
        if self._closed:
            return False
        try:
            system = self._system.renewed()
            if system is not self._system:
                return self._anew(system)
        except OSError:  # PortError included
            return False
        if not system.taking:
            return False
        if self._virtual:
            return True
        names = self._names()
        try:
            found = self._again(names)
            self._midi.close_port()
            self._midi.open_port(names.index(found), name=self._label)
        except OSError:  # PortError included: still away, or two of the name for a moment
            return False
        self._listen()
        self.name = found
        return True

    def _again(self, names: list[str]) -> str:
        """The port that is back: in its USB socket, or in another one where none was asked for."""
        try:
            return find(plain(self.name), names, self._way)
        except PortError:
            if split(self._text)[1]:
                raise
            return find(bare(self.name), names, self._way)

    def _anew(self, system: System) -> bool:
        """In another system than before: nothing of the old one is touched."""
        before, text = (self._system, self._midi), self._text
        self._system = system
        self._midi = self._make()
        try:
            self._text = self._text if self._virtual else plain(self.name)
            self._open()
        except PortError:
            self._system, self._midi = before
            return False
        finally:
            self._text = text
        self._listen()
        return True

    def _listen(self) -> None:
        """What an input needs after each opening."""

    def close(self) -> None:
        if self._closed:
            return
        self._closed = True
        self._system.look()
        self._system.unmake(self._midi)


class RtOut(_Port):
    """An output: `text` is part of a port's name, or ``virtual:NAME`` to offer one of our own."""

    def _names(self) -> list[str]:
        return self._system.outputs()

    def _make(self) -> object:
        return self._system.make_out(CLIENT)

    def send(self, data: bytes) -> None:
        # A look takes microseconds, and the last one may have been a second ago.
        if self._closed or not (self._system.taking or self._system.look()):
            return
        # Not an error of ours: the port is gone, and `alive` will say so.
        with contextlib.suppress(OSError):
            self._midi.send_message(data)


class RtIn(_Port):
    """An input. `receive` is called from the library's thread, with nothing done before."""

    _way = "input"

    def __init__(self, system: System, text: str, label: str, receive: Receive) -> None:
        self._receive = receive
        super().__init__(system, text, label)
        self._listen()

    def _names(self) -> list[str]:
        return self._system.inputs()

    def _make(self) -> object:
        midi = self._system.make_in(CLIENT)
        midi.ignore_types(sysex=True, timing=False, active_sense=True)
        return midi

    def _listen(self) -> None:
        receive = self._receive
        stamp = time.monotonic_ns

        def arrived(event: tuple[list[int], float], _: object = None) -> None:
            receive(stamp(), bytes(event[0]))

        self._midi.set_callback(arrived)


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """The systems' own libraries print when they are not there; that is said here in one line."""
    try:
        saved = os.dup(2)
        null = os.open(os.devnull, os.O_WRONLY)
    except OSError:
        yield
        return
    try:
        os.dup2(null, 2)
        yield
    finally:
        os.dup2(saved, 2)
        os.close(saved)
        os.close(null)

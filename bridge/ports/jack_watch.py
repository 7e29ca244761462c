"""What a JACK server has, whether it is there, and whether it takes what is sent.

The MIDI library tells only the first, and takes for it a client that is run in every cycle. After
the server has ended, its listing and sending go on into nothing, and where the server hangs, it
waits for ever once its buffer is full. So a client of our own, without ports, lists them
(``jack_get_ports``), asks to be told of the server's end (``jack_on_shutdown``), and looks whether
its time goes on (``jack_last_frame_time``; all in jack/jack.h). It is never activated: no cycle has
to wait for it, above all not when this process has died, for a dead client that is still in the
graph holds up whoever comes next (seconds were measured, and an opening that was refused). Only
what is needed is called, by ctypes.
"""

from __future__ import annotations

import ctypes
import glob
import os
import time
from typing import Any, Literal

State = Literal["alive", "stalled", "gone"]
Way = Literal["out", "in"]

LIBRARIES = ("libjack.so.0", "libjack.0.dylib")
SHARED = "/dev/shm"
NO_START_SERVER = 0x01
MIDI = b"8 bit raw midi"
FLAGS = {"out": 0x1, "in": 0x2}
"""By our way to a port: one that takes bytes (JackPortIsInput), one that gives them."""
STALL_S = 0.9
"""A server whose time has stood for so long takes nothing: its periods are at most some tenths of
a second, and clients that die hold it up for less than half a second (measured)."""


class JackWatch:
    """A client that only watches. Raises OSError when there is no library or no server."""

    def __init__(self, name: str) -> None:
        library = _library()
        opened = library.jack_client_open(name.encode(), NO_START_SERVER, None)
        if not opened:
            raise OSError("the JACK server takes no client")
        self._library = library
        self._client = ctypes.c_void_p(opened)
        self._gone = False
        # Kept as long as we live: it is called from a thread of the library.
        self._told = _SHUTDOWN(self._shut_down)
        library.jack_on_shutdown(self._client, self._told, None)
        self._frame = library.jack_last_frame_time(self._client)
        self._moved_at = time.monotonic()

    def state(self) -> State:
        """Takes microseconds."""
        if self._gone:
            return "gone"
        frame, now = self._library.jack_last_frame_time(self._client), time.monotonic()
        if frame != self._frame:
            self._frame, self._moved_at = frame, now
        return "stalled" if now - self._moved_at > STALL_S else "alive"

    def names(self, way: Way) -> list[str]:
        """The MIDI ports that bytes go out to, or come in from, in the server's order, which is
        that of the MIDI library."""
        if self._gone:
            return []
        found = self._library.jack_get_ports(self._client, None, MIDI, FLAGS[way])
        if not found:
            return []
        names: list[str] = []
        while (name := found[len(names)]) is not None:
            names.append(name.decode(errors="replace"))
        self._library.jack_free(found)
        return names

    def close(self) -> None:
        """Not after the server's end: the library has cleared our client away by then."""
        if not self._gone:
            self._gone = True
            self._library.jack_client_close(self._client)

    def _shut_down(self, _: object) -> None:
        self._gone = True


_TEXT = ctypes.c_char_p
_SHUTDOWN = ctypes.CFUNCTYPE(None, ctypes.c_void_p)


def clients_left(start: str, shared: str | os.PathLike[str] = SHARED) -> bool:
    """
    Whether a JACK server still holds clients whose names begin so: a process that died had them.

    Told without a client of our own, by what the server keeps for each (jack2,
    ``JackLinuxFutex::BuildName``: ``jack_sem.UID_SERVER_CLIENT``) and takes away with it. A server
    that does otherwise has none left by this.

    Args:
        start: of a client's name.
        shared: where shared memory is seen as files.

    """
    server = os.environ.get("JACK_DEFAULT_SERVER", "default")
    name = glob.escape(f"jack_sem.{os.getuid()}_{server}_{start}")
    return any(glob.iglob(f"*{name}*", root_dir=shared))


def _library() -> Any:
    for name in LIBRARIES:
        try:
            library: Any = ctypes.CDLL(name)
        except OSError:
            continue
        client = ctypes.c_void_p
        library.jack_client_open.argtypes = [ctypes.c_char_p, ctypes.c_int, ctypes.c_void_p]
        library.jack_client_open.restype = client
        library.jack_on_shutdown.argtypes = [client, _SHUTDOWN, ctypes.c_void_p]
        library.jack_on_shutdown.restype = None
        library.jack_last_frame_time.argtypes = [client]
        library.jack_last_frame_time.restype = ctypes.c_uint32
        library.jack_get_ports.argtypes = [client, _TEXT, _TEXT, ctypes.c_ulong]
        library.jack_get_ports.restype = ctypes.POINTER(_TEXT)
        library.jack_free.argtypes = [ctypes.POINTER(_TEXT)]
        library.jack_free.restype = None
        library.jack_client_close.argtypes = [client]
        return library
    raise OSError("no JACK library is found")

"""Something to wait for together with sockets: rung by other threads and by signals."""

from __future__ import annotations

import contextlib
import os


class Wake:
    """`fd` is readable from the first `ring` until `quiet`. `write_fd` is for
    `signal.set_wakeup_fd`."""

    def __init__(self) -> None:
        self.fd, self.write_fd = os.pipe()
        os.set_blocking(self.fd, False)
        os.set_blocking(self.write_fd, False)

    def ring(self) -> None:
        # Full is as good as rung.
        with contextlib.suppress(BlockingIOError):
            os.write(self.write_fd, b"\0")

    def quiet(self) -> None:
        with contextlib.suppress(BlockingIOError):
            os.read(self.fd, 1 << 16)

    def close(self) -> None:
        os.close(self.fd)
        os.close(self.write_fd)

"""Where the program listens unless it is told otherwise."""

from __future__ import annotations

HTTP_PORT = 8420
OSC_PORT = 8421
ADDRESS = f"http://127.0.0.1:{HTTP_PORT}"

"""Waiting in tests: a wait ends by progress, and its limit is for machines that are busy."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from typing import Any

PATIENCE_S = 60.0


async def until(true: Callable[[], Any], what: str = "") -> None:
    """Lets the loop run until something is true."""
    end = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < end, f"never came true: {what or true}"
        await asyncio.sleep(0.002)

"""What a device may do."""

from __future__ import annotations

from typing import Literal

Role = Literal["watch", "play", "edit"]
"""Look; also perform; also change the set, the rig and who is let in."""

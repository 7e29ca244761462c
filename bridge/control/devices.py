"""Devices that are let in from the network, and the short code that lets another one in.

Each device has a secret of its own, 128 random bits, in a cookie. Only its SHA-256 is kept: a
secret with so much chance in it needs no slow hash. Each device can be renamed, given another role
and shut out at any time; what is kept outlasts a restart and the night.

A code is typed where no camera can be pointed. It is good for one device, for ten minutes, and for
ten wrong tries in all, five of them from one host. There are 31**8 codes: ten tries find one in a
time out of 8 * 10**10.
"""

from __future__ import annotations

import hmac
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from bridge.control.remembered import KeptFile
from bridge.control.roles import suffices
from bridge.errors import CommandError
from bridge.protocol.roles import Role

FILE_NAME = "devices.json"
DEVICES_MAX = 64  # the one that was used longest ago gives way
NAME_MAX = 40
SECRET_BYTES = 16
UNUSED_S = 30 * 24 * 3600.0  # a device that does not come for so long must pair again
USED_STEP_S = 60.0  # a later use is noted when it is so much later

LETTERS = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"  # none that is easily taken for another
CODE_LETTERS = 8
CODE_S = 600.0
TRIES_MAX = 10
HOST_TRIES_MAX = 5


class Device(BaseModel):
    """`digest` is the SHA-256 of its secret, `host` where it was last, `paired` and `used` are Unix
    times in seconds."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)
    id: Annotated[str, Field(pattern=r"^[0-9a-f]{8}$")]
    name: Annotated[str, Field(min_length=1, max_length=NAME_MAX)]
    role: Role
    digest: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    host: Annotated[str, Field(max_length=64)]
    paired: float
    used: float


class DeviceList(BaseModel):
    """What the file holds."""

    model_config = ConfigDict(extra="forbid", strict=True)
    devices: Annotated[list[Device], Field(max_length=DEVICES_MAX)] = Field(default_factory=list)


def digest_of(secret: str) -> str:
    # Header values may hold any byte; those that are no text come as lone surrogates.
    return sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


class Devices:
    """All that are let in. `clock` tells Unix time, which goes on while the program does not."""

    def __init__(self, folder: Path | None, *, clock: Callable[[], float] = time.time) -> None:
        self._file = KeptFile(None if folder is None else folder / FILE_NAME)
        self._clock = clock
        self._kept: DeviceList = self._file.read(DeviceList) or DeviceList()

    def listed(self) -> list[Device]:
        """Those that are let in now, the one that was used last first."""
        since = self._clock() - UNUSED_S
        known = [device for device in self._kept.devices if device.used > since]
        return sorted(known, key=lambda device: device.used, reverse=True)

    def find(self, secret: str | None) -> Device | None:
        """The device that shows this secret. It takes the same time whichever it is."""
        found = None
        if secret:
            digest = digest_of(secret)
            for device in self.listed():
                if hmac.compare_digest(device.digest, digest):
                    found = device
        return found

    def seen(self, device: Device, host: str) -> None:
        """Notes that the device has been here."""
        now = self._clock()
        if now - device.used > USED_STEP_S or device.host != host:
            device.used, device.host = now, host
            self._keep()

    def pair(self, name: str, role: Role, host: str) -> tuple[Device, str]:
        """Lets a new device in.

        Returns:
            The device and its secret, which is told to the device and kept nowhere.
        """
        secret, now = secrets.token_urlsafe(SECRET_BYTES), self._clock()
        device = Device(
            id=secrets.token_hex(4),
            name=_plain(name) or f"device at {host}"[:NAME_MAX],
            role=role,
            digest=digest_of(secret),
            host=host,
            paired=now,
            used=now,
        )
        self._kept.devices = [device, *self.listed()][:DEVICES_MAX]
        self._keep()
        return device, secret

    def get(self, wanted: str) -> Device:
        """Raises `CommandError` when there is no such device."""
        for device in self.listed():
            if device.id == wanted:
                return device
        raise CommandError(f"there is no device '{wanted}'", "unknown")

    def change(self, wanted: str, name: str, role: Role) -> Device:
        """Gives a device a name and a role. Raises `CommandError` when there is no such device."""
        device = self.get(wanted)
        device.name, device.role = _plain(name) or device.name, role
        self._keep()
        return device

    def raise_to(self, device: Device, role: Role) -> None:
        """A device that is let in again, by another way, never loses by it."""
        if not suffices(device.role, role):
            device.role = role
            self._keep()

    def revoke(self, wanted: str) -> Device:
        """Shuts a device out. Raises `CommandError` when there is no such device."""
        gone = self.get(wanted)
        self._kept.devices = [device for device in self.listed() if device is not gone]
        self._keep()
        return gone

    def _keep(self) -> None:
        self._file.keep(lambda: self._kept)


def _plain(name: str) -> str:
    return "".join(c for c in name if c.isprintable()).strip()[:NAME_MAX]


@dataclass(slots=True)
class _Code:
    letters: str
    role: Role
    ends: float
    wrong: int


class Pairing:
    """The code that can be typed now, if there is one. `clock` is monotonic, in seconds."""

    def __init__(self, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._code: _Code | None = None
        self._wrong: dict[str, int] = {}  # tries by host, since the code was made

    def make(self, role: Role) -> str:
        """A new code, as it is printed: in two halves. The one before it is good no longer."""
        letters = "".join(secrets.choice(LETTERS) for _ in range(CODE_LETTERS))
        self._code = _Code(letters, role, self._clock() + CODE_S, 0)
        self._wrong.clear()
        half = CODE_LETTERS // 2
        return f"{letters[:half]}-{letters[half:]}"

    def take(self, host: str, shown: str) -> Role | None:
        """The role that the code gives, which is spent by it; None for a wrong code, for one that
        is over, and for a host or a code with too many wrong tries: nobody learns which."""
        code = self._code
        if code is None or self._clock() >= code.ends or code.wrong >= TRIES_MAX:
            self._code = None
            return None
        if self._wrong.get(host, 0) >= HOST_TRIES_MAX:
            return None
        typed = "".join(c for c in shown.upper() if c in LETTERS)
        if not hmac.compare_digest(typed, code.letters):
            code.wrong += 1
            self._wrong[host] = self._wrong.get(host, 0) + 1
            return None
        self._code = None
        return code.role

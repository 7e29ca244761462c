"""Routes of who is let in from the network: the devices, and a code for one more."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from aiohttp import web
from pydantic import Field

from bridge.control.access import Access
from bridge.control.devices import CODE_S, NAME_MAX, Device
from bridge.errors import CommandError
from bridge.protocol.roles import Role
from bridge.web import bodies as b
from bridge.web.bodies import Strict
from bridge.web.gate import DEVICE
from bridge.web.http import Routes


class DeviceBody(Strict):
    """What the device is called, and what it may do."""

    name: Annotated[str, Field(min_length=1, max_length=NAME_MAX)]
    role: Role


class PairBody(Strict):
    """What the device may do that types the code."""

    role: Role = "play"


class DeviceRow(b.Answer):
    """`here`: it is the device that asks. `host`: where it was last; `paired` and `used` are Unix
    times in seconds."""

    id: str
    name: str
    role: Role
    host: str
    paired: float
    used: float
    here: bool


class DevicesAnswer(b.Answer):
    """The one that was used last comes first."""

    devices: list[DeviceRow]


class CodeAnswer(b.Answer):
    """`code` is good for one device and for `seconds`; `address` is that of the page, with it."""

    code: str
    address: str
    role: Role
    seconds: float


def device_routes(
    access: Access, address: Callable[[], str], changed: Callable[[Device], None]
) -> Routes:
    """The routes.

    Args:
        access: who is let in; the routes list that and change it.
        address: gives where the page is, for the device that is to be let in.
        changed: is called with a device that may do other things than before, or nothing any more.
    """
    routes = Routes()

    def row(request: web.Request, device: Device) -> DeviceRow:
        shown = device.model_dump(exclude={"digest"})
        return DeviceRow(**shown, here=device.id == request.get(DEVICE))

    @routes.add("GET", "/api/devices", "devices", "Who is let in from the network.", role="edit")
    async def listed(request: web.Request, query: object) -> DevicesAnswer:
        return DevicesAnswer(devices=[row(request, one) for one in access.devices.listed()])

    @routes.add(
        "PUT",
        "/api/devices/{device}",
        "changeDevice",
        "Gives a device a name and a role.",
        errors=(404,),
        params={"device": "its id"},
    )
    async def change(request: web.Request, body: DeviceBody) -> DeviceRow:
        before = access.devices.get(request.match_info["device"]).role
        device = access.devices.change(request.match_info["device"], body.name, body.role)
        if device.role != before:
            access.shut_out(device)
            changed(device)
        return row(request, device)

    @routes.add(
        "DELETE",
        "/api/devices/{device}",
        "revokeDevice",
        "Shuts a device out: its pages are closed, and it must be paired again.",
        errors=(404,),
        params={"device": "its id"},
    )
    async def revoke(request: web.Request, query: object) -> b.Done:
        device = access.devices.revoke(request.match_info["device"])
        access.shut_out(device)
        changed(device)
        return b.Done()

    return Routes([*routes, *_pairing_routes(access, address)])


def _pairing_routes(access: Access, address: Callable[[], str]) -> Routes:
    routes = Routes()

    @routes.add(
        "POST",
        "/api/pairing",
        "makeCode",
        "Makes a code that lets one device in; the code before it is good no longer.",
        optional=True,
        errors=(409,),
    )
    async def make(request: web.Request, body: PairBody) -> CodeAnswer:
        if access.token is None:
            raise CommandError(
                "only this machine can reach Lanebridge; start it with --lan", "state"
            )
        code = access.pairing.make(body.role)
        where = f"{address()}?code={code}"
        return CodeAnswer(code=code, address=where, role=body.role, seconds=CODE_S)

    return routes

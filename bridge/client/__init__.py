"""A client for programs: every command of the table, the state, and what changes of it.

    from bridge.client import Client
    from bridge.protocol.performing import Mute

    with Client("http://127.0.0.1:8420") as rack:
        rack.do(Mute(lane="kick", muted=True, when="bar"))
        print(rack.state()["section"])

`AsyncClient` is the same for asyncio. What the service refuses comes as `RefusedError`, whose
`kind` is one of a few fixed words.
"""

from bridge.client.asynchronous import AsyncClient
from bridge.client.blocking import Client
from bridge.client.requests import RefusedError, UnreachableError

__all__ = ["AsyncClient", "Client", "RefusedError", "UnreachableError"]

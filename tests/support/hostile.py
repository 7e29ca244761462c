"""A host on the same network, for tests: ``hostile.py RIG HTTP OSC TOKEN FRIEND STRANGER VICTIM``.

The process stands on a machine with three addresses. From one it is a friend who has the token,
from another a stranger who has not; the third is that of a host that wants nothing, whose address
is forged by somebody with the token. It attacks as the stranger, plays as the friend, and prints
what came of it as one JSON object on a line. Standard library only.
"""

from __future__ import annotations

import contextlib
import http.client
import json
import socket
import struct
import sys
import time
from typing import Any

RIG, HTTP, OSC, TOKEN, FRIEND, STRANGER, VICTIM = sys.argv[1:]
DOOR = (RIG, int(OSC))
PATIENCE_S = 30.0


def padded(text: str) -> bytes:
    raw = text.encode()
    return raw + bytes(4 - len(raw) % 4)


def message(address: str, tags: str = "", data: bytes = b"") -> bytes:
    return padded(address) + padded("," + tags) + data


def number(value: int) -> bytes:
    return struct.pack(">i", value)


def ask(
    source: str, method: str, path: str, body: Any = None, **headers: str
) -> tuple[int, dict[str, str], bytes]:
    connection = http.client.HTTPConnection(
        RIG, int(HTTP), timeout=PATIENCE_S, source_address=(source, 0)
    )
    try:
        sent = {"Content-Type": "application/json"} if body is not None else {}
        sent |= {name.replace("_", "-"): value for name, value in headers.items()}
        data = None if body is None else json.dumps(body)
        connection.request(method, path, data, sent)
        answer = connection.getresponse()
        return answer.status, dict(answer.headers), answer.read()
    finally:
        connection.close()


def friend(method: str, path: str, body: Any = None) -> Any:
    status, _, data = ask(FRIEND, method, path, body, Authorization=f"Bearer {TOKEN}")
    assert status == 200, (status, data)
    return json.loads(data)


def udp(source: str) -> socket.socket:
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sock.bind((source, 0))
    return sock


def muted(lane: str = "kick") -> bool:
    return bool(friend("GET", "/api/state")["lanes"][lane]["muted"])


def until(true: Any, what: str) -> None:
    end = time.monotonic() + PATIENCE_S
    while not true():
        if time.monotonic() > end:
            raise SystemExit(f"never: {what}")
        time.sleep(0.05)


def strangers() -> dict[str, Any]:
    """What somebody without the token can do."""
    found: dict[str, Any] = {
        "no token": ask(STRANGER, "GET", "/api/state")[0],
        "odd bytes": ask(STRANGER, "GET", "/api/state", Authorization="Bearer \xff")[0],
        "person": ask(STRANGER, "GET", "/", Accept="text/html")[1]["Content-Type"],
    }
    with udp(STRANGER) as sock:
        wide = message("/*/*/*", "i", number(1))
        bundle = b"#bundle\0" + bytes(7) + b"\1" + (struct.pack(">i", len(wide)) + wide) * 200
        for _ in range(2000):
            sock.sendto(bundle, DOOR)
            sock.sendto(message("/lane/kick/mute", "i", number(1)), DOOR)
    found["muted by a stranger"] = muted()
    friend("PUT", "/api/lanes/kick/mute", {"muted": True})
    friend("PUT", "/api/lanes/kick/mute", {"muted": False})
    links = friend("GET", "/api/state")["links"]
    found["forbidden"] = links["osc"].get("forbidden", 0)
    found["dropped"] = links["osc"].get("dropped", 0)
    return found


def pages_elsewhere() -> dict[str, int]:
    """What a page of another site has done by the browser of a friend, whose token it does not
    know but whose browser adds it; and one whose name was bound to this machine afterwards."""
    let_in = {"Authorization": f"Bearer {TOKEN}"}
    asked = {"Upgrade": "websocket", "Connection": "Upgrade", "Sec-WebSocket-Version": "13"}
    asked["Sec-WebSocket-Key"] = "dGhlIHNhbXBsZSBub25jZQ=="  # RFC 6455, section 1.3
    elsewhere = {"Origin": "http://elsewhere.example"}
    mute = {"muted": True}
    path = "/api/lanes/kick/mute"
    return {
        "foreign page": ask(FRIEND, "PUT", path, mute, **let_in, **elsewhere)[0],
        "foreign socket": ask(FRIEND, "GET", "/api/live", None, **let_in, **elsewhere, **asked)[0],
        "rebound": ask(FRIEND, "GET", "/api/state", Host=f"rebound.example:{HTTP}", **let_in)[0],
    }


def questions() -> list[str]:
    """What OSC answers to somebody without the token."""
    heard = []
    with udp(STRANGER) as ears:
        ears.settimeout(0.3)
        for address in ("/addresses", "/subscribe", "/confirm"):
            ears.sendto(message(address), DOOR)
        with contextlib.suppress(OSError):
            while True:
                heard.append(ears.recv(2048).split(b"\0")[0].decode())
    return heard


def held_open() -> list[socket.socket]:
    """A connection of OSC that shows no token, and a request whose head never ends."""
    held = []
    for port, begun in ((OSC, b""), (HTTP, b"GET / HTTP/1.1\r\nHost: x\r\nX: ")):
        sock = socket.create_connection((RIG, int(port)), PATIENCE_S, (STRANGER, 0))
        sock.sendall(begun)
        held.append(sock)
    return held


def ended(sock: socket.socket) -> bool:
    """Whether the other side closes the connection, within a patient time."""
    with sock, contextlib.suppress(ConnectionError):
        try:
            while sock.recv(4096):
                pass
        except TimeoutError:
            return False
    return True


def guest() -> dict[str, Any]:
    """A device that only watches: let in by a code, then shut out."""
    code = friend("POST", "/api/pairing", {"role": "watch"})["code"]
    enter = f"/?name=Guest&code={code}"
    _, headers, _ = ask(FRIEND, "GET", enter, Accept="text/html")
    cookie = headers.get("Set-Cookie", "").partition(";")[0]
    flags = headers.get("Set-Cookie", "").lower()
    path = "/api/lanes/kick/mute"
    found: dict[str, Any] = {
        "watches": ask(FRIEND, "GET", "/api/state", Cookie=cookie)[0],
        "changes": ask(FRIEND, "PUT", path, {"muted": True}, Cookie=cookie)[0],
        "code again": ask(STRANGER, "GET", enter, Accept="text/html")[0],
        "flags": "httponly" in flags and "samesite=strict" in flags,
        "secret": cookie.partition("=")[2],
    }
    devices = friend("GET", "/api/devices")["devices"]
    (device,) = (row["id"] for row in devices if row["name"] == "Guest")
    friend("DELETE", f"/api/devices/{device}")
    found["shut out"] = ask(FRIEND, "GET", "/api/state", Cookie=cookie)[0]
    return found


def guesses() -> dict[str, Any]:
    """What a guesser is told, and whether the right token then helps."""
    statuses: list[int] = []
    headers: dict[str, str] = {}
    while 429 not in statuses and len(statuses) < 40:
        status, headers, _ = ask(STRANGER, "GET", "/api/state", Authorization="Bearer guess")
        statuses.append(status)
    wait, begin = int(headers.get("Retry-After", 0)), time.monotonic()
    right = ask(STRANGER, "GET", "/api/state", Authorization=f"Bearer {TOKEN}")[0]
    in_time = time.monotonic() - begin < wait - 1  # or a try may have come back
    return {"statuses": statuses, "wait": wait, "right": right if in_time else 429}


def forged() -> dict[str, Any]:
    """What a host hears of us that never asked, when its address is put on datagrams."""
    heard = []
    with udp(VICTIM) as ears:
        ears.settimeout(0.2)
        port = number(ears.getsockname()[1])
        ears.sendto(message("/token", "s", padded(TOKEN)), DOOR)
        begin = time.monotonic()
        while time.monotonic() < begin + 2:  # feedback is repeated each second
            ears.sendto(message("/subscribe", "i", port), DOOR)
            ears.sendto(message("/addresses"), DOOR)
            with contextlib.suppress(OSError):
                heard.append(ears.recv(2048).split(b"\0")[0].decode())
    subscribers = friend("GET", "/api/state")["links"]["subscribers"]
    return {"heard": heard, "subscribers": subscribers}


def crowd() -> dict[str, Any]:
    """More connections than there are descriptors, half of them in the middle of a head."""
    held = []
    for turn in range(600):
        sock = socket.socket()
        sock.bind((STRANGER, 0))
        sock.settimeout(PATIENCE_S)
        with contextlib.suppress(OSError):
            sock.connect((RIG, int(HTTP)))
            if turn % 2:
                sock.sendall(b"GET / HTTP/1.1\r\nHost: x\r\nX: ")
        held.append(sock)
    friend("PUT", "/api/lanes/kick/mute", {"muted": True})
    drawn = ask(FRIEND, "GET", "/api/scope.svg?bars=1", Authorization=f"Bearer {TOKEN}")[0]
    saved = friend("POST", "/api/set/save-as", {"file": "crowded.yaml", "replace": True})
    links = friend("GET", "/api/state")["links"]
    friend("PUT", "/api/lanes/kick/mute", {"muted": False})
    for sock in held:
        sock.close()
    return {
        "saved": saved["file"],
        "drawn": drawn,
        "turned away": links["turned_away"].get("full", 0),
    }


def crash() -> dict[str, Any]:
    """The service is killed: the friend is still let in and still hears."""
    with udp(FRIEND) as ears:
        ears.settimeout(0.2)
        ears.sendto(message("/subscribe", "i", number(ears.getsockname()[1])), DOOR)
        until(lambda: friend("GET", "/api/state")["links"]["subscribers"] == 1, "subscribed")
        print("kill", flush=True)
        sys.stdin.readline()
        end, heard = time.monotonic() + PATIENCE_S, False
        while not heard and time.monotonic() < end:
            # Asked of OSC alone: a request with the token would let this host in again.
            ears.sendto(message("/lane/kick/mute", "i", number(1)), DOOR)
            with contextlib.suppress(OSError):
                heard = message("/lane/kick/mute", "i", number(1)) in ears.recv(2048)
        return {"heard": heard, "muted": muted()}


held = held_open()
found = {
    "strangers": strangers(),
    "elsewhere": pages_elsewhere(),
    "answers": questions(),
    "guest": guest(),
    "guesses": guesses(),
    "forged": forged(),
    "ended": [ended(sock) for sock in held],
    "crowd": crowd(),
}
print(json.dumps(found), flush=True)
print(json.dumps(crash()), flush=True)

"""Hosts on the same network, for tests:
``hostile.py RIG HTTP OSC TOKEN FRIEND STRANGER VICTIM GUEST GUESSER``.

The process stands on a machine with five addresses. From the first it is a friend who has the
token, from the second a stranger who has not; the third is that of a host that wants nothing, whose
address is forged by somebody with the token. From the fourth it is a guest who was let in by a code
and may watch or play, from the fifth it guesses. It attacks, plays as the friend, and prints what
came of it as one JSON object on a line. Standard library only.
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

RIG, HTTP, OSC, TOKEN, FRIEND, STRANGER, VICTIM, GUEST, GUESSER = sys.argv[1:]
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


def enter(source: str, code: str, name: str) -> tuple[int, str]:
    """Shows a pairing code. The answer's status, and the cookie that came with it, if any."""
    path = f"/?name={name}&code={code}"
    status, headers, _ = ask(source, "GET", path, Accept="text/html")
    return status, headers.get("Set-Cookie", "")


def let_in(role: str, name: str) -> tuple[str, str, str]:
    """Lets the guest in by a code: the code, the cookie with its flags, the device's number."""
    code = friend("POST", "/api/pairing", {"role": role})["code"]
    _, cookie = enter(GUEST, code, name)
    devices = friend("GET", "/api/devices")["devices"]
    (device,) = (row["id"] for row in devices if row["name"] == name)
    return code, cookie, device


def by_socket(cookie: str, command: dict[str, Any]) -> dict[str, Any]:
    """Sends a command as the page does, by a WebSocket (RFC 6455), and returns what answers it."""
    text = json.dumps(command | {"seq": 1}).encode()
    sock = socket.create_connection((RIG, int(HTTP)), PATIENCE_S, (GUEST, 0))
    with sock, sock.makefile("rb") as stream:
        sock.sendall(
            f"GET /api/live HTTP/1.1\r\nHost: {RIG}:{HTTP}\r\nCookie: {cookie}\r\n"
            "Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
            "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n".encode()
        )
        while stream.readline().strip():
            pass
        # Section 5.2: one text frame; a client's is masked, here by zeros. Up to 125 bytes.
        sock.sendall(bytes([0x81, 0x80 | len(text)]) + bytes(4) + text)
        while True:
            opcode, size = stream.read(2)
            if more := {126: 2, 127: 8}.get(size):
                size = int.from_bytes(stream.read(more))
            body = stream.read(size)
            if opcode & 0x0F == 1:
                told: dict[str, Any] = json.loads(body)
                if told["type"] in ("done", "refused"):
                    return told


def guest() -> dict[str, Any]:
    """A device that only watches: let in by a code, then shut out. OSC knows it by its address."""
    code, flags, device = let_in("watch", "Guest")
    cookie = flags.partition(";")[0]
    path = "/api/lanes/kick/mute"
    found: dict[str, Any] = {
        "watches": ask(GUEST, "GET", "/api/state", Cookie=cookie)[0],
        "changes": ask(GUEST, "PUT", path, {"muted": True}, Cookie=cookie)[0],
        "by socket": by_socket(cookie, {"do": "mute", "lane": "kick", "muted": True}),
        "code again": enter(STRANGER, code, "Again")[0],
        "flags": "httponly" in flags.lower() and "samesite=strict" in flags.lower(),
        "secret": cookie.partition("=")[2],
    }
    before = friend("GET", "/api/state")["links"]["osc"].get("forbidden", 0)
    with udp(GUEST) as sock:
        for _ in range(20):
            sock.sendto(message("/lane/kick/mute", "i", number(1)), DOOR)

    def refused() -> bool:
        return bool(friend("GET", "/api/state")["links"]["osc"].get("forbidden", 0) >= before + 20)

    until(refused, "twenty messages of a guest who watches are refused")
    found["by OSC"] = muted()
    friend("DELETE", f"/api/devices/{device}")
    found["shut out"] = ask(GUEST, "GET", "/api/state", Cookie=cookie)[0]
    return found


def player() -> dict[str, Any]:
    """A device that may play beside one that floods: it is heard, and writes no file."""
    _, flags, device = let_in("play", "Player")
    cookie = flags.partition(";")[0]
    with udp(FRIEND) as flood:
        for turn in range(5000):
            flood.sendto(message("/tempo", "i", number(100 + turn % 40)), DOOR)
        ask(GUEST, "PUT", "/api/lanes/kick/mute", {"muted": True}, Cookie=cookie)
    found: dict[str, Any] = {"heard in a flood": muted()}
    friend("PUT", "/api/lanes/kick/mute", {"muted": False})
    body = {"file": "mine.yaml", "replace": True}
    found["saves"] = ask(GUEST, "POST", "/api/set/save-as", body, Cookie=cookie)[0]
    tries: list[int] = []
    while 429 not in tries and len(tries) < 40:  # somebody guesses from the address of the device
        tries.append(ask(GUEST, "GET", "/api/state", Authorization="Bearer guess")[0])
    found["beside a guesser"] = ask(GUEST, "GET", "/api/state", Cookie=cookie)[0], tries[-1]
    friend("DELETE", f"/api/devices/{device}")
    names = ("../out.yaml", "/tmp/out.yaml", "rig.yaml", "set", "..", "a\0b.yaml")
    told = [
        ask(
            FRIEND,
            "POST",
            "/api/set/save-as",
            {"file": name, "replace": True},
            Authorization=f"Bearer {TOKEN}",
        )[0]
        for name in names
    ]
    found["written elsewhere"] = [n for n, status in zip(names, told, strict=True) if status < 400]
    return found


def codes() -> dict[str, Any]:
    """Who guesses a code: five tries, after which the right one is not taken from there."""
    code = friend("POST", "/api/pairing", {"role": "edit"})["code"]
    wrong = "".join("A" if letter == "B" else "B" for letter in code.replace("-", ""))
    tries = [enter(GUESSER, wrong, "Guesser") for _ in range(5)]
    right = enter(GUESSER, code, "Guesser")
    return {
        "differ": [status for status, cookie in tries if (status, cookie) != right],
        "in": bool(right[1]),
        "friend": bool(enter(FRIEND, code, "Friend")[1]),
    }


def printed_address() -> dict[str, Any]:
    """What the address with the token answers to a person's browser, and what that passes on."""
    status, headers, body = ask(FRIEND, "GET", f"/?token={TOKEN}", Accept="text/html")
    told = json.dumps(headers | {"Set-Cookie": ""}) + body.decode()
    return {
        "status": status,
        "passed on": headers["Referrer-Policy"],
        "cookie": "httponly" in headers["Set-Cookie"].lower(),
        "token in it": TOKEN in told,
    }


def guesses_by_osc() -> bool:
    """Who guesses the token by OSC: whether the right one is taken when many wrong ones were."""
    with udp(GUESSER) as sock:
        for _ in range(40):
            sock.sendto(message("/token", "s", padded("guess")), DOOR)
        sock.sendto(message("/token", "s", padded(TOKEN)), DOOR)
        sock.sendto(message("/lane/kick/mute", "i", number(1)), DOOR)
    friend("GET", "/api/state")
    return muted()


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
    "printed": printed_address(),
    "codes": codes(),
    "guesses": guesses(),
    "guessed by osc": guesses_by_osc(),
    "player": player(),
    "forged": forged(),
    "ended": [ended(sock) for sock in held],
    "crowd": crowd(),
}
print(json.dumps(found), flush=True)
print(json.dumps(crash()), flush=True)

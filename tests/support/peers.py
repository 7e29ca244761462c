"""Peers that are not ours, made of bare sockets: HTTP, WebSocket and OSC by the standards' bytes."""

from __future__ import annotations

import asyncio
import base64
import contextlib
import os
import struct
from collections.abc import AsyncIterator
from typing import NamedTuple

from support.patience import PATIENCE_S


class Answer(NamedTuple):
    """An HTTP answer as it came: header names in lower case."""

    status: int
    headers: dict[str, str]
    body: bytes


async def raw_http(port: int, request: bytes, host: str = "127.0.0.1") -> Answer:
    """Sends bytes and reads one answer (RFC 9112)."""
    async with connected(port, host) as (reader, writer):
        writer.write(request)
        return await read_answer(reader)


async def read_answer(reader: asyncio.StreamReader) -> Answer:
    head = (await asyncio.wait_for(reader.readuntil(b"\r\n\r\n"), PATIENCE_S)).decode("latin-1")
    lines = head.split("\r\n")
    headers = {}
    for line in lines[1:]:
        name, colon, value = line.partition(":")
        if colon:
            headers[name.lower()] = value.strip()
    body = await reader.readexactly(int(headers.get("content-length", 0)))
    return Answer(int(lines[0].split()[1]), headers, body)


def get(path: str, port: int, **headers: str) -> bytes:
    """A GET request; underscores in header names stand for dashes."""
    lines = [f"GET {path} HTTP/1.1"]
    named = {"Host": f"127.0.0.1:{port}"} | {k.replace("_", "-"): v for k, v in headers.items()}
    lines += [f"{name}: {value}" for name, value in named.items()]
    return ("\r\n".join(lines) + "\r\n\r\n").encode("latin-1")


Pipe = tuple[asyncio.StreamReader, asyncio.StreamWriter]


@contextlib.asynccontextmanager
async def connected(
    port: int, host: str = "127.0.0.1", limit: int = 1 << 16
) -> AsyncIterator[Pipe]:
    """A TCP connection that is gone afterwards, also when the test fails: what a failed test leaves
    open is told by the next one."""
    reader, writer = await asyncio.open_connection(host, port, limit=limit)
    try:
        yield reader, writer
    finally:
        writer.transport.abort()
        with contextlib.suppress(OSError):
            await writer.wait_closed()


@contextlib.asynccontextmanager
async def websocket(port: int) -> AsyncIterator[Pipe]:
    """The opening handshake of RFC 6455, section 4.1."""
    async with connected(port) as (reader, writer):
        key = base64.b64encode(os.urandom(16)).decode()
        writer.write(
            get(
                "/api/live",
                port,
                Upgrade="websocket",
                Connection="Upgrade",
                Sec_WebSocket_Key=key,
                Sec_WebSocket_Version="13",
            )
        )
        assert (await read_answer(reader)).status == 101
        yield reader, writer


def frame(payload: bytes, opcode: int = 1, masked: bool = True) -> bytes:
    """One frame (RFC 6455, section 5.2)."""
    size = len(payload)
    bit = 0x80 if masked else 0
    head = bytes([0x80 | opcode])
    if size < 126:
        head += bytes([bit | size])
    elif size < 1 << 16:
        head += bytes([bit | 126]) + size.to_bytes(2, "big")
    else:
        head += bytes([bit | 127]) + size.to_bytes(8, "big")
    if not masked:
        return head + payload
    mask = os.urandom(4)
    return head + mask + bytes(byte ^ mask[i % 4] for i, byte in enumerate(payload))


async def read_frame(reader: asyncio.StreamReader) -> tuple[int, bytes]:
    """Opcode and payload of one frame that a server sends."""
    first, second = await asyncio.wait_for(reader.readexactly(2), PATIENCE_S)
    size = second & 0x7F
    if size == 126:
        size = int.from_bytes(await reader.readexactly(2), "big")
    elif size == 127:
        size = int.from_bytes(await reader.readexactly(8), "big")
    return first & 0x0F, await reader.readexactly(size)


async def close_code(reader: asyncio.StreamReader) -> int:
    """Reads up to a close frame and returns its code (section 7.4)."""
    while True:
        opcode, payload = await read_frame(reader)
        if opcode == 8:
            return int.from_bytes(payload[:2], "big")


def osc(address: str, *args: int | float | str) -> bytes:
    """A message (Open Sound Control 1.0): padded strings, big-endian arguments."""
    tags, data = ",", b""
    for arg in args:
        if isinstance(arg, str):
            tags, data = tags + "s", data + _padded(arg)
        elif isinstance(arg, int):
            tags, data = tags + "i", data + struct.pack(">i", arg)
        else:
            tags, data = tags + "f", data + struct.pack(">f", arg)
    return _padded(address) + _padded(tags) + data


def bundle(*messages: bytes) -> bytes:
    """A bundle to be done at once (time tag 1)."""
    head = b"#bundle\0" + bytes(7) + b"\1"
    return head + b"".join(struct.pack(">i", len(m)) + m for m in messages)


def _padded(text: str) -> bytes:
    raw = text.encode("ascii")
    return raw + bytes(4 - len(raw) % 4)

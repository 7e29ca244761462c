"""The file of a take: whole records only, read up to the last one that is whole."""

from __future__ import annotations

import json
import struct
import zlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.files import take

HEAD = {"format": take.FORMAT, "set": "Low tide"}
Rows = list[tuple[float, int, int | None, str, bytes, str]]


def part(rows: Rows, marks: list[dict[str, object]] | None = None) -> bytes:
    writer = take.PartWriter()
    writer.sent(rows)
    for mark in marks or []:
        writer.mark(mark)
    return take.record("PART", writer.payload())


def file_of(*records: bytes) -> bytes:
    return b"".join([take.MAGIC, take.json_record("HEAD", HEAD), *records])


def rows_of(found: take.Take) -> list[tuple[float, int, int | None, str, bytes, str]]:
    lates = [None if late == take.WAITED else late for late in found.late]
    return [
        (tick / 1000, due, late, port, data, owner)
        for (tick, due, port, owner, data), late in zip(found.sent(), lates, strict=True)
    ]


ROW = st.tuples(
    st.integers(-4000, 10**9).map(lambda n: n / 1000),
    st.integers(0, 2**60),
    st.none() | st.integers(-(2**31) + 1, 2**31 - 1),
    st.sampled_from(["main", "Ünter", ""]),
    st.binary(min_size=1, max_size=3),
    st.sampled_from(["kick", "", "macro"]),
)


@given(st.lists(st.lists(ROW, max_size=20), max_size=4))
def test_what_was_written_is_read(
    tmp_path_factory: pytest.TempPathFactory, parts: list[Rows]
) -> None:
    path = tmp_path_factory.mktemp("takes") / "a.take"
    path.write_bytes(file_of(*map(part, parts)))
    assert rows_of(take.read(path)) == [row for rows in parts for row in rows]


def test_hits_and_marks(tmp_path: Path) -> None:
    writer = take.PartWriter()
    hits: list[tuple[int, int, str, str, float, int, str | None]] = [
        (0, 10, "kick", "hit", 0.95, 120, "main.gate-1"),
        (240, 20, "tide", "level", -0.25, 0, None),
        (120, 15, "kick", "hit", 1.0, 1 << 60, "main.gate-1"),
    ]
    writer.events(hits)
    writer.mark({"is": "move", "client": "page ana"})
    path = tmp_path / "a.take"
    path.write_bytes(file_of(take.record("PART", writer.payload()), take.json_record("FOOT", {})))
    found = take.read(path)
    assert found.events == hits
    assert found.marks == [{"is": "move", "client": "page ana"}]
    assert found.whole


def test_a_power_cut_at_any_byte_keeps_every_whole_record(tmp_path: Path) -> None:
    rows: Rows = [(float(n), n, 5, "main", bytes((0x90, n, 1)), "kick") for n in range(3)]
    records = [part([row]) for row in rows]
    whole = file_of(*records)
    first = len(file_of())
    ends = [first + sum(map(len, records[:n])) for n in range(4)]
    path = tmp_path / "a.take"
    for cut in range(first, len(whole) + 1):
        path.write_bytes(whole[:cut])
        found = take.read(path)
        assert len(found.ticks) == sum(end <= cut for end in ends[1:]), cut
        assert not found.whole


def test_a_damaged_record_ends_the_take(tmp_path: Path) -> None:
    """By its checksum: CRC-32 as zlib has it (RFC 1952, section 8)."""
    rows: Rows = [(0.0, 0, 5, "main", b"\x90\x24\x01", "kick")]
    raw = bytearray(file_of(part(rows), part(rows)))
    raw[-3] ^= 1
    path = tmp_path / "a.take"
    path.write_bytes(raw)
    assert len(take.read(path).ticks) == 1


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b"MThd\0\0\0\6", "is no take of this version"),
        (b"", "is no take of this version"),
        (take.MAGIC, "holds nothing yet"),
        (take.MAGIC + take.json_record("HEAD", {"format": 2}), "is no take of this version"),
        (take.MAGIC + part([]), "is no take of this version"),
        (take.MAGIC + take.record("HEAD", b"[]"), "is damaged"),
        (file_of(take.record("PART", b"\1\0\0\0{")), "is damaged"),
        (file_of(take.record("PART", struct.pack("<I", 2) + b"{}")), "is damaged"),
    ],
)
def test_what_is_no_take_is_refused_with_a_reason(tmp_path: Path, raw: bytes, says: str) -> None:
    path = tmp_path / "a.take"
    path.write_bytes(raw)
    with pytest.raises(take.TakeError, match=says):
        take.read(path)


@pytest.mark.parametrize("count", [-1, 10**12])
def test_counts_that_lie_are_refused(tmp_path: Path, count: int) -> None:
    head = {"marks": [], "lost": 0, "sent": count, "events": 0, "whats": [], "whos": []}
    text = json.dumps(head).encode()
    path = tmp_path / "a.take"
    path.write_bytes(file_of(take.record("PART", struct.pack("<I", len(text)) + text)))
    with pytest.raises(take.TakeError, match="is damaged"):
        take.read(path)


def test_a_record_that_unpacks_without_end_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(take, "RECORD_BYTES", 1 << 16)
    packed = zlib.compress(bytes(1 << 20), 9)
    record = struct.pack(">4sII", b"PART", len(packed), zlib.crc32(packed)) + packed
    path = tmp_path / "a.take"
    path.write_bytes(file_of(record))
    with pytest.raises(take.TakeError, match="too large"):
        take.read(path)

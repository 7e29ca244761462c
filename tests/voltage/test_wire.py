"""The wire: order, cost by the published byte time, and values that never crowd out hits."""

from __future__ import annotations

import random
from itertools import pairwise
from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from bridge.voltage.encode import Encoder
from bridge.voltage.parser import Parser
from bridge.voltage.profile import Address, Output, Profile, WiredOutput
from bridge.voltage.wire import (
    CLOCK,
    OFF,
    ON,
    VALUE,
    Link,
    Message,
    Thinner,
    burst,
    gate_end,
    order,
    pack,
    worst_burst,
)

DIN = Link("din")
MS = 1_000_000


def note_on(note: int, channel: int = 10) -> bytes:
    return bytes((0x90 | channel - 1, note, 100))


def message(kind: int, data: bytes, port: str = "p") -> Message:
    return Message(port, kind, data)


# --- order and running status ------------------------------------------------------------------


@given(st.lists(st.tuples(st.sampled_from([CLOCK, OFF, VALUE, ON]), st.integers(0, 127))))
def test_clock_offs_values_ons_and_lanes_in_turn(pairs: list[tuple[int, int]]) -> None:
    messages = [message(kind, bytes((0xB0, n, i % 128))) for i, (kind, n) in enumerate(pairs)]
    ordered = order(messages)
    expected = [m for kind in (CLOCK, OFF, VALUE, ON) for m in messages if m.order == kind]
    assert ordered == expected


def test_running_status_as_published(reference: Path) -> None:
    """MIDI 1.0 Detailed Specification 4.2.1, p. A-1."""
    rows = yaml.safe_load((reference / "midi_vectors.yaml").read_text())["entries"]
    (row,) = [row for row in rows if row["id"] == "rs_three_notes"]
    whole = bytes.fromhex(row["same_as"])
    packed, status = pack([whole[i : i + 3] for i in range(0, len(whole), 3)])
    assert packed == bytes.fromhex(row["value"])
    assert status == 0x90


statuses = st.one_of(
    st.builds(
        lambda s, a, b: bytes((s, a, b)),
        st.integers(0x80, 0xBF),
        st.integers(0, 127),
        st.integers(0, 127),
    ),
    st.builds(lambda s, a: bytes((s, a)), st.integers(0xC0, 0xDF), st.integers(0, 127)),
    st.sampled_from([b"\xf8", b"\xfa", b"\xf6", b"\xf2\x01\x02"]),
)


@given(st.lists(statuses, max_size=20), st.lists(statuses, max_size=20))
def test_what_is_packed_reads_back_as_it_was(first: list[bytes], second: list[bytes]) -> None:
    one, status = pack(first)
    two, _ = pack(second, status)
    assert Parser().feed(one + two) == first + second


# --- cost --------------------------------------------------------------------------------------


def test_a_din_byte_takes_320_us(reference: Path) -> None:
    rows = yaml.safe_load((reference / "midi_facts.yaml").read_text())["entries"]
    facts = {row["id"]: row["value"] for row in rows}
    assert DIN.byte_ns == facts["byte_time"] * 1000
    assert DIN.cost_ns([note_on(36)]) == facts["note_on_time"] * 1000
    assert DIN.ends_ns([note_on(36), note_on(37)]) == [960_000, 1_920_000]
    running = Link("din", running_status=True)
    # Two simultaneous two-byte commands leave a DIN cable 640 us apart (RFC 6295, C.3.1).
    ends = running.ends_ns([note_on(36), note_on(37)])
    assert ends[1] - ends[0] == facts["din_offset_of_simultaneous_events"] * 1000


def test_usb_carries_sixteen_messages_in_a_frame() -> None:
    usb = Link("usb")
    ends = usb.ends_ns([note_on(n) for n in range(17)])
    assert ends == [MS] * 16 + [2 * MS]
    assert usb.bytes_of([note_on(36), b"\xf8"]) == 8
    assert usb.cost_ns([note_on(36)]) == MS // 16
    assert usb.cost_ns([]) == 0


def test_a_slow_interface_counts_messages() -> None:
    slow = Link.of(Profile("p", "", (), link="din", max_messages_per_s=400))
    assert slow.ends_ns([note_on(1), note_on(2)]) == [2_500_000, 5_000_000]
    assert Link("usb", messages_per_s=400).ends_ns([note_on(1)] * 3) == [MS, 3_500_000, 6 * MS]


def test_eight_hits_on_din_are_spread_by_seven_messages() -> None:
    """320 microseconds a byte (MIDI 1.0 electrical specification), three bytes a message."""
    sent = [(f"gate-{i}", message(ON, note_on(36 + i))) for i in range(8)]
    found = burst("p", 0, sent, DIN)
    assert found.bytes == 24
    assert found.spread_ms == pytest.approx(7 * 0.96)
    assert found.hits == tuple(f"gate-{i}" for i in range(8))


def test_values_stand_before_hits_and_other_ports_do_not_count() -> None:
    sent = [
        ("gate-1", message(ON, note_on(36))),
        ("level-1", message(VALUE, b"\xb0\x10\x00")),
        ("gate-2", message(ON, note_on(37))),
        ("gate-1", message(OFF, b"\x89\x24\x40")),
        ("other", message(ON, note_on(40), "q")),
    ]
    found = burst("p", 5, sent, DIN)
    assert (found.hits, found.bytes) == (("gate-1", "gate-2"), 12)
    assert found.spread_ms == pytest.approx(0.96)


def test_a_legato_change_is_one_hit() -> None:
    sent = [
        ("gate", message(ON, note_on(40))),
        ("pitch", message(ON, b"\x90\x24\x40")),
        ("pitch", message(ON, b"\x80\x20\x40")),
    ]
    found = burst("p", 0, sent, DIN)
    assert found.hits == ("gate", "pitch")
    # The off of the old note comes after the hit and is not waited for.
    assert found.spread_ms == pytest.approx(0.96)


def test_the_worst_moment_of_each_port() -> None:
    few = [(f"g{i}", message(ON, note_on(i))) for i in range(2)]
    many = [(f"g{i}", message(ON, note_on(i))) for i in range(5)]
    values = [("x", message(VALUE, b"\xb0\x10\x00"))] * 9
    other = [("y", message(ON, note_on(1), "q"))]
    worst = worst_burst([(0, few), (240, many), (480, values), (720, other)], {"p": DIN, "q": DIN})
    assert (worst["p"].at, len(worst["p"].hits)) == (240, 5)
    assert worst["q"].at == 720
    assert worst_burst([], {}) == {}


# --- retrigger gap -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("length", "next_on", "end"),
    [
        (50, None, 50),  # nothing follows
        (50, 200, 50),  # far enough away
        (98, 100, 95),  # a gap of 5 ms before the next
        (150, 100, 95),  # longer than the step
        (10, 8, 4),  # closer than twice the gap: halfway
        (50, 0, 50),  # at the same time: the encoder closes it first
    ],
)
def test_a_gate_leaves_a_gap_before_the_next(length: int, next_on: int | None, end: int) -> None:
    following = None if next_on is None else next_on * MS
    assert gate_end(0, length * MS, following, 5 * MS) == end * MS


@given(st.integers(0, 10**9), st.integers(0, 10**9), st.integers(1, 10**9), st.integers(0, 10**8))
def test_a_gate_always_opens_and_always_closes_in_time(
    on: int, length: int, later: int, gap: int
) -> None:
    end = gate_end(on, length, on + later, gap)
    assert on <= end <= on + later
    assert end - on >= min(length, later // 2)
    assert on + later - end >= min(gap, later // 2)


# --- thinning ----------------------------------------------------------------------------------


def outputs(*names: str, by: str = "cc") -> dict[str, WiredOutput]:
    return {
        name: WiredOutput(name, "p", Output(name, "level", Address(by, 1, 20 + i)))  # type: ignore[arg-type]
        for i, name in enumerate(names)
    }


def test_the_latest_value_wins() -> None:
    thinner = Thinner(outputs("a"), {"p": DIN})
    assert thinner.next_ns() is None
    thinner.offer("a", 1.0, 0)
    assert thinner.due(0) == [("a", 1.0)]
    for step in range(1, 7):
        thinner.offer("a", 1.0 + step, step * MS)
        assert thinner.due(step * MS) == []
    assert thinner.next_ns() == 10 * MS  # 100 a second
    assert thinner.due(10 * MS) == [("a", 7.0)]
    assert thinner.due(30 * MS) == []


def test_what_comes_too_soon_is_on_account_of_what_comes_after() -> None:
    """Offered each 2 ms for a second, from wherever it begins: 100 a second all the same."""
    thinner = Thinner(outputs("a"), {"p": DIN})
    sent = []
    for now in range(0, 1000 * MS, 2 * MS):
        thinner.offer("a", now / MS, now)
        sent += [now for _ in thinner.due(now)]
    assert min(b - a for a, b in pairwise(sent)) >= 7 * MS
    for first, last in zip(sent, sent[50:], strict=False):
        assert last - first >= 50 * 10 * MS - 3 * MS


def test_steps_of_a_glide_that_leave_with_what_is_sent_next_need_no_turn_of_their_own() -> None:
    """One each 10 ms, each up to 2 ms later: none waits."""
    thinner, chance = Thinner(outputs("a"), {"p": DIN}), random.Random(3)
    for step in range(200):
        now = step * 10 * MS + chance.randrange(2 * MS)
        thinner.offer("a", float(step), now)
        assert thinner.due(now) == [("a", float(step))]


def test_a_dropped_value_is_not_sent() -> None:
    thinner = Thinner(outputs("a"), {"p": DIN})
    thinner.offer("a", 1.0, 0)
    thinner.drop("a")
    assert thinner.due(0) == []


def test_the_longest_waiting_goes_first() -> None:
    thinner = Thinner(outputs("a", "b"), {"p": DIN})
    thinner.offer("b", 1.0, 0)
    thinner.offer("a", 2.0, 1)
    thinner.offer("b", 3.0, 2)
    assert thinner.due(2) == [("b", 3.0)]  # one at a time
    assert thinner.next_ns() == 2 + int(960_000 / 0.3)
    assert thinner.due(2 + int(960_000 / 0.3)) == [("a", 2.0)]


def test_a_value_does_not_start_when_a_hit_is_near() -> None:
    thinner = Thinner(outputs("a"), {"p": DIN})
    thinner.offer("a", 1.0, 0)
    assert thinner.due(0, lambda: {"p": 900_000}) == []
    assert thinner.due(900_000, lambda: {"p": 900_000}) == [("a", 1.0)]  # after the hit itself
    other = Thinner(outputs("a"), {"p": DIN})
    other.offer("a", 1.0, 0)
    assert other.due(0, lambda: {"p": 960_000}) == [("a", 1.0)]  # just enough time


@pytest.mark.parametrize("by", ["cc", "cc14"])
@pytest.mark.parametrize("known", [True, False])
def test_a_storm_of_values_never_delays_hits(by: str, known: bool) -> None:
    """Eight macros move at 1 kHz each while drums play: the bytes that leave keep to 100 a second
    for each output and 30 percent of the link, and a hit waits for one value at most (none when
    it was known before)."""
    wires = (
        outputs(*"abcdefgh", by=by)
        if by == "cc"
        else {
            f"l{i}": WiredOutput(f"l{i}", "p", Output("l", "level", Address("cc14", 1, i)))
            for i in range(8)
        }
    )
    thinner, encoder, chance = Thinner(wires, {"p": DIN}), Encoder(wires), random.Random(5)
    unit = DIN.cost_ns([b"\xb0\0\0"] * (2 if by == "cc14" else 1))
    hits = [slot * 10 * MS + chance.randrange(0, 5 * MS, 10_000) for slot in range(100)]
    sent: dict[str, list[int]] = {name: [] for name in wires}
    free = busy = 0
    delays = []
    for now in range(0, 1000 * MS, 10_000):
        if now % MS == 0:
            for name in wires:
                thinner.offer(name, chance.uniform(0, 5), now)
        while hits and hits[0] <= now:
            hits.pop(0)
            delays.append(max(0, free - now))
            free = max(free, now) + DIN.cost_ns([note_on(36)])
        for name, volts in thinner.due(now, lambda: {"p": hits[0]} if hits and known else {}):
            cost = DIN.cost_ns([m.data for m in encoder.level(name, volts)])
            sent[name].append(now)
            # A hit that is on the wire already goes before it.
            free = max(free, now) + cost
            busy += cost
    assert busy <= 0.3 * 1000 * MS + unit
    assert min(len(times) for times in sent.values()) >= 15  # nobody starves
    for times in sent.values():
        assert all(b - a >= 10 * MS for a, b in pairwise(times))
    assert len(delays) == 100
    assert max(delays) == 0 if known else 0 < max(delays) <= unit

"""Volts as the bytes say, for those who look."""

from __future__ import annotations

from random import Random
from typing import Any

import pytest
from support.desk import wire

from bridge.bench.live_scope import POINTS_MOST, ScopeView, Unread
from bridge.voltage.decode import Decoder
from bridge.voltage.profile import Address, Output, WiredOutput


def test_the_first_message_has_every_output() -> None:
    watch = ScopeView({"main.gate-1": 0.0, "main.level-1": 2.5})
    watch.add("main.gate-1", 90.0, 5.0)
    assert watch.take(100.0) == {
        "type": "scope",
        "t_ms": 100.0,
        "outputs": {"main.gate-1": [[90.0, 5.0]], "main.level-1": [[100.0, 2.5]]},
    }
    assert watch.take(110.0) is None
    watch.add("main.gate-1", 120.0, 0.0)
    message = watch.take(130.0)
    assert message is not None
    assert message["outputs"] == {"main.gate-1": [[120.0, 0.0]]}


def test_a_slow_viewer_gets_the_newest() -> None:
    watch = ScopeView({"main.gate-1": 0.0})
    for number in range(10 * POINTS_MOST):
        watch.add("main.gate-1", float(number), 0.0)
    message = watch.take(0.0)
    assert message is not None
    points = message["outputs"]["main.gate-1"]
    assert len(points) == POINTS_MOST
    assert points[-1] == [10 * POINTS_MOST - 1, 0.0]


def test_the_halves_of_a_value_are_one_step_and_a_gate_that_opens_anew_is_two() -> None:
    watch = ScopeView({})
    watch.take(0.0)
    for gate in (False, True):
        name = "main.gate-1" if gate else "main.pitch-1"
        watch.add(name, 10.0, 2.0, gate)
        watch.add(name, 10.01, 2.01, gate)
    message = watch.take(20.0)
    assert message is not None
    assert message["outputs"] == {
        "main.pitch-1": [[10.0, 2.01]],
        "main.gate-1": [[10.0, 2.0], [10.01, 2.01]],
    }


def sent(*rows: tuple[float, str]) -> dict[str, Any]:
    return {
        "type": "played",
        "events": [],
        "tick": 0,
        "t_ns": 1,
        "sent": [[int(ms * 1e6), "main", data] for ms, data in rows],
    }


async def test_a_page_that_asks_sees_gates_open_and_close(stage: Any) -> None:
    """A note 36 on channel 10 opens gate 1 of the profile the stage uses; 5 V when open."""
    async with stage.page() as page, stage.page() as other:
        await page.next()
        await other.next()
        assert (await page.do(do="scope", on=True))["type"] == "done"
        first = next(m for m in page.messages if m["type"] == "scope")  # before the answer
        wired = stage.service.session.rig.wired
        assert set(first["outputs"]) == set(wired)
        gate = wired["main.gate-1"].output
        number, channel = gate.address.number, gate.address.channel - 1
        on, off = f"{0x90 | channel:x}{number:02x}7f", f"{0x80 | channel:x}{number:02x}40"
        stage.player.tell(sent((5.0, on), (25.5, off)))
        seen = await page.wait(lambda m: m["type"] == "scope" and m is not first)
        assert seen["outputs"] == {"main.gate-1": [[5.0, gate.high], [25.5, gate.low]]}
        assert (await page.do(do="scope", on=False))["type"] == "done"
        stage.player.tell(sent((30.0, on)))
        assert (await page.do(do="alive"))["type"] == "done"
        assert all(m["type"] != "scope" for m in other.messages)


async def test_what_was_sent_while_nobody_looked_counts(stage: Any) -> None:
    out = stage.service.session.rig.wired["main.level-1"].output
    data = f"{0xB0 | out.address.channel - 1:x}{out.address.number:02x}7f"
    stage.player.tell(sent((1.0, data)))
    async with stage.page() as page:
        await page.next()
        await page.do(do="scope", on=True)
        first = next(m for m in page.messages if m["type"] == "scope")  # before the answer
        ((_, volts),) = first["outputs"]["main.level-1"]
        assert volts == pytest.approx(out.high, rel=0.01)


@pytest.mark.parametrize("seed", range(20))
def test_what_nobody_saw_leaves_the_outputs_where_every_byte_would(seed: int) -> None:
    dice, wired = Random(seed), all_kinds()
    every, at_once, unread = Decoder(wired), Decoder(wired), Unread()
    controls = [1, 7, 33, 39, 6, 38, 98, 99, 100, 101, 120, 123]
    for _ in range(300):
        status = dice.choice((0x80, 0x90, 0x90, 0xB0, 0xB0, 0xB0, 0xE0, 0xF8, 0xF8, 0xFA, 0xFC))
        row = [status]
        if status < 0xF0:
            first = dice.choice(controls) if status == 0xB0 else dice.randrange(58, 64)
            row += [first, dice.choice((0, 2, 64, 127))]
        data = bytes(row)
        every.feed("main", data)
        if not unread.keep("main", data.hex()):
            if data[0] & 0xF0 not in (0x80, 0x90):
                unread.read(at_once)
            at_once.feed("main", data)
    unread.read(at_once)
    assert at_once.volts == every.volts
    for data in (b"\xf8" * 3, b"\xb0\x27\x05", b"\x90\x3d\x40", b"\xe0\x00\x50"):
        every.feed("main", data)  # and goes on from there alike
        at_once.feed("main", data)
        assert at_once.volts == every.volts


def all_kinds() -> dict[str, WiredOutput]:
    """An output for each thing that a byte on channel 1 can move."""
    return wire(
        Output("gate", "gate", Address("note", 1, 60)),
        Output("any", "gate", Address("note", 1)),
        Output("loud", "gate", Address("note-velocity", 1, 61)),
        Output("pitch", "pitch", Address("note-pitch", 1), bend_semitones=2.0),
        Output("level", "level", Address("cc", 1, 1), high=5.0),
        Output("fine", "level", Address("cc14", 1, 7), high=5.0),
        Output("bend", "level", Address("bend", 1), high=5.0),
        Output("clock", "clock", Address("clock"), ppqn=4),
        Output("run", "run", Address("clock")),
        Output("reset", "reset", Address("clock")),
    )

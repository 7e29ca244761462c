"""Encoders: knobs without ends, which send how far they were turned and not where they stand."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest
from support.controls import Desk, learn

from bridge.desk.knobs import Heading, steps_of
from bridge.desk.lamps import shown
from bridge.files.rig import Binding, Controller, load_rig
from bridge.paper.drawings import control_words, habit_words
from bridge.protocol.limits import Coding

# Steps by coding, as value: steps. Common practice, no single standard: MIDI 1.0 only knows data
# increment and decrement (controllers 96 and 97, a step each), and makers code the steps of other
# controllers in one of these ways. The bits of each: two's complement in 7 bits (as a pocket
# calculator has it in 8), offset binary with its zero at 64 = 1000000, sign and magnitude with bit
# 6 for down. All written out by hand.
TABLE: dict[Coding, dict[int, int]] = {
    "twos-complement": {
        **{0b0000000: 0, 0b0000001: 1, 0b0000010: 2, 0b0001010: 10, 0b0111111: 63},
        **{0b1111111: -1, 0b1111110: -2, 0b1110110: -10, 0b1000001: -63, 0b1000000: -64},
    },
    "offset": {
        **{0b1000000: 0, 0b1000001: 1, 0b1000010: 2, 0b1001010: 10, 0b1111111: 63},
        **{0b0111111: -1, 0b0111110: -2, 0b0110110: -10, 0b0000001: -63, 0b0000000: -64},
    },
    "sign-bit": {
        **{0b0000000: 0, 0b0000001: 1, 0b0000010: 2, 0b0001010: 10, 0b0111111: 63},
        **{0b1000000: 0, 0b1000001: -1, 0b1000010: -2, 0b1001010: -10, 0b1111111: -63},
    },
}
ROWS = [(coding, value, steps) for coding, row in TABLE.items() for value, steps in row.items()]


@pytest.mark.parametrize(("coding", "value", "steps"), ROWS)
def test_bytes_are_steps(coding: Coding, value: int, steps: int) -> None:
    assert steps_of(coding, value) == steps


@pytest.mark.parametrize("coding", TABLE)
def test_every_byte_is_taken_and_up_and_down_are_alike(coding: Coding) -> None:
    """Each step from 1 to 63 either way has one byte; what is left is no step, or 64 down."""
    steps = sorted(steps_of(coding, value) for value in range(128))
    rest = [0, 0] if coding == "sign-bit" else [-64, 0]
    assert steps == sorted([*range(1, 64), *range(-63, 0), *rest])


def test_steps_add_up_to_the_end_and_back_and_no_further() -> None:
    heading, value = Heading(), 0.0
    for _ in range(126):
        moved = heading.after(value, 1 / 127)
        assert moved is not None
        value = moved
    assert value == pytest.approx(126 / 127)
    assert (
        heading.after(value, 1 / 127) == 1.0
    )  # the end itself, though 127 parts do not add up to it
    assert heading.after(1.0, 1 / 127) is None
    assert heading.after(1.0, -1 / 127) == pytest.approx(126 / 127)  # no way back to make up
    assert heading.after(0.0, -0.5) is None
    assert heading.after(0.3, -5) == 0.0


def test_a_move_counts_from_what_was_sent_until_all_of_it_is_answered() -> None:
    heading = Heading()
    heading.sent(0.5)
    heading.sent(0.6)
    assert heading.after(0.3, 0.1) == pytest.approx(0.7)
    heading.answered()
    assert heading.after(0.5, 0.1) == pytest.approx(0.7)
    heading.answered()
    assert heading.after(0.2, 0.1) == pytest.approx(0.3)  # another hand has it by now


# --- at a desk, down to the commands of the player ------------------------------------------------

CC = {"twos-complement": 70, "offset": 71, "sign-bit": 72}
UP = {"twos-complement": 1, "offset": 65, "sign-bit": 1}
DOWN = {"twos-complement": 127, "offset": 63, "sign-bit": 65}


async def bind(stage: Any, cc: int, coding: str, **more: Any) -> Any:
    body = {"target": "macro", "name": "brightness", "encoder": coding, **more}
    status, row, _ = await stage.call("PUT", f"/api/controllers/pads/cc/1/{cc}", body)
    assert status == 200, row
    return row


def clocked(stage: Any) -> list[float]:
    now = [100.0]
    stage.service.control._clock = lambda: now[0]
    return now


def value_of(stage: Any) -> float:
    return float(stage.state["macros"]["brightness"]["value"])


def last_sent(stage: Any) -> float | None:
    return stage.player.received[-1]["value"] if stage.player.received else None


@pytest.mark.parametrize("coding", TABLE)
async def test_it_moves_a_macro_from_where_it_stands(stage: Any, coding: Coding) -> None:
    now, desk = clocked(stage), Desk(stage)
    await bind(stage, CC[coding], coding)
    wanted = 0.3
    for value, steps in ((UP[coding], 1), (UP[coding] + 4, 5), (DOWN[coding], -1)):
        now[0] += 1
        before = value_of(stage)
        await desk.turn(f"b0{CC[coding]:02x}{value:02x}")
        await stage.until(lambda was=before: value_of(stage) != was)
        wanted += steps / 127
        assert value_of(stage) == pytest.approx(wanted)
    now[0] += 1
    await stage.call("PUT", "/api/macros/brightness", {"value": 0.8})
    now[0] += 1
    await desk.turn(f"b0{CC[coding]:02x}{UP[coding]:02x}")  # nothing to meet, and no jump
    await stage.until(lambda: value_of(stage) == pytest.approx(0.8 + 1 / 127))


async def test_a_bundle_of_quick_steps_is_not_lost_to_the_delay_of_the_state(stage: Any) -> None:
    clocked(stage)
    desk = Desk(stage)
    await bind(stage, 71, "offset", steps=4000)
    stage.player.answering = False
    await desk.turn(*(f"b047{64 + steps:02x}" for steps in range(1, 64)))
    far = sum(range(1, 64))  # 2016
    await stage.until(lambda: last_sent(stage) == pytest.approx(0.3 + far / 4000))
    assert len(stage.player.received) < 63  # paced: the last value wins


async def test_it_stops_at_both_ends_and_turns_back_at_once(stage: Any) -> None:
    now, desk = clocked(stage), Desk(stage)
    await bind(stage, 72, "sign-bit")
    await desk.turn("b0483f", "b0483f")
    await stage.until(lambda: value_of(stage) == 1)
    now[0] += 1
    stage.player.received.clear()
    await desk.turn("b0483f", "b04801")  # further up: there is nothing to send
    await desk.turn("b04841")
    await stage.until(lambda: value_of(stage) == pytest.approx(126 / 127))
    assert len(stage.player.received) == 1
    now[0] += 1
    await desk.turn("b0487f", "b0487f", "b0487f", "b04841")
    await stage.until(lambda: value_of(stage) == 0)
    now[0] += 1
    await desk.turn("b04801")
    await stage.until(lambda: value_of(stage) == pytest.approx(1 / 127))


async def test_two_encoders_of_one_controller_add_up(stage: Any) -> None:
    clocked(stage)
    await bind(stage, 70, "twos-complement")
    await bind(stage, 71, "offset", steps=254)
    stage.player.answering = False
    await Desk(stage).turn("b0460a", "b0474a", "b0467f")
    await stage.until(lambda: last_sent(stage) == pytest.approx(0.3 + 9 / 127 + 10 / 254))


async def test_a_finger_on_the_page_and_an_encoder_do_not_fight(stage: Any) -> None:
    now, desk = clocked(stage), Desk(stage)
    await bind(stage, 70, "twos-complement")
    async with stage.page() as page:
        await page.next()
        await page.do(do="macro", macro="brightness", value=0.5)
        await desk.turn("b0460a", "b0460a")
        assert stage.service.controllers.refused == 2
        assert value_of(stage) == 0.5
        now[0] += 0.31  # the finger has left
        await desk.turn("b04601")
        await stage.until(lambda: value_of(stage) == pytest.approx(0.5 + 1 / 127))
        refused = await page.do(do="macro", macro="brightness", value=0.1)
        assert "another hand" in refused["problem"]["detail"]


async def test_encoders_of_two_controllers_do_not_fight(stage: Any) -> None:
    now = clocked(stage)
    await bind(stage, 70, "twos-complement")
    await stage.call("PUT", "/api/controllers/left", {"port": "left"})
    body = {"target": "macro", "name": "brightness", "encoder": "twos-complement"}
    await stage.call("PUT", "/api/controllers/left/cc/1/70", body)
    await Desk(stage).turn("b04605")
    await Desk(stage, "left").turn("b0467f", "b0467f")
    await stage.until(lambda: value_of(stage) == pytest.approx(0.3 + 5 / 127))
    assert stage.service.controllers.refused == 2
    now[0] += 0.31
    await Desk(stage, "left").turn("b0467f")
    await stage.until(lambda: value_of(stage) == pytest.approx(0.3 + 4 / 127))


async def test_a_refused_move_leaves_no_trace(stage: Any) -> None:
    now, desk = clocked(stage), Desk(stage)
    await bind(stage, 70, "twos-complement")
    stage.player.refuse = "not now"
    await desk.turn("b0460a")
    await stage.until(lambda: stage.player.received)
    stage.player.refuse = None
    now[0] += 1
    await stage.call("GET", "/api/state")
    await desk.turn("b04601")
    await stage.until(lambda: value_of(stage) == pytest.approx(0.3 + 1 / 127))


async def test_its_ring_goes_with_the_hand(stage: Any) -> None:
    clocked(stage)
    await bind(stage, 70, "twos-complement", feedback=True)
    lamps = stage.player.lamps

    def ring(value: float) -> bool:
        data = f"b046{round(value * 127):02x}"
        return {"do": "feedback", "port": "pads", "data": data} in lamps

    await stage.until(lambda: ring(0.3))
    await Desk(stage).turn("b0460a")
    await stage.until(lambda: ring(0.3 + 10 / 127))  # while the hand is on it


def test_only_the_ring_of_an_encoder_goes_on_under_a_hand() -> None:
    encoder = Binding("cc", 1, 1, macro="m", feedback=True, encoder="offset")
    motor = Binding("cc", 2, 1, macro="m", feedback=True)
    desk = Controller("desk", "Knobs", (encoder, motor))
    lit = shown([desk], {"macros": {"m": {"value": 1.0}}}, frozenset({("desk", "m")}))
    assert lit == {("Knobs", bytes((0xB0, 1))): bytes((0xB0, 1, 127))}


async def test_it_has_no_position_in_the_state(stage: Any) -> None:
    row = await bind(stage, 70, "twos-complement", steps=200)
    assert (row["encoder"], row["steps"]) == ("twos-complement", 200)
    await Desk(stage).turn("b04601")
    _, state, _ = await stage.call("GET", "/api/state")
    row = state["controllers"]["pads"]["controls"]["cc-70-1"]
    assert (row["value"], row["waiting"], row["goal"]) == (None, False, None)


# --- learning -------------------------------------------------------------------------------------


@pytest.mark.parametrize("coding", TABLE)
async def test_it_is_learned_when_its_coding_is_said(stage: Any, coding: Coding) -> None:
    """One that is only touched (a step and back) is not the one that is meant."""
    flicker = [f"b032{value:02x}" for value in (UP[coding], DOWN[coding]) * 4]
    turned = [f"b033{DOWN[coding]:02x}"] * 3
    wish = {"target": "macro", "name": "brightness", "encoder": coding, "steps": 300}
    status, row = await learn(stage, *flicker, *turned, **wish)
    assert (status, row["number"], row["encoder"], row["steps"]) == (200, 0x33, coding, 300)
    bindings = load_rig(stage.folder / "rig.yaml").controllers["pads"].bindings
    assert (bindings[-1].encoder, bindings[-1].steps) == (coding, 300)


async def test_one_that_is_turned_without_a_coding_is_explained(stage: Any) -> None:
    status, answer = await learn(
        stage, *["b03241"] * 6, target="macro", name="brightness", within_s=1
    )
    assert status == 409
    assert "cc 50 on channel 1 last sent 65, 65, 65, 65." in answer["detail"]
    assert "it is an encoder: say so, with its coding" in answer["detail"]


async def test_an_encoder_that_was_not_turned_is_explained(stage: Any) -> None:
    wish = {"target": "macro", "name": "brightness", "encoder": "offset", "within_s": 1}
    status, answer = await learn(stage, "b03241", **wish)
    assert (status, answer["kind"]) == (409, "state")
    assert "no encoder was turned by 3 steps within 1 s" in answer["detail"]


async def test_an_encoder_moves_macros_only(stage: Any) -> None:
    body = {"target": "mute", "name": "rim", "encoder": "offset"}
    status, problem, _ = await stage.call("POST", "/api/controllers/learn", body)
    assert status in (409, 422)
    assert "an encoder moves a macro" in problem["detail"]
    status, problem, _ = await stage.call("PUT", "/api/controllers/pads/cc/1/70", body)
    assert status == 422
    assert "is for a macro moved by a cc" in problem["problems"][0]["message"]
    assert await asyncio.to_thread(load_rig, stage.folder / "rig.yaml")


def test_paper_says_that_it_is_an_encoder() -> None:
    binding = Binding("cc", 70, 2, macro="m", encoder="sign-bit", steps=400, feedback=True)
    assert control_words(binding) == "encoder (sign-bit), controller 70, channel 2"
    habits = "400 steps from one end to the other, is told the state (lamp or motor)"
    assert habit_words(binding) == habits

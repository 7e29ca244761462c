"""MIDI controllers: what each control does, pickup, learning into the rig's file."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.files.rig import load_rig
from bridge.service.controllers import Pickup, Touched, read

# Status bytes: MIDI 1.0, table of channel messages (8n note off, 9n note on, Bn control change).


@pytest.mark.parametrize(
    ("data", "touched"),
    [
        ("b0147f", Touched("pads", "cc", 1, 20, 127)),
        ("bf0000", Touched("pads", "cc", 16, 0, 0)),
        ("912440", Touched("pads", "note", 2, 36, 64)),
        ("912400", Touched("pads", "note", 2, 36, 0)),  # a note-on of velocity 0 is a note-off
        ("812440", Touched("pads", "note", 2, 36, 0)),
        ("b07b00", None),  # all notes off: a mode message, no control
        ("e00040", None),
        ("c005", None),
    ],
)
def test_messages_become_touches(data: str, touched: Touched | None) -> None:
    assert read("pads", bytes.fromhex(data)) == touched


@given(st.binary(max_size=4))
def test_any_message_is_taken(data: bytes) -> None:
    touched = read("pads", data)
    assert touched is None or 1 <= touched.channel <= 16


def test_a_knob_takes_hold_when_it_meets_or_passes_the_value() -> None:
    pickup = Pickup()
    assert not pickup.move(0.0, 0.5)
    assert not pickup.move(0.3, 0.5)
    assert pickup.move(0.6, 0.5)  # passed
    assert pickup.move(0.9, 0.6)  # holds: the value is what it has sent
    assert not pickup.move(0.8, 0.2)  # something else has moved the value: it lets go
    assert not pickup.move(0.7, 0.2)
    assert pickup.move(0.2, 0.2)  # met
    fresh = Pickup()
    assert fresh.move(0.5, 0.505)


class Desk:
    """Knobs and buttons in front of a stage."""

    def __init__(self, stage: Any) -> None:
        self.stage = stage

    async def turn(self, *messages: str) -> None:
        """Sends messages, and waits until the service has seen them."""
        stage = self.stage
        seen = asyncio.Event()
        told = stage.service.link.on_played
        told.append(lambda frame: seen.set())
        rows = [[1, "pads", message] for message in messages]
        stage.player.tell({"type": "played", "events": [], "sent": [], "input": rows, "tick": 0,
                           "t_ns": 1})  # fmt: skip
        await asyncio.wait_for(seen.wait(), 5)
        told.pop()


async def test_buttons_act_when_they_are_pressed(stage: Any) -> None:
    desk = Desk(stage)
    await desk.turn("912440", "912400")  # press and release
    await stage.until(lambda: stage.state["lanes"]["kick"]["muted"])
    await desk.turn("b01e7f", "b01e00", "902801", "902800")
    await stage.until(lambda: stage.player.words == ["mute", "section", "start"])
    stage.player.play_to(0)
    await asyncio.sleep(0.02)  # past the pacing of one address
    await desk.turn("912440")
    await stage.until(lambda: not stage.state["lanes"]["kick"]["muted"])


async def test_a_knob_moves_its_macro_after_meeting_it(stage: Any) -> None:
    desk = Desk(stage)
    await desk.turn("b01400", "b01408")  # brightness stands at 0.3, that is 38
    await desk.turn("b01478")
    await stage.until(lambda: stage.player.received)
    assert stage.player.received == [
        {"do": "macro", "macro": "brightness", "value": pytest.approx(120 / 127)}
    ]
    stage.player.received.clear()
    await desk.turn("b01500")  # no pickup: it jumps
    await stage.until(lambda: stage.player.received)
    assert stage.player.received[0]["macro"] == "shaker-level"


async def test_a_fine_knob_has_fourteen_bits(stage: Any) -> None:
    """MIDI 1.0: controllers 0-31 are the coarse halves of 32-63."""
    now = [100.0]
    stage.service.control._clock = lambda: now[0]
    await Desk(stage).turn("b20940")
    now[0] += 1
    await Desk(stage).turn("b22901")
    await stage.until(lambda: len(stage.player.received) == 2)
    values = [command["value"] for command in stage.player.received]
    assert values == [pytest.approx(0x2000 / 16383), pytest.approx(0x2001 / 16383)]


async def test_a_latching_button_brings_the_lane_in_while_it_is_down(stage: Any) -> None:
    desk = Desk(stage)
    await desk.turn("902900")
    await stage.until(lambda: stage.state["lanes"]["rim"]["muted"])
    await asyncio.sleep(0.02)  # past the pacing of one address
    await desk.turn("90297f")
    await stage.until(lambda: not stage.state["lanes"]["rim"]["muted"])


async def test_lamps_and_rings_show_the_state(stage: Any) -> None:
    lamps = stage.player.lamps

    def shown(data: str) -> bool:
        return {"do": "feedback", "port": "pads", "data": data} in lamps

    assert {"do": "listen", "port": "pads"} in lamps
    await stage.until(lambda: shown("90297f"))  # the lane is in: its lamp shines
    code = round(0.3 * 16383)  # the macro's start, in both halves
    await stage.until(lambda: shown(f"b209{code >> 7:02x}") and shown(f"b229{code & 127:02x}"))
    await stage.call("PUT", "/api/lanes/rim/mute", {"muted": True})
    await stage.until(lambda: shown("902900"))
    lamps.clear()
    stage.player.play_to(100)
    await stage.call("PUT", "/api/lanes/kick/mute", {"muted": True})
    assert lamps == []  # nothing that it shows has changed
    await stage.player.stop()
    await stage.until(lambda: not stage.service.link.present)
    await stage.player.start()
    await stage.until(lambda: shown("902900"))  # a new player knows of no lamp


async def test_a_motor_does_not_fight_the_hand_on_it(stage: Any) -> None:
    now = [100.0]
    stage.service.control._clock = lambda: now[0]
    await stage.until(lambda: stage.player.lamps)
    stage.player.lamps.clear()
    await Desk(stage).turn("b20940")
    await stage.until(lambda: stage.player.received)
    await stage.call("GET", "/api/state")
    assert stage.player.lamps == []
    now[0] += 0.31
    await stage.until(lambda: stage.player.lamps)  # the hand has left: it is told what stands


async def test_a_controller_is_one_hand_among_others(stage: Any) -> None:
    async with stage.page() as page:
        await page.next()
        await page.do(do="macro", macro="shaker-level", value=0.5)
        await Desk(stage).turn("b01540")
        assert stage.service.controllers.refused == 1


async def test_other_inputs_and_controls_do_nothing(stage: Any) -> None:
    await Desk(stage).turn("b0637f", "903000", "f8", "b014")
    stage.player.tell({"type": "played", "events": [], "input": [[1, "keys", "b0157f"]]})
    await stage.call("GET", "/api/state")
    assert stage.player.received == []


async def test_a_control_is_learned_and_written_into_the_rig(stage: Any) -> None:
    path = stage.folder / "rig.yaml"
    before = path.read_text(encoding="utf-8")
    learning = asyncio.create_task(
        stage.call("POST", "/api/controllers/learn", {"target": "mute", "name": "rim"})
    )
    await stage.until(lambda: stage.service.controllers._learning is not None)
    await Desk(stage).turn("953f7f")
    status, answer, _ = await asyncio.wait_for(learning, 5)
    assert (status, answer) == (200, {
        "controller": "pads", "kind": "note", "number": 63, "channel": 6, "target": "mute",
        "name": "rim",
    })  # fmt: skip
    assert stage.player.received == []  # learning plays nothing
    bindings = load_rig(path).controllers["pads"].bindings
    assert len(bindings) == 8
    assert (bindings[-1].kind, bindings[-1].number, bindings[-1].mute) == ("note", 63, "rim")
    (copy,) = (stage.folder / "backups").iterdir()
    assert copy.read_text(encoding="utf-8") == before
    await Desk(stage).turn("953f00", "953f7f")
    await stage.until(lambda: stage.state["lanes"]["rim"]["muted"])
    _, listed, _ = await stage.call("GET", "/api/controllers")
    assert answer in listed["controls"]


async def test_learning_a_control_again_gives_it_its_new_meaning(stage: Any) -> None:
    learning = asyncio.create_task(
        stage.call("POST", "/api/controllers/learn", {"target": "macro", "name": "shaker-level"})
    )
    await stage.until(lambda: stage.service.controllers._learning is not None)
    await Desk(stage).turn("b01410")
    assert (await asyncio.wait_for(learning, 5))[0] == 200
    bound = [b for b in load_rig(stage.folder / "rig.yaml").controllers["pads"].bindings
             if (b.kind, b.number) == ("cc", 20)]  # fmt: skip
    assert [b.macro for b in bound] == ["shaker-level"]


async def test_a_control_is_forgotten(stage: Any) -> None:
    assert (await stage.call("DELETE", "/api/controllers/pads/note/2/36"))[0] == 200
    await Desk(stage).turn("91247f")
    assert len(load_rig(stage.folder / "rig.yaml").controllers["pads"].bindings) == 6
    for path in ("pads/note/2/36", "padz/cc/1/20", "pads/cc/x/20", "pads/knob/1/20"):
        status, problem, _ = await stage.call("DELETE", f"/api/controllers/{path}")
        assert (status, problem["kind"]) == (404, "unknown"), path
    assert stage.player.received == []


async def test_learning_needs_something_to_learn(stage: Any) -> None:
    status, problem, _ = await stage.call(
        "POST", "/api/controllers/learn", {"target": "macro", "name": "brightnes"}
    )
    assert (status, problem["kind"]) == (404, "unknown")
    with pytest.raises(ValueError, match="touched"):
        await stage.service.controllers.learn("transport", "stop", within_s=0.01)
    first = asyncio.create_task(stage.service.controllers.learn("mute", "kick", within_s=1))
    await asyncio.sleep(0)
    with pytest.raises(ValueError, match="already"):
        await stage.service.controllers.learn("mute", "kick")
    first.cancel()
    await asyncio.gather(first, return_exceptions=True)

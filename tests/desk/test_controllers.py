"""MIDI controllers: what each control does, pickup, learning into the rig's file."""

from __future__ import annotations

import asyncio
import hashlib
from typing import Any

import pytest
from support.controls import Desk, learn
from support.patience import PATIENCE_S

from bridge.files.rig import load_rig
from bridge.protocol.asking import Learn


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

    await stage.until(lambda: {"do": "listen", "port": "pads"} in lamps)
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
    status, answer = await learn(stage, "953f7f", target="mute", name="rim", feedback=True)
    assert status == 200
    assert answer == {
        "controller": "pads",
        "kind": "note",
        "number": 63,
        "channel": 6,
        "target": "mute",
        "name": "rim",
        "pickup": True,
        "feedback": True,
        "pair": False,
        "latch": False,
        "encoder": None,
        "steps": 127,
        "known": True,
        "value": None,
        "waiting": False,
        "goal": None,
    }
    assert stage.player.received == []  # learning plays nothing
    bindings = load_rig(path).controllers["pads"].bindings
    assert len(bindings) == 8
    assert (bindings[-1].kind, bindings[-1].number, bindings[-1].mute) == ("note", 63, "rim")
    after = path.read_text(encoding="utf-8").splitlines()
    row = "      - {note: 63, channel: 6, mute: rim, feedback: true}"
    assert [line for line in after if line not in before.splitlines()] == [row]
    assert [line for line in before.splitlines() if line not in after] == []
    (copy,) = (stage.folder / "backups").iterdir()
    assert copy.read_text(encoding="utf-8") == before
    await Desk(stage).turn("953f00", "953f7f")
    await stage.until(lambda: stage.state["lanes"]["rim"]["muted"])
    _, listed, _ = await stage.call("GET", "/api/controllers")
    found = [(row["kind"], row["number"], row["channel"]) for row in listed["controls"]]
    assert ("note", 63, 6) in found
    assert listed["controllers"] == [{"controller": "pads", "port": "pads", "open": False}]
    assert listed["learning"] is None


async def test_the_sheet_has_what_was_just_learned_and_the_stamp_of_the_file(stage: Any) -> None:
    await learn(stage, "953f7f", target="mute", name="rim", feedback=True)
    async with stage.session.get(stage.base + "/api/sheet") as answer:
        page = await answer.text()
    file = (stage.folder / "rig.yaml").read_bytes()
    assert "button, note D#4 (63), channel 6" in page
    assert f"rig.yaml {hashlib.sha256(file).hexdigest()[:10]}" in page


async def test_a_knob_is_learned_when_it_really_turns(stage: Any) -> None:
    """A worn knob that flickers by one step is not the one that is meant."""
    messages = ("b03210", "b03311", "b03211", "b03340")
    status, answer = await learn(stage, *messages, target="macro", name="brightness")
    assert (status, answer["number"]) == (200, 0x33)


async def test_a_button_is_learned_when_it_is_pressed_not_when_it_is_let_go(stage: Any) -> None:
    status, answer = await learn(
        stage, "b03200", "903300", "b03300", "b0337f", target="transport", name="stop"
    )
    assert (status, answer["kind"], answer["number"]) == (200, "cc", 0x33)


async def test_what_does_something_already_is_not_taken_away_by_accident(stage: Any) -> None:
    before = (stage.folder / "rig.yaml").read_text(encoding="utf-8")
    turn, wish = ("b01410", "b01420"), {"target": "macro", "name": "shaker-level"}
    status, answer = await learn(stage, *turn, **wish)
    assert (status, answer["kind"]) == (409, "taken")
    assert answer["detail"].startswith("cc 20 on channel 1 of pads is for macro brightness already")
    assert (stage.folder / "rig.yaml").read_text(encoding="utf-8") == before
    status, answer = await learn(stage, *turn, **wish, replace=True)
    assert status == 200
    bound = [
        b
        for b in load_rig(stage.folder / "rig.yaml").controllers["pads"].bindings
        if (b.kind, b.number, b.channel) == ("cc", 20, 1)
    ]
    assert [b.macro for b in bound] == ["shaker-level"]


async def test_learning_the_same_again_is_no_conflict(stage: Any) -> None:
    status, answer = await learn(
        stage, "b01410", "b01420", target="macro", name="brightness", feedback=True
    )
    assert (status, answer["feedback"]) == (200, True)


async def test_what_the_file_would_not_allow_is_refused_with_its_reason(stage: Any) -> None:
    # cc 41 is the fine half of cc 9 on channel 3.
    status, answer = await learn(stage, "b22900", "b2297f", target="macro", name="shaker-level")
    assert (status, answer["kind"]) == (422, "value")
    assert "taken" in answer["problems"][0]["message"]


async def test_learning_can_be_cancelled(stage: Any) -> None:
    learning = asyncio.create_task(
        stage.call("POST", "/api/controllers/learn", {"target": "mute", "name": "rim"})
    )
    await stage.until(stage.service.controllers.learning)
    assert (await stage.call("DELETE", "/api/controllers/learn"))[0] == 200
    status, problem, _ = await asyncio.wait_for(learning, PATIENCE_S)
    assert (status, problem["detail"]) == (409, "learning was cancelled")


async def test_pages_see_learning_and_what_was_learned(stage: Any) -> None:
    async with stage.page() as page, stage.page() as other:
        await page.next()
        await other.next()
        seq = await page.send(do="learn", target="mute", name="rim")
        await other.wait(lambda m: "learning" in m.get("patch", {}))
        assert other.state["learning"]["name"] == "rim"
        assert other.state["learning"]["client"].startswith("page ")
        await Desk(stage).turn("953f7f")
        done = await page.wait(lambda m: m.get("seq") == seq)
        assert (done["type"], done["learned"]["number"]) == ("done", 63)
        await other.wait(lambda m: "controllers" in m.get("patch", {}))
        assert other.state["controllers"]["pads"]["controls"]["note-63-6"]["name"] == "rim"
        assert "learning" not in other.state
        refused = await page.do(do="learn", target="mute", name="rmi")
        assert refused["problem"]["status"] == 404


async def test_a_page_that_goes_away_learns_no_more(stage: Any) -> None:
    async with stage.page() as page:
        await page.next()
        await page.send(do="learn", target="mute", name="rim")
        await stage.until(stage.service.controllers.learning)
    await stage.until(lambda: stage.service.controllers.learning() is None)


async def test_the_state_shows_where_a_knob_must_go(stage: Any) -> None:
    await Desk(stage).turn("b01400")
    _, state, _ = await stage.call("GET", "/api/state")
    knob = state["controllers"]["pads"]["controls"]["cc-20-1"]
    assert knob["waiting"]
    assert (knob["value"], knob["goal"]) == (0.0, 0.3)
    await Desk(stage).turn("b01440")
    _, state, _ = await stage.call("GET", "/api/state")
    assert not state["controllers"]["pads"]["controls"]["cc-20-1"]["waiting"]


async def test_the_state_shows_that_another_hand_has_taken_over(stage: Any) -> None:
    now = [100.0]
    stage.service.control._clock = lambda: now[0]
    await Desk(stage).turn("b01400", "b01440")  # it has met 0.3 on the way, and holds
    await stage.until(lambda: stage.state["macros"]["brightness"]["value"] == 0x40 / 127)
    now[0] += 0.31
    await stage.call("PUT", "/api/macros/brightness", {"value": 0.9})

    async def knob() -> tuple[Any, ...]:
        _, state, _ = await stage.call("GET", "/api/state")
        row = state["controllers"]["pads"]["controls"]["cc-20-1"]
        return row["waiting"], row["value"], row["goal"]

    assert await knob() == (True, pytest.approx(0x40 / 127, abs=1e-4), 0.9)
    now[0] += 0.31
    await Desk(stage).turn("b01450")  # not there yet
    assert await knob() == (True, pytest.approx(0x50 / 127, abs=1e-4), 0.9)
    assert stage.state["macros"]["brightness"]["value"] == 0.9
    await Desk(stage).turn("b0147c")
    await stage.until(lambda: stage.state["macros"]["brightness"]["value"] == 0x7C / 127)
    assert (await knob())[0] is False


async def test_the_same_control_of_two_controllers_is_two_controls(stage: Any) -> None:
    await stage.call("PUT", "/api/controllers/left", {"port": "Knob box left"})
    body = {"target": "mute", "name": "bass"}
    await stage.call("PUT", "/api/controllers/left/note/2/36", body)
    await Desk(stage, "Knob box left").turn("912440")
    await stage.until(lambda: stage.state["lanes"]["bass"]["muted"])
    assert not stage.state["lanes"]["kick"]["muted"]
    await Desk(stage).turn("912440")
    await stage.until(lambda: stage.state["lanes"]["kick"]["muted"])
    wish = {"target": "transport", "name": "stop", "controller": "left"}
    learning = asyncio.create_task(stage.call("POST", "/api/controllers/learn", wish))
    await stage.until(stage.service.controllers.learning)
    await Desk(stage).turn("90507f")  # the other one is not listened to
    await Desk(stage, "Knob box left").turn("90517f")
    status, row, _ = await asyncio.wait_for(learning, PATIENCE_S)
    assert (status, row["controller"], row["number"]) == (200, "left", 0x51)


async def test_a_fast_turn_is_not_lost_to_the_delay_of_the_state(stage: Any) -> None:
    now = [100.0]
    stage.service.control._clock = lambda: now[0]
    stage.player.answering = False
    await Desk(stage).turn("b01400", "b01440")
    for value in range(0x41, 0x60):
        now[0] += 0.02
        await Desk(stage).turn(f"b014{value:02x}")
    await stage.until(lambda: stage.player.received[-1]["value"] == 0x5F / 127)
    assert len(stage.player.received) > 20


async def test_a_control_is_bound_without_touching_it(stage: Any) -> None:
    body = {"target": "section", "name": "flood", "feedback": True}
    status, row, _ = await stage.call("PUT", "/api/controllers/pads/note/1/60", body)
    assert (status, row["number"], row["feedback"]) == (200, 60, True)
    await Desk(stage).turn("903c7f")
    await stage.until(lambda: stage.player.received)
    assert stage.player.received[0]["section"] == "flood"
    for path in ("pads/note/0/60", "pads/note/17/60", "pads/cc/1/120", "padz/note/1/60"):
        assert (await stage.call("PUT", f"/api/controllers/{path}", body))[0] == 404


async def test_controllers_come_and_go(stage: Any) -> None:
    status, answer, _ = await stage.call("PUT", "/api/controllers/knobs", {"port": "Knob box"})
    assert status == 200
    assert {"controller": "knobs", "port": "Knob box", "open": False} in answer["controllers"]
    assert load_rig(stage.folder / "rig.yaml").controllers["knobs"].port == "Knob box"
    await stage.until(lambda: {"do": "listen", "port": "Knob box"} in stage.player.lamps)
    status, answer, _ = await stage.call("DELETE", "/api/controllers/knobs")
    assert [row["controller"] for row in answer["controllers"]] == ["pads"]
    assert list(load_rig(stage.folder / "rig.yaml").controllers) == ["pads"]
    assert (await stage.call("DELETE", "/api/controllers/knobs"))[0] == 404
    for name, refused in (("learn", 405), ("Knobs", 422), ("1st", 422)):
        status, _, _ = await stage.call("PUT", f"/api/controllers/{name}", {"port": "x"})
        assert status == refused, name


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
    controllers = stage.service.controllers
    with pytest.raises(ValueError, match="touched"):
        await controllers.learn(Learn(target="transport", name="stop", within_s=0.01), "left")
    first = asyncio.create_task(
        controllers.learn(Learn(target="mute", name="kick", within_s=1), "left")
    )
    await asyncio.sleep(0)
    with pytest.raises(ValueError, match="already"):
        await controllers.learn(Learn(target="mute", name="kick"), "right")
    controllers.cancel("right")  # not this one's
    assert controllers.learning() is not None
    first.cancel()
    await asyncio.gather(first, return_exceptions=True)

"""Everything that a hand can do is there in the same words over HTTP, WebSocket and OSC: whichever
way a command comes, the same object arrives at the player."""

from __future__ import annotations

from typing import Any, NamedTuple

import pytest
from pythonosc.osc_message_builder import OscMessageBuilder

from bridge.protocol.command import fields_of
from bridge.protocol.table import client_commands


class Way(NamedTuple):
    wire: dict[str, Any]  # as the player gets it, without who sent it
    route: tuple[str, str, Any]  # method, path, body
    address: tuple[Any, ...]  # address, arguments


def say(do: str, **fields: Any) -> dict[str, Any]:
    return {"do": do, **fields}


WAYS = [
    Way(
        say("mute", lane="kick", muted=True, when="bar", return_bars=4),
        ("PUT", "/api/lanes/kick/mute", {"muted": True, "when": "bar", "return_bars": 4}),
        ("/lane/kick/mute", 1, "bar", 4),
    ),
    Way(
        say("cancel", lane="kick"),
        ("DELETE", "/api/lanes/kick/pending", None),
        ("/lane/kick/cancel",),
    ),
    Way(
        say("cancel", section="flood"),
        ("DELETE", "/api/sections/flood/pending", None),
        ("/section/flood/cancel",),
    ),
    Way(
        say("hold", lane="rim", muted=False, active=True),
        ("PUT", "/api/lanes/rim/hold", {"muted": False, "active": True}),
        ("/lane/rim/hold", 1, 0),
    ),
    Way(say("release"), ("POST", "/api/release", None), ("/release",)),
    Way(
        say("solo", lane="kick", on=True),
        ("PUT", "/api/lanes/kick/solo", {"on": True}),
        ("/lane/kick/solo", 1),
    ),
    Way(
        say("freeze", lane="kick", on=True),
        ("PUT", "/api/lanes/kick/freeze", {"on": True}),
        ("/lane/kick/freeze", 1),
    ),
    Way(say("reset", lane="kick"), ("POST", "/api/lanes/kick/reset", None), ("/lane/kick/reset",)),
    Way(
        say("group", group="drums", muted=True, when=2, return_bars=1),
        ("PUT", "/api/groups/drums/mute", {"muted": True, "when": 2, "return_bars": 1}),
        ("/group/drums/mute", 1, 2, 1),
    ),
    Way(
        say("macro", macro="brightness", value=0.5),
        ("PUT", "/api/macros/brightness", {"value": 0.5}),
        ("/macro/brightness", 0.5),
    ),
    Way(
        say("setting", lane="kick", setting="chance", value=0.25),
        ("PUT", "/api/lanes/kick/settings/chance", {"value": 0.25}),
        ("/lane/kick/chance", 0.25),
    ),
    Way(
        say("setting", lane="kick", setting="chance", value=None),
        ("PUT", "/api/lanes/kick/settings/chance", {"value": None}),
        ("/lane/kick/chance/written",),
    ),
    Way(
        say("section", section="flood", when="beat", morph_bars=8, mutes_at=0.25),
        ("POST", "/api/sections/flood", {"when": "beat", "morph_bars": 8, "mutes_at": 0.25}),
        ("/section/flood", 1, "beat", 8, 0.25),
    ),
    Way(
        say("order", run=True, entry=0),
        ("PUT", "/api/order", {"run": True, "entry": 0}),
        ("/order", 1, 0),
    ),
    Way(
        say("drop", group="drums", return_bars=2),
        ("POST", "/api/groups/drums/drop", {"return_bars": 2}),
        ("/group/drums/drop", 2),
    ),
    Way(
        say("drop", lane="rim", return_bars=1),
        ("POST", "/api/lanes/rim/drop", {"return_bars": 1}),
        ("/lane/rim/drop", 1),
    ),
    Way(say("fill", active=True), ("PUT", "/api/fill", {"active": True}), ("/fill", 1)),
    Way(
        say("fill", lane="rim", active=True),
        ("PUT", "/api/lanes/rim/fill", {"active": True}),
        ("/lane/rim/fill", 1),
    ),
    Way(
        say("fill", group="drums", active=True),
        ("PUT", "/api/groups/drums/fill", {"active": True}),
        ("/group/drums/fill", 1),
    ),
    Way(say("cancel", order=True), ("DELETE", "/api/order/pending", None), ("/order/cancel",)),
    Way(say("pace", pace=-1), ("PUT", "/api/pace", {"pace": -1}), ("/pace", -1)),
    Way(
        say("pace", pace=1, group="drums"),
        ("PUT", "/api/groups/drums/pace", {"pace": 1}),
        ("/group/drums/pace", 1),
    ),
    Way(say("order-next", when=4), ("POST", "/api/order/next", {"when": 4}), ("/order/next", 1, 4)),
    Way(
        say("start", restart=True),
        ("POST", "/api/transport/start", {"restart": True}),
        ("/transport/start", 1, 1),
    ),
    Way(say("stop"), ("POST", "/api/transport/stop", None), ("/transport/stop",)),
    Way(say("continue"), ("POST", "/api/transport/continue", None), ("/transport/continue",)),
    Way(
        say("position", tick=7680),
        ("PUT", "/api/transport/position", {"tick": 7680}),
        ("/transport/position", 7680),
    ),
    Way(say("tempo", bpm=133.5), ("PUT", "/api/tempo", {"bpm": 133.5}), ("/tempo", 133.5)),
    Way(say("nudge", ms=-4.0), ("POST", "/api/tempo/nudge", {"ms": -4}), ("/nudge", -4.0)),
    Way(say("tap"), ("POST", "/api/tempo/tap", None), ("/tap",)),
    Way(say("offset", ms=-12.5), ("PUT", "/api/clock/offset", {"ms": -12.5}), ("/offset", -12.5)),
    Way(say("internal-clock"), ("POST", "/api/clock/internal", None), ("/internal-clock",)),
    Way(
        say("follow", source="desk"),
        ("PUT", "/api/clock/source", {"source": "desk"}),
        ("/follow", "desk"),
    ),
    Way(say("mute-all"), ("POST", "/api/mute-all", None), ("/mute-all",)),
    Way(
        say("try", output="main.gate-1", action="gate", value=0.5, ms=100.0),
        ("POST", "/api/outputs/main.gate-1/try", {"action": "gate", "value": 0.5, "ms": 100}),
        ("/output/main.gate-1/gate", 0.5, 100),
    ),
]


PLAYED = [command for command in client_commands() if command.ROW.by == "player"]


def test_the_table_has_every_word_that_a_person_may_say() -> None:
    assert {way.wire["do"] for way in WAYS} == {command.ROW.do for command in PLAYED}


def test_every_field_of_every_word_is_said_once() -> None:
    """A field that the player knows and no surface can say would be of no use."""
    for command in PLAYED:
        said = {name for way in WAYS if way.wire["do"] == command.ROW.do for name in way.wire}
        assert said - {"do"} == fields_of(command).keys(), command


def datagram(address: str, *args: Any) -> bytes:
    builder = OscMessageBuilder(address=address)
    for arg in args:
        builder.add_arg(arg)
    return builder.build().dgram


@pytest.mark.parametrize("way", WAYS, ids=lambda way: "-".join(map(str, way.wire.values()))[:40])
async def test_all_three_ways_bring_the_same_to_the_player(stage: Any, way: Way) -> None:
    now = [100.0]
    stage.service.control._clock = lambda: now[0]

    async def arrived() -> list[dict[str, Any]]:
        await stage.until(lambda: stage.player.received, str(way.wire))
        got = [dict(x) for x in stage.player.received if x.get("active") is not False]
        stage.player.received.clear()
        now[0] += 2  # nothing is paced, no hand is on anything
        for command in got:
            assert command.pop("client", "nobody") != ""
        return got

    method, path, body = way.route
    status, answer, _ = await stage.call(method, path, body)
    assert status == 200, answer
    assert await arrived() == [way.wire]
    async with stage.page() as page:
        assert (await page.do(**way.wire))["type"] == "done"
        assert await arrived() == [way.wire]
    stage.player.received.clear()  # a hold ends with its page
    stage.service.osc.datagram_received(datagram(*way.address), ("127.0.0.1", 5000))
    assert await arrived() == [way.wire]
    assert stage.service.osc.counts == {"done": 1}


async def test_every_route_is_in_the_description(stage: Any) -> None:
    _, document, _ = await stage.call("GET", "/openapi.json")
    for way in WAYS:
        method, path, _ = way.route
        templates = [t for t in document["paths"] if _fits(t, path)]
        assert any(method.lower() in document["paths"][t] for t in templates), path


def _fits(template: str, path: str) -> bool:
    names, parts = template.split("/"), path.split("/")
    return len(names) == len(parts) and all(
        name == part or name.startswith("{") for name, part in zip(names, parts, strict=True)
    )

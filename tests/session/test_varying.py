"""Copy, clear and randomise over every surface: played, undoable, the seed told."""

from __future__ import annotations

from typing import Any

import pytest
from pythonosc.osc_message_builder import OscMessageBuilder


async def text_of(stage: Any) -> str:
    return str((await stage.call("GET", "/api/set"))[1]["text"])


async def lanes_of(stage: Any) -> dict[str, Any]:
    return dict((await stage.call("GET", "/api/set/plain"))[1]["data"]["lanes"])


async def test_a_randomised_lane_plays_tells_its_seed_and_is_undone(stage: Any) -> None:
    before = await text_of(stage)
    status, answer, _ = await stage.call(
        "POST", "/api/lanes/shaker/randomise", {"amount": 0.8, "when": "step"}
    )
    assert status == 200, answer
    seed, after = answer["seed"], await text_of(stage)
    assert after != before
    assert stage.player.received[-1]["when"] == "step"
    assert (await stage.call("POST", "/api/undo"))[1]["label"] == "shaker randomised"
    assert await text_of(stage) == before
    await stage.call("POST", "/api/lanes/shaker/randomise", {"amount": 0.8, "seed": seed})
    assert await text_of(stage) == after


async def test_a_hand_is_taken_off_what_is_said_anew_and_comes_back_with_undo(stage: Any) -> None:
    await stage.call("PUT", "/api/lanes/rim/settings/chance", {"value": 0.1})
    await stage.call("PUT", "/api/lanes/rim/settings/swing", {"value": 60})
    body = {"amount": 1, "seed": 3, "what": "settings"}
    assert (await stage.call("POST", "/api/lanes/rim/randomise", body))[0] == 200
    written = (await lanes_of(stage))["rim"]["chance"]
    assert stage.state["lanes"]["rim"]["settings"]["chance"] == written != 0.1
    assert stage.state["lanes"]["rim"]["hand"] == {"swing": 60.0}
    await stage.call("POST", "/api/undo")
    assert stage.state["lanes"]["rim"]["hand"] == {"chance": 0.1, "swing": 60.0}


async def test_clear_and_copy(stage: Any) -> None:
    assert (await stage.call("POST", "/api/lanes/shaker/clear"))[0] == 200
    assert (await lanes_of(stage))["shaker"]["steps"] == "." * 16
    await stage.call("POST", "/api/undo")
    status, answer, _ = await stage.call("POST", "/api/lanes/shaker/copy", {"to": "rim"})
    assert (status, answer["lane"], answer["seed"]) == (200, "rim", None)
    rim = (await lanes_of(stage))["rim"]
    assert rim == {"out": "main.gate-2", "groups": ["drums"], "steps": "x.x. x.xx x.x. xx.x"}
    assert (await stage.call("POST", "/api/lanes/kick/copy", {"to": "thump"}))[0] == 200
    assert (await lanes_of(stage))["thump"] == {"euclid": {"hits": 4, "steps": 16}}
    assert "thump" in stage.state["lanes"]


@pytest.mark.parametrize(
    ("path", "body", "status", "says"),
    [
        ("kik/clear", None, 404, "did you mean kick"),
        ("spray/clear", None, 409, "no written pattern"),
        ("spray/randomise", {"amount": 1}, 409, "no written pattern"),
        ("kick/randomise", {"amount": 1.1}, 422, "amount"),
        ("kick/randomise", {}, 422, "amount"),
        ("kick/randomise", {"amount": 1, "seed": -1}, 422, "seed"),
        ("kick/randomise", {"amount": 1, "what": "all"}, 422, "what"),
        ("kick/copy", {"to": "kick"}, 422, "itself"),
        ("kick/copy", {"to": "Bad Name"}, 422, "Bad Name"),
        ("kick/copy", {"to": "bassline"}, 422, "pitch"),
        ("spray/copy", {"to": "kick"}, 422, "kick"),
    ],
)
async def test_what_is_refused_changes_nothing(
    stage: Any, path: str, body: Any, status: int, says: str
) -> None:
    before = await text_of(stage)
    got, problem, response = await stage.call("POST", f"/api/lanes/{path}", body)
    assert got == status, problem
    assert response.content_type == "application/problem+json"  # RFC 9457, section 3
    assert says in str(problem)
    assert await text_of(stage) == before
    assert (await stage.call("GET", "/api/history"))[1]["undo"] == 0


async def test_the_page_says_it_in_the_same_words(stage: Any) -> None:
    async with stage.page() as page:
        done = await page.do(do="randomise", lane="kick", amount=0.5, seed=11)
        assert (done["type"], done["seed"], done["lane"]) == ("done", 11, "kick")
        after = await text_of(stage)
        await page.do(do="undo")
        await stage.call("POST", "/api/lanes/kick/randomise", {"amount": 0.5, "seed": 11})
        assert await text_of(stage) == after
        assert (await page.do(do="clear", lane="kick"))["type"] == "done"
        assert (await page.do(do="copy", lane="kick", to="rim"))["type"] == "done"
        refused = await page.do(do="clear", lane="spray")
        assert refused["problem"]["status"] == 409
        assert (await page.do(do="clear", lane="kik"))["problem"]["status"] == 404


def datagram(address: str, *args: Any) -> bytes:
    builder = OscMessageBuilder(address=address)
    for arg in args:
        builder.add_arg(arg)
    return builder.build().dgram


@pytest.mark.parametrize(
    ("address", "args", "lane", "has"),
    [
        ("/lane/shaker/clear", [], "shaker", {"steps": "." * 16}),
        ("/lane/kick/copy", ["rim", "step"], "rim", {"euclid": {"hits": 4, "steps": 16}}),
    ],
)
async def test_and_so_does_osc(
    stage: Any, address: str, args: list[Any], lane: str, has: dict[str, Any]
) -> None:
    revision = stage.state["revision"]
    stage.service.osc.datagram_received(datagram(address, *args), ("127.0.0.1", 5000))
    await stage.until(lambda: stage.state["revision"] > revision, address)
    lanes = await lanes_of(stage)
    assert has.items() <= lanes[lane].items()
    await stage.until(lambda: stage.service.osc.counts == {"done": 1})


async def test_the_same_seed_by_osc_and_by_http_is_the_same(stage: Any) -> None:
    body = {"amount": 1, "seed": 7, "what": "settings"}
    await stage.call("POST", "/api/lanes/kick/randomise", body)
    after, revision = await text_of(stage), stage.state["revision"]
    await stage.call("POST", "/api/undo")
    stage.service.osc.datagram_received(
        datagram("/lane/kick/randomise/settings", 1.0, 7), ("127.0.0.1", 5000)
    )
    await stage.until(lambda: stage.state["revision"] == revision + 2)
    assert await text_of(stage) == after


async def test_osc_counts_what_is_refused(stage: Any) -> None:
    stage.service.osc.datagram_received(datagram("/lane/spray/clear"), ("127.0.0.1", 5000))
    await stage.until(lambda: stage.service.osc.counts["refused"] == 1)
    stage.service.osc.datagram_received(datagram("/lane/kick/clear", 0), ("127.0.0.1", 5000))
    assert stage.service.osc.counts["done"] == 1  # the release of a button does nothing
    assert (await stage.call("GET", "/api/history"))[1]["undo"] == 0

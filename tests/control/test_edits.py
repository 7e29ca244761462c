"""Changes of the set's text: none that was acknowledged is lost, whoever else changes the set."""

from __future__ import annotations

import asyncio
import re
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from support.patience import PATIENCE_S
from support.peers import osc

from bridge.control.edits import (
    CLIENT_WAITING_MAX,
    Base,
    ConflictError,
    Edits,
    Text,
    changed_paths,
    overlap,
)
from bridge.errors import CommandError
from bridge.web.conditions import tags_of
from bridge.web.problems import ProblemError


async def lanes_of(stage: Any) -> dict[str, Any]:
    lanes: dict[str, Any] = (await stage.call("GET", "/api/set/plain"))[1]["data"]["lanes"]
    return lanes


def gate(lane: str, value: float, **more: Any) -> dict[str, Any]:
    return {"edits": [{"path": ["lanes", lane, "gate"], "value": value}], **more}


async def test_edits_of_four_lanes_at_once_are_all_kept(stage: Any) -> None:
    names = ("kick", "rim", "shaker", "bass")
    for turn in range(1, 6):
        answers = await asyncio.gather(
            *(
                stage.call("POST", "/api/set/edits", gate(name, turn / 10 + n / 100))
                for n, name in enumerate(names)
            )
        )
        assert [status for status, _, _ in answers] == [200] * 4
        lanes = await lanes_of(stage)
        assert [lanes[name]["gate"] for name in names] == [
            pytest.approx(turn / 10 + n / 100) for n in range(4)
        ]
    assert (await stage.call("GET", "/api/history"))[1]["undo"] == 20


async def test_all_ways_of_changing_the_text_take_turns(stage: Any) -> None:
    """Page, HTTP and OSC at once, and undo among them: each change that was answered is there."""
    async with stage.page() as page:
        stage.service.osc.datagram_received(osc("/lane/shaker/clear"), ("127.0.0.1", 5000))
        first, second, third = await asyncio.gather(
            page.do(do="clear", lane="kick"),
            stage.call("POST", "/api/lanes/bass/clear", {}),
            stage.call("POST", "/api/set/edits", gate("rim", 0.25)),
        )
        assert (first["type"], second[0], third[0]) == ("done", 200, 200)
    await stage.until(lambda: stage.service.osc.counts["done"] == 1)
    lanes = await lanes_of(stage)
    assert lanes["rim"]["gate"] == 0.25
    for name in ("kick", "bass", "shaker"):
        hits = lanes[name].get("euclid", {}).get("hits", 0)
        assert hits == 0, name
        assert set(lanes[name].get("steps", ".")) == {"."}, name
    answers = await asyncio.gather(*(stage.call("POST", "/api/undo") for _ in range(4)))
    assert [status for status, _, _ in answers] == [200] * 4
    assert (await stage.call("GET", "/api/history"))[1]["undo"] == 0


async def test_a_pattern_changes_every_lane_that_it_names(stage: Any) -> None:
    stage.service.osc.datagram_received(
        osc("/lane/{kick,rim,shaker,bass}/clear"), ("127.0.0.1", 5000)
    )
    await stage.until(lambda: sum(stage.service.osc.counts.values()) == 4)
    assert stage.service.osc.counts == {"done": 4}
    assert (await stage.call("GET", "/api/history"))[1]["undo"] == 4


async def test_a_pattern_counts_what_it_could_not_do(stage: Any) -> None:
    """A derived lane has no pattern that could be cleared."""
    stage.service.osc.datagram_received(osc("/lane/{kick,spray}/clear"), ("127.0.0.1", 5000))
    await stage.until(lambda: sum(stage.service.osc.counts.values()) == 2)
    assert stage.service.osc.counts == {"done": 1, "refused": 1}


async def test_if_match_merges_what_nobody_else_touched(stage: Any) -> None:
    _, _, response = await stage.call("GET", "/api/set/plain")
    tag = {"If-Match": response.headers["ETag"]}
    assert re.fullmatch(r'"[^"]+"', tag["If-Match"])  # RFC 9110, section 8.8.3
    assert (await stage.call("POST", "/api/set/edits", gate("kick", 0.2)))[0] == 200
    status, _, response = await stage.call("POST", "/api/set/edits", gate("rim", 0.3), headers=tag)
    assert status == 200
    assert response.headers["ETag"] != tag["If-Match"]
    lanes = await lanes_of(stage)
    assert (lanes["kick"]["gate"], lanes["rim"]["gate"]) == (0.2, 0.3)


@pytest.mark.parametrize(
    "mine",
    [
        {"path": ["lanes", "kick", "gate"], "value": 0.9},
        {"path": ["lanes", "kick"], "value": {"steps": "x..."}},
        {"path": ["lanes", "kick"], "rename": "thump"},
        {"path": ["lanes", "kick"], "force": True},
    ],
)
async def test_what_somebody_else_has_changed_is_refused(stage: Any, mine: Any) -> None:
    """412 where If-Match says the text (RFC 9110, section 13.1.1), 409 where the body does."""
    _, plain, response = await stage.call("GET", "/api/set/plain")
    tag = {"If-Match": response.headers["ETag"]}
    await stage.call("POST", "/api/set/edits", gate("kick", 0.2))
    before = await lanes_of(stage)
    body = {"edits": [mine]}
    status, problem, _ = await stage.call("POST", "/api/set/edits", body, headers=tag)
    assert (status, problem["kind"]) == (412, "conflict")
    assert "kick" in problem["detail"]
    body["revision"] = plain["revision"]
    assert (await stage.call("POST", "/api/set/edits", body))[0] == 409
    assert await lanes_of(stage) == before


async def test_a_whole_text_is_only_put_over_the_one_it_was_made_from(stage: Any) -> None:
    _, shown, response = await stage.call("GET", "/api/set")
    tag = {"If-Match": response.headers["ETag"]}
    await stage.call("POST", "/api/set/edits", gate("kick", 0.2))
    text = {"text": shown["text"].replace("tempo: 126", "tempo: 99")}
    assert (await stage.call("PUT", "/api/set", text, headers=tag))[0] == 412
    stale = {**text, "revision": shown["revision"]}
    assert (await stage.call("PUT", "/api/set", stale))[0] == 409
    assert (await stage.call("PUT", "/api/set", {**text, "revision": 10_000}))[0] == 409
    assert (await lanes_of(stage))["kick"]["gate"] == 0.2
    for head in ({"If-Match": "*"}, {}):
        assert (await stage.call("PUT", "/api/set", text, headers=head))[0] == 200


async def test_a_save_may_say_which_text_it_means(stage: Any) -> None:
    _, _, response = await stage.call("GET", "/api/set")
    tag = {"If-Match": response.headers["ETag"]}
    await stage.call("POST", "/api/set/edits", gate("kick", 0.2))
    assert (await stage.call("POST", "/api/set/save", headers=tag))[0] == 412
    assert (await stage.call("POST", "/api/set/save"))[0] == 200


async def test_an_edit_after_an_undo_of_its_text_is_refused(stage: Any) -> None:
    _, _, response = await stage.call("POST", "/api/set/edits", gate("kick", 0.2))
    tag = {"If-Match": response.headers["ETag"]}
    await stage.call("POST", "/api/undo")
    assert (await stage.call("POST", "/api/set/edits", gate("kick", 0.4), headers=tag))[0] == 412
    assert (await stage.call("POST", "/api/set/edits", gate("rim", 0.4), headers=tag))[0] == 200


@pytest.mark.parametrize("header", ["5", '"a" "b"', "W/", '"open', ""])
def test_what_is_no_list_of_tags_is_said_so(header: str) -> None:
    with pytest.raises(ProblemError):
        tags_of(header)


def test_weak_tags_never_match() -> None:
    assert tags_of('W/"1-a"') == []
    assert tags_of('"a,b" , W/"c","d"') == ['"a,b"', '"d"']
    assert tags_of(" * ") is None


async def test_a_client_that_has_left_does_not_stop_its_edit_half_way() -> None:
    edits, texts, go = Edits(), [Text(1, "a: 1")], asyncio.Event()
    edits.text_now = lambda: texts[0]

    async def change() -> None:
        await go.wait()
        texts[0] = Text(2, "a: 2")

    waiting = asyncio.ensure_future(edits.run("left", change))
    await asyncio.sleep(0)
    waiting.cancel()
    go.set()
    base = edits.base("right")
    await edits.run("right", lambda: asyncio.sleep(0))
    assert texts[0].revision == 2
    with pytest.raises(ConflictError):
        edits.check(base, [("a",)])


async def test_the_queue_of_one_client_ends_somewhere_and_clears_itself() -> None:
    edits, go = Edits(), asyncio.Event()
    works = [
        asyncio.ensure_future(edits.run("one", go.wait)) for _ in range(CLIENT_WAITING_MAX * 2)
    ]
    for _ in range(3):
        await asyncio.sleep(0)
    assert (await asyncio.wait_for(_busy(edits, "one"), PATIENCE_S)) == "busy"
    other = asyncio.ensure_future(edits.run("two", go.wait))
    go.set()
    ended = await asyncio.gather(*works, return_exceptions=True)
    assert {type(e) for e in ended} <= {bool, CommandError}
    assert await other
    assert await edits.run("one", go.wait)


async def _busy(edits: Edits, client: str) -> str:
    try:
        await edits.run(client, asyncio.Event().wait)
    except CommandError as error:
        return error.kind
    return "done"


async def test_the_own_changes_of_a_client_that_names_no_text_are_no_conflict() -> None:
    edits, texts = Edits(), [Text(1, "a: 1")]
    edits.text_now = lambda: texts[0]
    base = edits.base("one")

    async def change() -> None:
        texts[0] = Text(2, "a: 2")

    await edits.run("one", change)
    edits.check(base, [("a",)])
    for other in (Base(base.position), Base(base.position, own="two")):
        edits.check(other, [("b",)])
        with pytest.raises(ConflictError):
            edits.check(other, [("a", "b")])


TREES = st.recursive(
    st.integers(0, 2),
    lambda inner: st.dictionaries(st.sampled_from("abc"), inner, max_size=3),
    max_leaves=8,
)


@given(TREES, TREES)
def test_the_changed_paths_lead_from_one_tree_to_the_other(before: Any, after: Any) -> None:
    """Writing the new value at each changed path, and nothing else, gives the new tree."""
    paths = changed_paths(before, after)
    assert (paths == set()) == (before == after)
    made = yaml.safe_load(yaml.safe_dump(before))
    for path in paths:
        if not path:
            made = after
            continue
        place, new, gone = made, after, False
        for key in path[:-1]:
            place, new = place[key], new[key]
        gone = path[-1] not in new
        if gone:
            del place[path[-1]]
        else:
            place[path[-1]] = new[path[-1]]
    assert made == after


def test_paths_overlap_where_one_holds_the_other() -> None:
    assert overlap([("a", "b")], [("a",)])
    assert overlap([("a",)], [("a", "b")])
    assert overlap([()], [("a", "b")]) == ()
    assert overlap([("a", "b")], [("a", "c"), ("ab",)]) is None

"""Edits by path over HTTP: applied as one undoable step, previewed, refused with every reason."""

from __future__ import annotations

from typing import Any

import pytest

from bridge.files.document import Document


@pytest.mark.parametrize("when", ["step", "beat", "bar"])
async def test_an_edit_is_played_and_can_be_undone(stage: Any, when: str) -> None:
    _, before, _ = await stage.call("GET", "/api/set")
    status, plain, _ = await stage.call(
        "POST",
        "/api/set/edits",
        {"edits": [{"path": ["lanes", "kick", "euclid", "hits"], "value": 5}], "when": when},
    )
    assert status == 200
    assert plain["data"]["lanes"]["kick"]["euclid"] == {"hits": 5, "steps": 16}
    await stage.until(lambda: stage.state["lanes"]["kick"]["settings"]["hits"] == 5)
    status, _, _ = await stage.call("POST", "/api/undo")
    assert status == 200
    assert (await stage.call("GET", "/api/set"))[1]["text"] == before["text"]


async def test_a_wrong_edit_says_why_and_changes_nothing(stage: Any) -> None:
    _, before, _ = await stage.call("GET", "/api/set")
    status, problem, response = await stage.call(
        "POST",
        "/api/set/edits",
        {
            "edits": [
                {"path": ["lanes", "kick", "euclid", "hits"], "value": 17},
                {"path": ["lanes", "spray", "logic"], "value": "rim and shakr"},
            ]
        },
    )
    assert status == 422
    assert response.content_type == "application/problem+json"  # RFC 9457, section 3
    said = "\n".join(row["message"] for row in problem["problems"])
    assert "17 hits do not fit in 16 steps" in said
    assert (await stage.call("GET", "/api/set"))[1]["text"] == before["text"]


async def test_a_preview_draws_and_changes_nothing(stage: Any) -> None:
    _, before, _ = await stage.call("GET", "/api/set")
    status, answer, _ = await stage.call(
        "POST",
        "/api/set/preview",
        {"edits": [{"path": ["lanes", "spray", "logic"], "value": "kick"}], "bars": 2},
    )
    assert (status, answer["problems"]) == (200, [])
    lanes = answer["chart"]["lanes"]
    assert lanes["spray"]["hits"]
    ticks = {name: [row[0] for row in lanes[name]["hits"]] for name in ("kick", "spray")}
    assert ticks["spray"] == ticks["kick"]
    assert all(row[3] == ["kick"] for row in lanes["spray"]["hits"])
    assert (await stage.call("GET", "/api/set"))[1]["text"] == before["text"]


async def test_a_wrong_preview_says_what_was_meant(stage: Any) -> None:
    status, answer, _ = await stage.call(
        "POST",
        "/api/set/preview",
        {"edits": [{"path": ["lanes", "spray", "logic"], "value": "rim and shakr"}]},
    )
    assert status == 200
    assert answer["chart"] is None
    assert "shaker" in answer["problems"][0]["message"]


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"edits": []},
        {"edits": [{"path": []}]},
        {"edits": [{"path": "lanes"}]},
        {"edits": [{"path": ["a"], "value": 1, "other": 2}]},
        {"edits": [{"path": ["lanes", "nobody"], "rename": "x"}]},
    ],
)
async def test_bodies_that_are_no_edits(stage: Any, body: object) -> None:
    status, problem, _ = await stage.call("POST", "/api/set/edits", body)
    assert status == 422
    assert problem["status"] == 422


async def test_the_words_an_editor_needs(stage: Any) -> None:
    status, words, _ = await stage.call("GET", "/api/words")
    assert status == 200
    assert words["scales"]["minor"] == [0, 2, 3, 5, 7, 8, 10]  # natural minor
    hits = [name for name, kind in words["kinds"].items() if kind["plays"] == "hits"]
    assert words["settings"]["chance"]["kinds"] == hits
    # As the chapter on logic in the manual has it.
    assert set(words["operators"]) == {"and", "or", "xor", "not"}
    assert words["functions"]["nth"]["arguments"] == ["hits", "count", "count?"]
    assert words["functions"]["gap"]["says"] == "kick has not hit for 1/8"
    assert all(name in word["example"] for name, word in words["functions"].items())


async def test_an_edit_may_hold_in_one_section_only(stage: Any) -> None:
    await stage.call("POST", "/api/sections/flood", {"when": "now"})
    await stage.until(lambda: stage.state["section"] == "flood")
    _, before, _ = await stage.call("GET", "/api/set")
    edits = [{"path": ["lanes", "shaker", "steps"], "value": "X..x"}]
    body = {"edits": edits, "section": "flood"}
    _, preview, _ = await stage.call("POST", "/api/set/preview", body)
    assert preview["problems"] == []
    assert (await stage.call("GET", "/api/set"))[1]["text"] == before["text"]
    status, plain, _ = await stage.call("POST", "/api/set/edits", body)
    assert status == 200
    assert plain["data"]["sections"]["flood"]["lanes"]["shaker"] == {"steps": "X..x"}
    assert plain["data"]["lanes"]["shaker"] == before_lane(before["text"])
    await stage.until(lambda: stage.state["form"]["section"] == "flood")
    # Nothing else is said of it there: with the value the whole difference goes.
    gone = {"edits": [{"path": ["lanes", "shaker", "steps"], "value": None}], "section": "flood"}
    status, plain, _ = await stage.call("POST", "/api/set/edits", gone)
    assert status == 200
    assert "shaker" not in plain["data"]["sections"]["flood"].get("lanes", {})
    await stage.until(lambda: stage.state["form"]["section"] is None)


def before_lane(text: str) -> Any:
    return Document.parse(text, "").data["lanes"]["shaker"]


@pytest.mark.parametrize(
    ("edit", "section", "said"),
    [
        ({"path": ["lanes", "kick", "steps"], "value": "x"}, "floot", "did you mean flood"),
        ({"path": ["macros", "brightness", "start"], "value": 1}, "flood", "change it everywhere"),
        ({"path": ["lanes", "kick"], "rename": "drum"}, "flood", "change it everywhere"),
        ({"path": ["lanes", "kick", "out"], "value": "main.gate-1"}, "flood", "in every section"),
        ({"path": ["lanes", "kick", "euclid", "hits"], "value": 17}, "flood", "do not fit"),
    ],
)
async def test_what_a_section_cannot_have_is_refused(
    stage: Any, edit: dict[str, Any], section: str, said: str
) -> None:
    _, before, _ = await stage.call("GET", "/api/set")
    body = {"edits": [edit], "section": section}
    status, problem, _ = await stage.call("POST", "/api/set/edits", body)
    assert status == 422
    assert said in str(problem["problems"])
    _, preview, _ = await stage.call("POST", "/api/set/preview", body)
    assert said in str(preview["problems"])
    assert (await stage.call("GET", "/api/set"))[1]["text"] == before["text"]


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/api/lanes/kick/clear", None),
        ("/api/lanes/kick/randomise", {"amount": 0.5, "seed": 3}),
        ("/api/lanes/rim/copy", {"to": "kick"}),
    ],
)
async def test_a_change_by_one_gesture_is_made_on_the_text_that_is_known(
    stage: Any, path: str, body: Any
) -> None:
    """RFC 9110, section 13.1.1: with If-Match only on that text, of the lanes that it touches."""
    tag = (await stage.call("GET", "/api/set"))[2].headers["ETag"]
    edits = {"edits": [{"path": ["lanes", "kick", "muted"], "value": True}], "when": "step"}
    assert (await stage.call("POST", "/api/set/edits", edits))[0] == 200
    status, told, _ = await stage.call("POST", path, body, headers={"If-Match": tag})
    assert (status, told["kind"]) == (412, "conflict")
    assert (await stage.call("POST", path, body, headers={"If-Match": '"other"'}))[0] == 412
    assert (await stage.call("POST", path, body, headers={"If-Match": "odd"}))[0] == 400
    now = (await stage.call("GET", "/api/set"))[2].headers["ETag"]
    status, _, answer = await stage.call("POST", path, body, headers={"If-Match": now})
    assert status == 200
    assert answer.headers["ETag"] not in (now, tag)
    assert answer.headers["ETag"] == (await stage.call("GET", "/api/set"))[2].headers["ETag"]

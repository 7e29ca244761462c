"""The plan of outputs, the patch sheet and the scope's drawing over HTTP."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from typing import Any

import pytest

from bridge.errors import CommandError
from bridge.paper.form import form_of
from bridge.web.paper_http import draw_form, draw_scope


async def test_the_plan_says_what_drives_each_output_and_what_is_left(stage: Any) -> None:
    status, plan, _ = await stage.call("GET", "/api/outputs")
    assert (status, plan["rig"]) == (200, "Quay rack")
    rows = {row["output"]: row for row in plan["outputs"]}
    assert set(rows) == set(stage.service.session.rig.wired)
    kick = rows["main.gate-1"]
    assert (kick["drivers"], kick["cable"], kick["free"]) == (["kick"], "kick voice", False)
    assert rows["main.gate-8"]["free"]
    assert rows["main.level-2"]["drivers"] == ["macro shaker-level"]
    pitch = rows["main.pitch-1"]
    # 1 V/oct: 1200 cents a volt.
    assert pitch["step_cents"] == pytest.approx(1.2 * pitch["step_mv"], rel=1e-6)
    assert plan["loose"] == []


async def test_a_lane_without_an_output_is_told_what_would_fit(stage: Any) -> None:
    text = (stage.folder / "low-tide.yaml").read_text(encoding="utf-8")
    text = text.replace(", out: main.gate-4", "").replace(", out: main.pitch-1", "")
    assert (await stage.call("PUT", "/api/set", {"text": text, "when": "step"}))[0] == 200
    _, plan, _ = await stage.call("GET", "/api/outputs")
    loose = {row["lane"]: row for row in plan["loose"]}
    assert set(loose) == {"spray", "bassline"}
    assert loose["spray"]["fits"][0] == "main.gate-4"
    assert loose["bassline"]["fits"] == ["main.pitch-1", "main.pitch-2"]


async def test_the_state_has_the_note_names_of_the_key(stage: Any) -> None:
    assert (await stage.call("GET", "/api/state"))[1]["note_names"][1] == "C#"  # A minor
    text = (stage.folder / "low-tide.yaml").read_text(encoding="utf-8")
    text = text.replace("{root: A, scale: minor}", "{root: Bb, scale: dorian}")
    assert (await stage.call("PUT", "/api/set", {"text": text, "when": "step"}))[0] == 200
    names = (await stage.call("GET", "/api/state"))[1]["note_names"]
    assert [names[pc] for pc in (10, 0, 1, 3, 5, 7, 8)] == ["Bb", "C", "Db", "Eb", "F", "G", "Ab"]


async def test_warnings_stand_with_their_place(stage: Any) -> None:
    text = (stage.folder / "low-tide.yaml").read_text(encoding="utf-8")
    text = text.replace("from: 0, to: 5", "from: 0, to: 9")
    assert (await stage.call("PUT", "/api/set", {"text": text, "when": "step"}))[0] == 200
    _, plan, _ = await stage.call("GET", "/api/outputs")
    (warning,) = [row for row in plan["warnings"] if "9 V" in row["message"]]
    assert warning["line"] > 0


async def get(stage: Any, path: str) -> tuple[int, str, Any]:
    async with stage.session.get(stage.base + path) as response:
        return response.status, await response.text(), response.headers


async def test_the_patch_sheet_is_a_page_without_script(stage: Any) -> None:
    status, page, headers = await get(stage, "/api/sheet?bars=1")
    assert (status, headers["Content-Type"]) == (200, "text/html; charset=utf-8")
    assert "Low tide" in page
    assert "kick voice" in page
    assert "not tuned" in page
    assert "script-src" not in headers["Content-Security-Policy"]  # so 'none', by default-src
    assert headers["Content-Security-Policy"].startswith("default-src 'none'")
    assert headers["X-Content-Type-Options"] == "nosniff"
    for query in ("bars=0", "bars=17", "bars=x", "bar=1"):
        status, _, _ = await get(stage, f"/api/sheet?{query}")
        assert status == 400, query


async def test_the_patch_sheet_has_the_tuning(stage: Any) -> None:
    (stage.folder / "rig.tuning.yaml").write_text(
        "tuning:\n  main.pitch-1:\n    made: 2026-01-31T21:05:00\n"
        "    profile: eight-gates-four-cv\n    offset_volts: 0.0123\n    gain: 0.998\n",
        encoding="utf-8",
    )
    _, page, _ = await get(stage, "/api/sheet")
    assert "tuned 2026-01-31: offset +12.3 mV, gain 0.9980" in page


@pytest.mark.slow
async def test_the_scope_is_drawn(stage: Any) -> None:
    status, svg, headers = await get(stage, "/api/scope.svg?bars=1")
    assert (status, headers["Content-Type"]) == (200, "image/svg+xml")
    root = ET.fromstring(svg)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert "main.gate-1" in svg


@pytest.mark.slow
async def test_a_drawing_that_fails_says_why(stage: Any) -> None:
    with pytest.raises(CommandError, match="lanes"):
        await draw_scope(stage.folder / "rig.yaml", "set: x\nlanes: 5\n", 1)


@pytest.mark.slow
async def test_the_form_is_drawn_of_the_set_that_is_loaded(stage: Any) -> None:
    """What the command draws of the set's own text, lane by lane."""
    status, svg, headers = await get(stage, "/api/form.svg")
    assert (status, headers["Content-Type"]) == (200, "image/svg+xml")
    root = ET.fromstring(svg)
    words = {element.text for element in root.iter("{http://www.w3.org/2000/svg}text")}
    session = stage.service.session
    _, playing = session.loaded()
    form = form_of(playing.document.spec, session.rig)
    assert {"kick", "shaker", *form.by_lane} <= words
    assert f"Low tide: {form.way}" in words


@pytest.mark.slow
async def test_a_form_that_cannot_be_drawn_says_why(stage: Any) -> None:
    status, _, _ = await get(stage, "/api/form.svg?bars=2")
    assert status == 400, "it takes no query"
    order = "order:\n" + "  - {section: low, bars: 1024}\n" * 5
    text = "set: x\nlanes: {a: {steps: x}}\nsections: {low: {play: all}}\n" + order
    with pytest.raises(CommandError, match="too many"):
        await draw_form(stage.folder / "rig.yaml", text)

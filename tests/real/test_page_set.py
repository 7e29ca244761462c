"""The editing and keeping views in a real browser: every kind of lane, undo, what is refused."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from support.program import MakeScreen, Running, Until

pytestmark = pytest.mark.real


def lane(demo: Running, name: str) -> dict[str, Any]:
    written: dict[str, Any] = demo.get("set/plain")["data"]["lanes"][name]
    return written


def test_an_edit_and_its_undo(screen: MakeScreen, demo: Running, until: Until) -> None:
    one = screen().open(demo.url, "set")
    before = demo.get("set")["text"]
    one.choose("kick")
    hits = lane(demo, "kick")["euclid"]["hits"]
    one.page.get_by_role("button", name="Hits: more", exact=True).tap()
    until(lambda: lane(demo, "kick")["euclid"]["hits"] == hits + 1)
    assert demo.get("set")["text"].count("#") == before.count("#"), "a comment was lost"
    one.page.locator("#view-set").get_by_role("button", name="Undo").tap()
    until(lambda: demo.get("set")["text"] == before)
    number = one.page.get_by_role("spinbutton", name="Hits", exact=True)
    until(lambda: number.input_value() == str(hits))


def test_a_number_that_does_not_fit_stays_in_its_field(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url, "set")
    one.choose("kick")
    before = demo.get("set")["text"]
    number = one.page.get_by_role("spinbutton", name="Hits", exact=True)
    number.fill("17")
    number.press("Tab")
    until(lambda: number.get_attribute("aria-invalid") == "true")
    assert "17 hits do not fit in 16 steps" in one.page.inner_text(".stepper >> nth=0")
    assert number.input_value() == "17"
    assert demo.get("set")["text"] == before
    number.fill("99")
    number.press("Tab")
    until(lambda: "0 to 64" in one.page.inner_text(".stepper >> nth=0"))
    assert number.input_value() == "99"
    number.fill("5")
    number.press("Tab")
    until(lambda: lane(demo, "kick")["euclid"]["hits"] == 5)
    until(lambda: number.get_attribute("aria-invalid") is None)
    one.forgive(422)


def test_steps_by_touch(screen: MakeScreen, demo: Running, until: Until) -> None:
    """A step is put by one touch, and shaped below its foot: three touches from the playing view."""
    one = screen(390, 844, is_mobile=True).open(demo.url)

    def steps() -> str:
        return str(lane(demo, "shaker")["steps"]).replace(" ", "")

    before = steps()
    assert before[1] == "."
    one.page.locator("#views [href='#set']").tap()
    one.page.locator("#view-set .entry:has(span:text-is('shaker'))").tap()
    foot = one.page.locator(".foot")
    foot.nth(2).tap()
    panel = one.page.get_by_role("group", name="The step that was chosen")
    panel.get_by_role("heading", name="Step 3").wait_for()
    foot.nth(2).tap()
    until(lambda: not panel.is_visible(), what="a second touch closes it")
    one.page.locator(".step").nth(1).tap()
    until(lambda: steps() == f"{before[0]}x{before[2:]}")
    foot.nth(1).tap()
    slider = panel.get_by_role("slider", name="chance", exact=True)
    one.swipe(one.spot(slider), (-120, 0))
    until(lambda: "x(" in steps())
    own = steps()[3:].split("%")[0]
    assert 0 < float(own) < 100
    until(lambda: slider.get_attribute("data-own") == "yes")
    assert one.page.locator(".foot").nth(1).inner_text() == f"{own}%"
    for _ in range(2):
        panel.get_by_role("slider", name="repeats", exact=True).press("ArrowRight")
    until(lambda: steps() == f"{before[0]}x({own}%,3x){before[2:]}")
    shape = panel.get_by_role("textbox", name="The step in words")
    until(lambda: shape.input_value() == f"{own}%, 3x")
    label = f"step 2: hit, {own}%, 3x"
    until(lambda: one.page.locator(".step").nth(1).get_attribute("aria-label") == label)
    with one.page.expect_response("**/set/edits"):
        one.page.locator(".step").nth(1).tap()  # accented, and shaped as it was
    until(lambda: steps() == f"{before[0]}X({own}%,3x){before[2:]}")
    shape.fill("often")
    shape.press("Enter")
    until(lambda: "says nothing of a step" in one.page.inner_text("article"))
    shape.fill("level 0.5, gate 2, 1 of 4")
    shape.press("Enter")
    until(lambda: steps() == f"{before[0]}X(level0.5,gate2,1of4){before[2:]}")
    until(lambda: panel.get_by_role("slider", name="gate").get_attribute("aria-valuenow") == "2")
    panel.get_by_role("button", name="As the lane").tap()
    until(lambda: steps() == f"{before[0]}X{before[2:]}")
    one.forgive(422)


def test_changes_hold_in_one_section_or_everywhere(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url, "set")
    one.choose("shaker")
    before, text = lane(demo, "shaker")["steps"], demo.get("set")["text"]
    where = one.page.get_by_role("combobox", name="Changes apply")
    assert where.input_value() == ""
    where.select_option("flood")
    until(lambda: "All as everywhere so far" in one.page.inner_text("article"))
    one.page.locator(".step").nth(1).tap()

    def there() -> dict[str, Any]:
        flood = demo.get("set/plain")["data"]["sections"]["flood"]
        written: dict[str, Any] = flood.get("lanes", {}).get("shaker", {})
        return written

    until(lambda: there().get("steps", "").replace(" ", "")[:3] == "xxX")
    assert lane(demo, "shaker")["steps"] == before
    until(lambda: "Its own here: steps" in one.page.inner_text("article"))
    where.select_option("")
    until(lambda: "Different in flood" in one.page.inner_text("article"))
    assert one.page.locator(".step").nth(1).get_attribute("aria-label") is not None
    where.select_option("flood")
    one.page.get_by_role("button", name="As everywhere").tap()
    until(lambda: "steps" not in there())
    assert demo.get("set")["text"].replace(" ", "") == text.replace(" ", "")

    kind = one.page.get_by_role("combobox", name="Kind of lane")
    kind.select_option("logic")
    until(lambda: "a lane of logic, and not of steps" in one.page.inner_text("article"))
    assert there() == {"logic": "not kick"}
    assert lane(demo, "shaker")["steps"] == before
    one.page.get_by_role("button", name="As everywhere").tap()
    until(lambda: kind.input_value() == "steps")
    where.select_option("")
    kind.select_option("every")
    until(lambda: "every" in lane(demo, "shaker"))
    assert "steps" not in lane(demo, "shaker")


def test_bad_logic_is_explained_and_kept(screen: MakeScreen, demo: Running, until: Until) -> None:
    one = screen().open(demo.url, "set")
    one.choose("spray")
    before = demo.get("set")["text"]
    field = one.field("Sounds when")
    field.fill("rim and shakr")
    until(lambda: "shaker" in one.wrong("Sounds when"), what="did you mean")
    one.page.get_by_role("button", name="Use it").tap()
    until(lambda: "shakr" in one.wrong("Sounds when"))
    assert field.input_value() == "rim and shakr"
    assert demo.get("set")["text"] == before
    field.fill("rim and shaker")
    until(lambda: "would play" in one.page.inner_text(".trial"))
    assert demo.get("set")["text"] == before, "a preview changes nothing"
    one.forgive(422)


def test_notes_by_dragging_stay_in_key(screen: MakeScreen, demo: Running, until: Until) -> None:
    one = screen().open(demo.url, "set")
    one.choose("bassline")
    assert lane(demo, "bassline")["notes"][0] == "A1"
    x, y = one.spot(".column >> nth=0")
    one.down(1, x, y)
    for i in range(1, 4):
        one.move(1, x, y - 13 * i)
    one.up(1)
    # A natural minor: the third step above A1 is D2 (common practice, no source).
    until(lambda: lane(demo, "bassline")["notes"][0] == "D2")


def test_notes_in_small_letters_are_notes_and_are_spelled_by_the_key(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    edits = [
        {"path": ["key"], "value": {"root": "bb", "scale": "dorian"}},
        {"path": ["lanes", "bassline", "notes"], "value": ["a#1", "db2", "C#3", "."]},
    ]
    demo.send("POST", "set/edits", {"edits": edits, "when": "step"})
    one = screen().open(demo.url, "set")
    one.choose("bassline")
    sliders = one.page.get_by_role("slider", name=re.compile("Note [0-9]"))
    until(lambda: sliders.count() == 4)
    said = [sliders.nth(i).get_attribute("aria-valuetext") for i in range(4)]
    # B flat dorian: Bb C Db Eb F G Ab (a flat minor scale with its sixth raised, common practice).
    assert said == ["Bb1", "Db2", "Db3", "rest"]


def test_every_kind_of_lane_has_a_form(screen: MakeScreen, demo: Running, until: Until) -> None:
    one = screen().open(demo.url, "set")
    kinds = demo.get("words")
    for kind in kinds["kinds"]:
        name = f"try-{kind}"
        one.field("New name").fill(name)
        one.page.locator("form.add select").select_option(kind)
        one.page.get_by_role("button", name="Add", exact=True).click()
        one.page.wait_for_selector(f"article[aria-label='Lane {name}']")
        assert kind in lane(demo, name)
        assert one.page.locator("article .source").inner_text().strip(), kind


def test_decay_sample_walk_and_shape_are_edited(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url, "set")
    text = demo.get("set")["text"].replace(
        "\nmacros:",
        "\n  fall: {decay: kick}\n  catch: {sample: {value: swell, at: rim}}\n  roam: {walk: true}\n"
        "  wave: {shape: sine, rate: 1/1}\n\nmacros:",
    )
    demo.send("PUT", "set", {"text": text, "when": "step"})
    one.page.wait_for_selector("#view-set .entry:has-text('wave')")
    one.choose("fall")
    one.field("Falls from each hit of").select_option("clap")
    until(lambda: lane(demo, "fall")["decay"] == "clap")
    one.choose("catch")
    one.field("At each hit of").select_option("kick")
    until(lambda: lane(demo, "catch")["sample"] == {"value": "swell", "at": "kick"})
    one.choose("roam")
    one.page.get_by_role("slider", name="walk step").focus()
    one.page.keyboard.press("PageUp")
    until(lambda: lane(demo, "roam").get("walk_step") == pytest.approx(0.2))
    one.choose("wave")
    one.field("Form").select_option("triangle")
    until(lambda: lane(demo, "wave")["shape"] == "triangle")
    one.unfold("Order, passes and groups")
    one.field("Starts again").select_option("kick")
    until(lambda: lane(demo, "wave").get("reset") == "kick")


def test_order_passes_groups_and_octaves(screen: MakeScreen, demo: Running, until: Until) -> None:
    one = screen().open(demo.url, "set")
    one.choose("bell")
    one.unfold("Order, passes and groups")
    one.field("Direction").select_option("back-and-forth")
    until(lambda: lane(demo, "bell").get("direction") == "back-and-forth")
    one.field("Back to its first step").select_option("4")
    until(lambda: lane(demo, "bell").get("reset") == 4)
    more = one.page.get_by_role("button", name="A round of one pass more")
    for of in (2, 3):
        more.tap()
        until(lambda of=of: lane(demo, "bell").get("passes", {}).get("of") == of)
    third = one.page.get_by_role("button", name="pass 3 of 3")
    third.tap()
    until(lambda: lane(demo, "bell").get("passes") == {"on": [1, 3], "of": 3})
    until(lambda: third.get_attribute("aria-pressed") == "true", what="the page hears of it")
    third.tap()
    until(lambda: lane(demo, "bell").get("passes") == {"on": [1], "of": 3})
    one.page.get_by_role("button", name="pass 1 of 3").tap()
    until(lambda: "one pass at least" in one.page.inner_text("article"))
    groups = one.field("Groups")
    groups.fill("Air Bells")
    groups.press("Enter")
    until(lambda: "lower-case" in one.wrong("Groups"), what="what a name may be")
    assert groups.input_value() == "Air Bells"
    groups.fill("air, bells")
    groups.press("Enter")
    until(lambda: lane(demo, "bell").get("groups") == ["air", "bells"])
    one.choose("lantern")
    one.unfold("Scale, chord and octaves")
    one.field("Nearest note of").select_option("key")
    until(lambda: lane(demo, "lantern").get("quantise") == "key")
    octaves = one.field("Octaves, lowest and highest")
    octaves.fill("4 3")
    octaves.press("Enter")
    until(lambda: one.wrong("Octaves, lowest and highest"))
    assert octaves.input_value() == "4 3"
    octaves.fill("3 4")
    octaves.press("Enter")
    until(lambda: lane(demo, "lantern").get("octaves") == [3, 4])
    one.field("Nearest note of").select_option("")
    until(lambda: "quantise" not in lane(demo, "lantern"))
    one.forgive(422)


def test_copy_clear_and_chance(screen: MakeScreen, demo: Running, until: Until) -> None:
    one = screen().open(demo.url, "set")
    one.choose("shaker")
    one.unfold("Copy, clear, change by chance")
    before = lane(demo, "shaker")
    one.page.get_by_role("button", name="Change it by chance").tap()
    until(lambda: lane(demo, "shaker")["steps"] != before["steps"])
    until(lambda: re.search(r"seed \d+", one.page.inner_text("#say")))
    one.page.get_by_role("button", name="Clear it").tap()
    until(lambda: not set(lane(demo, "shaker")["steps"]) & {"x", "X"})
    for _ in range(2):
        one.page.locator("#view-set").get_by_role("button", name="Undo").tap()
    until(lambda: lane(demo, "shaker") == before)
    one.page.get_by_role("button", name="Copy", exact=True).tap()
    until(lambda: one.wrong("Copy to"))
    one.field("Copy to").fill("Shaker 2")
    one.page.get_by_role("button", name="Copy", exact=True).tap()
    until(lambda: "name" in one.wrong("Copy to").lower())
    assert one.field("Copy to").input_value() == "Shaker 2"
    one.field("Copy to").fill("maraca")
    one.page.get_by_role("button", name="Copy", exact=True).tap()
    one.page.wait_for_selector("article[aria-label='Lane maraca']")
    assert lane(demo, "maraca")["steps"] == before["steps"]
    one.forgive(409, 422)


def test_a_lane_is_added_renamed_and_removed(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url, "set")
    one.field("New name").fill("Gull!")
    one.page.get_by_role("button", name="Add", exact=True).click()
    until(lambda: one.wrong("New name"))
    assert one.field("New name").input_value() == "Gull!"
    one.field("New name").fill("gull")
    one.page.get_by_role("button", name="Add", exact=True).click()
    one.page.wait_for_selector("article[aria-label='Lane gull']")
    title = one.field("Name of the lane")
    title.fill("tern")
    title.press("Tab")
    one.page.wait_for_selector("article[aria-label='Lane tern']")
    assert "tern" in demo.get("set/plain")["data"]["lanes"]
    one.page.locator("article").get_by_role("button", name="Remove", exact=True).tap()
    until(lambda: "tern" not in demo.get("set/plain")["data"]["lanes"])
    until(lambda: "tern" not in demo.state["lanes"])
    one.forgive(422)


def test_a_lane_that_others_need_is_removed_only_when_told(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url, "set")
    one.choose("rim")
    one.page.locator("article").get_by_role("button", name="Remove", exact=True).tap()
    until(lambda: "spray" in one.page.inner_text(".problem"), what="who needs it")
    assert "rim" in demo.state["lanes"]
    one.page.get_by_role("button", name="Remove it all the same").tap()
    until(lambda: not {"rim", "spray"} & demo.get("set/plain")["data"]["lanes"].keys())
    one.page.locator("#view-set").get_by_role("button", name="Undo").tap()
    until(lambda: {"rim", "spray"} <= demo.get("set/plain")["data"]["lanes"].keys())
    one.forgive(422)


def test_a_macro_is_added_driven_renamed_and_removed(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url, "set")

    def macros() -> dict[str, Any]:
        written: dict[str, Any] = demo.get("set/plain")["data"]["macros"]
        return written

    one.field("New name").fill("surge")
    one.page.locator("form.add select").select_option("macro")
    one.page.get_by_role("button", name="Add", exact=True).click()
    one.page.wait_for_selector("article[aria-label='Macro surge']")
    one.field("Drive one more").select_option("main.level-1")
    until(lambda: {"out": "main.level-1", "depth": 0.5} in macros()["surge"]["drives"])
    one.page.get_by_role("button", name="main.level-1: from volt to volt").tap()
    until(lambda: {"out": "main.level-1", "from": 0, "to": 5} in macros()["surge"]["drives"])
    top = one.field("main.level-1 to, volts")
    top.fill("three")
    top.press("Enter")
    until(lambda: "number of volts" in one.wrong("main.level-1 to, volts"))
    top.fill("3.5")
    top.press("Enter")
    # At once, before the page can have heard of the last edit: both stand.
    one.field("main.level-1: curve").select_option("More of it at the end")
    bent = {"out": "main.level-1", "from": 0, "to": 3.5, "curve": 0.5}
    until(lambda: bent in macros()["surge"]["drives"])
    until(lambda: "Also moved by brightness: what each adds" in one.page.inner_text(".drives"))
    one.field("Curve").select_option("Most of it at the start")
    words = one.page.locator(".drive-curve").last
    until(lambda: "half way it has gone 25 %" in words.inner_text())
    one.page.get_by_role("button", name="Remove kick shift time").tap()
    until(lambda: len(macros()["surge"]["drives"]) == 1)
    one.page.get_by_role("button", name="Remove main.level-1").tap()
    until(lambda: "one thing at least" in one.page.inner_text("article"))
    title = one.field("Name of the macro")
    title.fill("swash")
    title.press("Tab")
    one.page.wait_for_selector("article[aria-label='Macro swash']")
    until(lambda: "swash" in demo.state["macros"])
    one.page.locator("article").get_by_role("button", name="Remove", exact=True).tap()
    until(lambda: "swash" not in demo.state["macros"])


def test_a_drive_has_the_whole_width_of_a_phone(screen: MakeScreen, demo: Running) -> None:
    one = screen(390, 844).open(demo.url, "set")
    one.choose("brightness")
    for fader in one.page.locator(".drive .fader").all():
        assert one.box(fader)["width"] > 300


def test_what_plays_is_kept_as_a_section(screen: MakeScreen, demo: Running, until: Until) -> None:
    one = screen().open(demo.url, "set")
    demo.send("PUT", "lanes/clap/mute", {"muted": True})
    until(lambda: demo.state["lanes"]["clap"]["muted"])
    one.choose("whole set")
    until(lambda: one.page.evaluate("lanebridge.app.store.state.lanes.clap.muted"))
    one.field("A new section, or one to take anew").fill("slack")
    one.page.get_by_role("button", name="Keep what plays now").tap()
    kept = until(lambda: demo.get("set/plain")["data"]["sections"].get("slack"))
    assert set(kept["play"]) == set(demo.state["lanes"]) - {"clap"}
    assert set(kept["macros"]) == set(demo.state["macros"])
    until(lambda: "slack" in demo.state["sections"])


def test_a_section_has_a_tempo_a_swing_and_a_key_of_its_own(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    def flood() -> dict[str, Any]:
        return dict(demo.get("set/plain")["data"]["sections"]["flood"])

    one = screen().open(demo.url, "set")
    one.choose("whole set")
    one.unfold("Tempo, swing and key only in flood")
    one.field("Tempo of flood").fill("132")
    one.field("Tempo of flood").press("Enter")
    until(lambda: flood().get("tempo") == 132)
    one.field("Swing of flood").fill("60")
    one.field("Swing of flood").press("Enter")
    until(lambda: flood().get("swing") == 60)
    one.field("Root of flood").select_option("Bb")
    until(lambda: flood().get("key") == {"root": "Bb"})
    until(lambda: demo.state["section_note_names"].get("flood", [""] * 12)[1] == "Db")
    one.field("Tempo of flood").fill("")
    one.field("Tempo of flood").press("Enter")
    until(lambda: "tempo" not in flood())
    one.field("Swing bends").select_option("1/8")
    until(lambda: demo.get("set/plain")["data"].get("swing_of") == "1/8")
    one.field("Groove").fill("0 11.7 -6.7")
    one.field("Groove").press("Enter")
    until(lambda: demo.get("set/plain")["data"].get("groove") == [0, 11.7, -6.7])


# --- the files ----------------------------------------------------------------------------------


def test_wrong_text_is_refused_with_its_line(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url, "files")
    one.part("files", "text")
    area = one.field("Text of the set")
    until(area.input_value)
    wrong = area.input_value().replace("hits: 4", "hits: 40")
    area.fill(wrong)
    one.page.get_by_role("button", name="Use from the next bar").tap()
    until(lambda: re.search(r"line \d+: lanes\.kick", one.wrong("Text of the set")))
    assert area.input_value() == wrong
    assert lane(demo, "kick")["euclid"]["hits"] == 4
    area.fill(wrong.replace("hits: 40", "hits: 6"))
    one.page.get_by_role("button", name="Use from the next bar").tap()
    until(lambda: lane(demo, "kick")["euclid"]["hits"] == 6)
    until(lambda: one.wrong("Text of the set") == "")
    one.forgive(422)


def test_what_was_done_is_listed_and_undone_back_to_a_step(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url, "files")
    one.part("files", "done")
    text = demo.get("set")["text"]
    for hits in (5, 6, 7):
        edit = {"path": ["lanes", "kick", "euclid", "hits"], "value": hits}
        demo.send("POST", "set/edits", {"edits": [edit], "when": "step"})
    done = one.page.locator("#view-files .done-list li:not([data-undone])")
    until(lambda: done.count() >= 3)
    assert "kick" in done.nth(0).inner_text()
    done.nth(2).get_by_role("button").tap()
    until(lambda: demo.get("set")["text"] == text)
    undone = one.page.locator("#view-files .done-list li[data-undone]")
    until(lambda: undone.count() == 3)
    undone.nth(0).get_by_role("button").tap()  # the furthest one: all three again
    until(lambda: lane(demo, "kick")["euclid"]["hits"] == 7)


def test_another_set_takes_over_and_the_tempo_stays(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url, "files")
    one.part("files", "sets")
    tempo = demo.state["transport"]["tempo"]
    one.page.get_by_role("button", name="Make ready: ideas/derived.yaml").tap()
    row = one.page.locator("#view-files li", has_text="ideas/derived.yaml")
    until(lambda: "ready" in row.inner_text())
    one.field("Tempo").select_option("keep")
    one.page.get_by_role("button", name="Open: ideas/derived.yaml").tap()
    until(lambda: demo.state["set"] == "Echoes off the wall")
    until(lambda: one.page.inner_text("#set-name") == "Echoes off the wall")
    assert demo.state["transport"]["tempo"] == pytest.approx(tempo)
    assert demo.state["transport"]["state"] == "running"
    one.page.get_by_role("button", name="Back to the set before").tap()
    until(lambda: demo.state["set"] == "Low tide")


def test_saving_and_a_name_that_cannot_be(screen: MakeScreen, demo: Running, until: Until) -> None:
    one = screen().open(demo.url, "files")
    one.part("files", "file")
    one.field("Save as").fill("../away")
    one.page.get_by_role("button", name="Save as", exact=True).tap()
    until(lambda: one.wrong("Save as"))
    assert one.field("Save as").input_value() == "../away"
    one.field("Save as").fill("ebb")
    one.page.get_by_role("button", name="Save as", exact=True).tap()
    until(lambda: demo.state["document"] == {"file": "ebb.yaml", "saved": True})
    until(lambda: one.page.inner_text("#view-files article p >> nth=0").startswith("ebb.yaml"))
    one.forgive(404, 409, 422)


def test_a_saved_moment_comes_back_and_a_pack_is_opened(
    screen: MakeScreen, demo: Running, until: Until, tmp_path: Path
) -> None:
    demo.send(
        "POST", "set/edits", {"edits": [{"path": ["lanes", "kick", "euclid", "hits"], "value": 3}]}
    )
    demo.send("POST", "set/save")
    one = screen().open(demo.url, "files")
    one.part("files", "moments")
    row = one.page.locator("#view-files .done-list li", has_text="kick: hits 4 to 3")
    row.get_by_role("button").tap()
    until(lambda: lane(demo, "kick")["euclid"]["hits"] == 4)
    one.part("files", "pack")
    with one.page.expect_download() as download:
        one.page.get_by_role("link", name="Download the pack").tap()
    pack = tmp_path / "tide.zip"
    download.value.save_as(pack)
    one.field("A pack (.zip)").set_input_files(pack)
    one.page.get_by_role("button", name="Open the pack").tap()
    until(lambda: "among the other sets" in one.page.inner_text("#view-files article"))
    pack.write_bytes(b"no archive")
    one.field("A pack (.zip)").set_input_files(pack)
    one.page.get_by_role("button", name="Open the pack").tap()
    until(lambda: "is not a zip archive" in one.page.inner_text("#view-files article"))
    one.forgive(422)


def test_a_take_is_named_kept_and_gone_on_from(
    screen: MakeScreen, demo: Running, until: Until, tmp_path: Path
) -> None:
    """The whole way over the real player: what was just played becomes a section, the take is
    named and downloaded, and the player is put to its second bar."""

    def takes() -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = demo.get("takes")["takes"]
        return found

    demo.send("PUT", "tempo", {"bpm": 300})
    demo.send("POST", "transport/start", {"restart": True})
    one = screen().open(demo.url, "files")
    one.part("files", "takes")
    until(lambda: demo.state["transport"]["bar"] > 3, what="whole bars are over")
    one.page.get_by_role("button", name="Keep as a section").tap()
    until(lambda: "kept" in demo.state["sections"], what="the section")
    demo.send("POST", "transport/stop")
    until(lambda: takes() and takes()[0]["bars"] is not None, what="the take is whole")
    one.part("files", "sets")
    one.part("files", "takes")  # which reads the list anew
    one.page.get_by_role("button", name=re.compile("^More: ")).first.tap()
    one.page.get_by_label(re.compile("^Name of ")).fill("first light")
    one.page.get_by_role("button", name=re.compile("^Name it: ")).tap()
    until(lambda: takes()[0]["name"] == "first light", what="the name")
    with one.page.expect_download() as download:
        one.page.get_by_role("link", name="MIDI file").tap()
    download.value.save_as(tmp_path / "take.mid")
    assert (tmp_path / "take.mid").read_bytes()[:4] == b"MThd"
    one.page.get_by_label("Bar of first light to go on from").fill("2")
    one.page.get_by_role("button", name="Load it there: first light").tap()
    until(lambda: demo.state["transport"]["tick"] == 3840, what="bar 2")
    remove = one.page.get_by_role("button", name="Remove: first light")
    remove.tap()
    remove.tap()
    until(lambda: "first light" not in [take["name"] for take in takes()], what="it is gone")

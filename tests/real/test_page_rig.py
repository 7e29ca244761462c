"""The rig view in a real browser: outputs, volts, tuning, soundcheck, clock, controllers."""

from __future__ import annotations

import json
import re
import urllib.request
from typing import Any
from urllib.error import HTTPError

import pytest
from support.program import MakeScreen, Running, Until
from support.screen import Screen

pytestmark = pytest.mark.real


def test_the_scope_shows_volts_that_were_sent(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url, "rig")
    gate = one.page.locator(".jack", has_text="main.gate-1").locator(".volts")
    # The kick's level 0.95 is velocity 121 of 127; at full velocity the jack has 8 V.
    until(lambda: gate.inner_text() == "7.62 V", 15, "the kick's gate as high as its level")
    demo.send("POST", "transport/stop")
    until(lambda: gate.inner_text() == "0.00 V", what="a gate at rest when stopped")
    demo.send("POST", "outputs/main.level-1/try", {"action": "level", "value": 2.5, "ms": 9000})
    level = one.page.locator(".jack", has_text="main.level-1").locator(".volts")
    # A 14-bit controller over 5 V has steps of 0.31 mV (MIDI 1.0: 16384 values).
    until(lambda: level.inner_text() == "2.50 V")


def test_the_plan_says_what_drives_what_and_where_a_loose_lane_fits(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url, "rig")
    pitch = one.page.locator(".jack", has_text="main.pitch-1")
    until(lambda: "from bassline" in pitch.inner_text())
    # 14 bits over 8 V: 8 / 16383 V = 0.488 mV; 1 V/oct is 1200 cents a volt: 0.586 cents.
    assert "0.49 mV, 0.59 cents" in pitch.inner_text()
    edit = {"path": ["lanes", "clap", "out"], "value": None}
    demo.send("POST", "set/edits", {"edits": [edit], "when": "step"})
    until(lambda: "1 free: main.gate-6" in one.page.inner_text("#view-rig [role=status]"))
    one.page.get_by_role("button", name="clap to main.gate-6").tap()
    until(lambda: demo.get("set/plain")["data"]["lanes"]["clap"].get("out") == "main.gate-6")
    until(lambda: "none free" in one.page.inner_text("#view-rig [role=status]"))


def test_print_is_one_touch_away(screen: MakeScreen, demo: Running) -> None:
    one = screen().open(demo.url, "rig")
    one.part("rig", "print")
    links = one.page.locator("#view-rig article a")
    found = [links.nth(i).get_attribute("href") or "" for i in range(links.count())]
    assert {"api/sheet", "manual"} <= set(found)
    for href in found:
        with urllib.request.urlopen(demo.url + href, timeout=60) as answer:
            assert answer.status == 200


def test_devices_are_named_given_a_role_and_shut_out(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """A demo that only this machine can reach lets nobody in, so its list is made up here; the page
    asks for changes by the routes that the service describes."""
    device: dict[str, Any] = {"id": "a1", "name": "tablet", "role": "play", "host": "192.0.2.9"}
    device |= {"paired": 1.0, "used": 2.0, "here": False}
    asked: list[tuple[str, Any]] = []

    def answer(route: Any) -> None:
        method = route.request.method
        if method != "GET":
            asked.append((method, route.request.post_data_json if method == "PUT" else None))
        if method == "PUT":
            device.update(route.request.post_data_json)
        left = [] if ("DELETE", None) in asked else [device]
        route.fulfill(json=device if method == "PUT" else {"devices": left, "done": True})

    one = screen()
    one.page.route("**/api/devices**", answer)
    one.open(demo.url, "rig")
    one.part("rig", "devices")
    one.page.get_by_label("What tablet may do").select_option("watch")
    until(
        lambda: one.page.evaluate("1") and asked == [("PUT", {"name": "tablet", "role": "watch"})]
    )
    one.page.get_by_label("Name of tablet").fill("front of house")
    one.page.keyboard.press("Enter")
    until(lambda: one.page.evaluate("1") and asked[-1][1]["name"] == "front of house")
    assert asked[-1][1]["role"] == "watch"
    one.page.get_by_role("button", name="Shut out tablet").tap()
    until(lambda: "No device" in one.page.inner_text("[aria-label=Devices]"))
    assert asked[-1] == ("DELETE", None)
    one.page.get_by_role("button", name="Make a code").tap()
    until(lambda: "start it with --lan" in one.page.inner_text("[aria-label=Devices]"))
    with urllib.request.urlopen(f"{demo.url}openapi.json", timeout=60) as described:
        assert {"put", "delete"} <= set(json.load(described)["paths"]["/api/devices/{device}"])
    one.forgive(409)


def test_the_page_lists_every_osc_address(screen: MakeScreen, demo: Running, until: Until) -> None:
    one = screen().open(demo.url, "rig")
    one.part("rig", "osc")
    book = demo.get("osc")
    shown = one.page.locator("[aria-label=OSC]")
    until(lambda: str(book["port"]) in shown.inner_text())
    rows = shown.locator("ul.plain strong").all_inner_texts()
    assert "/lane/{lane}/mute muted [when] [return_bars]" in rows
    assert "/transport/start [1] [restart]" in rows
    kinds = ("commands", "connection", "feedback", "answers")
    assert len(rows) == sum(len(book[kind]) for kind in kinds)
    shown.locator("summary").tap()
    assert shown.get_by_label("Addresses of this set").locator("li").count() == len(
        book["addresses"]
    )


def test_soundcheck_goes_output_by_output(screen: MakeScreen, demo: Running, until: Until) -> None:
    one = screen().open(demo.url, "rig")
    one.part("rig", "soundcheck")
    until(lambda: "Mind your hearing" in one.page.inner_text(".caution"))
    begin = one.page.get_by_role("button", name="Stop and begin")
    assert begin.get_attribute("aria-disabled") == "true", "the caution comes first"
    one.page.get_by_role("switch", name="Monitors and headphones are down").tap()
    begin.tap()
    outputs = demo.get("rig")["outputs"]
    for i, row in enumerate(outputs):
        one.page.wait_for_selector(f"[aria-label='Soundcheck of {row['output']}']")
        assert row["cable"] in one.page.inner_text(".ask .cable")
        if i == 0:
            play = one.page.get_by_role("button", name="Play it")
            inside, around = one.box(play), one.box(".ask")
            assert around["y"] < inside["y"] < around["y"] + around["height"], "beside the others"
            play.tap()
            until(lambda: "quietly" in one.page.inner_text(".ask [role=status]"))
            one.page.get_by_role("button", name="Louder").tap()
            until(lambda: "louder" in one.page.inner_text(".ask [role=status]"))
        answer = {1: "No", 2: "Skip"}.get(i, "Yes, it arrives")
        one.page.get_by_role("button", name=answer, exact=True).tap()
    until(lambda: "1 did not arrive: main.gate-2" in one.page.inner_text(".verdict"))
    until(lambda: re.search(r"NO +main\.gate-2", one.page.inner_text(".report")))
    assert demo.state["transport"]["state"] == "stopped"
    answers = [row["answer"] for row in demo.get("soundcheck")["check"]["outputs"]]
    assert answers == ["yes", "no", "skip", *["yes"] * (len(outputs) - 3)]
    one.page.get_by_role("button", name="End the soundcheck").tap()
    until(lambda: demo.get("soundcheck")["check"] is None)


def test_an_audio_input_answers_the_soundcheck_in_words(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """This machine has no audio input, so what is there and what it hears is made up; the choice,
    the request and the words are the page's."""
    demo.send("POST", "transport/stop")
    demo.send("POST", "soundcheck", {"monitors_down": True})
    asked: list[tuple[str, Any]] = []
    rows = [
        {
            "output": "main.gate-1",
            "good": True,
            "says": "main.gate-1, kick voice: heard after 3 ms",
        },
        {"output": "main.gate-2", "good": False, "says": "main.gate-2, rim voice: nothing heard"},
    ]
    heard: dict[str, Any] = {"input": "stage box", "running": False, "heard": rows}
    heard |= {"summary": ["To look at:"], "complete": True, "kept": False}

    def inputs(route: Any) -> None:
        one = {"name": "stage box", "system": "made up", "channels": 4}
        one |= {"rate": 48000.0, "default": True}
        route.fulfill(json={"inputs": [one], "says": ""})

    def listens(route: Any) -> None:
        asked.append((route.request.url.rpartition("/")[2], route.request.post_data_json))
        check = demo.get("soundcheck")["check"]
        kept = {"kept": asked[-1][0] == "keep"}
        route.fulfill(json=check | {"listening": heard | kept})

    one = screen()
    one.page.route("**/api/audio-inputs", inputs)
    one.page.route("**/api/soundcheck/listen", listens)
    one.page.route("**/api/soundcheck/keep", listens)
    one.open(demo.url, "rig")
    one.part("rig", "soundcheck")
    one.page.get_by_text("Let an audio input listen").tap()
    one.page.get_by_label("Channel", exact=True).select_option("3")
    one.page.get_by_role("button", name="Monitors are down: listen").tap()
    until(lambda: "rim voice: nothing heard" in one.page.inner_text(".heard .amiss"))
    assert asked == [("listen", {"input": "stage box", "channel": 3})]
    one.page.get_by_role("button", name="Right: keep these sounds").tap()
    until(lambda: "are kept" in one.page.inner_text(".listening [role=status]"))
    assert asked[-1][0] == "keep"
    demo.send("DELETE", "soundcheck")


def test_voices_are_lined_up_and_written_only_when_told(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """What is heard is made up, as above."""
    demo.send("POST", "transport/stop")
    asked: list[tuple[str, Any]] = []
    late = [
        {"output": "main.gate-1", "good": True, "says": "main.gate-1, kick voice: 2.10 ms late"},
        {"output": "main.gate-2", "good": False, "says": "main.gate-2, rim voice: nothing heard"},
    ]
    found: dict[str, Any] = {"input": "stage box", "running": False, "hears": "voices"}
    found |= {
        "heard": late,
        "says": [],
        "proposed": ["main: latency_ms 0 -> 7.5", "hits fall 9.30 ms apart"],
    }
    found |= {"before_ms": 9.3, "after_ms": 0.04, "offset": False}
    found |= {"complete": True, "changes": True}

    def inputs(route: Any) -> None:
        one = {"name": "stage box", "system": "made up", "channels": 4}
        one |= {"rate": 48000.0, "default": True}
        route.fulfill(json={"inputs": [one], "says": ""})

    def aligns(route: Any) -> None:
        asked.append((route.request.url.rpartition("/")[2], route.request.post_data_json))
        route.fulfill(json=found | {"applied": asked[-1][0] == "apply"})

    one = screen()
    one.page.route("**/api/audio-inputs", inputs)
    one.page.route("**/api/align/*", aligns)
    one.open(demo.url, "rig")
    one.part("rig", "align")
    until(lambda: "Mind your hearing" in one.page.inner_text("[aria-label=Align] .caution"))
    write = one.page.get_by_role("button", name="Write this into the rig")
    assert not write.is_visible()
    channel = one.page.get_by_label("Channel", exact=True).first
    until(lambda: channel.locator("option").count() == 4)
    channel.select_option("2")
    one.page.get_by_role("button", name="Monitors are down: listen").tap()
    until(lambda: "rim voice: nothing heard" in one.page.inner_text(".heard .amiss"))
    body = {"input": "stage box", "channel": 2, "monitors_down": True}
    assert asked == [("voices", body)]
    shown = one.page.inner_text(".proposed")
    assert "main: latency_ms 0 → 7.5" in shown
    assert "hits fall 9.30 ms apart" in shown
    write.tap()
    until(
        lambda: (
            "holds from the next start" in one.page.inner_text("[aria-label=Align] [role=status]")
        )
    )
    assert asked[-1] == ("apply", None)
    until(lambda: not write.is_visible())


def test_a_soundcheck_goes_on_where_another_screen_stopped(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    demo.send("POST", "transport/stop")
    demo.send("POST", "soundcheck", {"monitors_down": True})
    demo.send("PUT", "soundcheck/answers", {"output": "main.gate-1", "answer": "yes"})
    one = screen(390, 844).open(demo.url, "rig")
    one.part("rig", "soundcheck")
    one.page.wait_for_selector("[aria-label='Soundcheck of main.gate-2']")
    first = one.page.locator(".checks button", has_text="main.gate-1")
    assert "arrives" in first.inner_text()
    demo.send("PUT", "soundcheck/answers", {"output": "main.gate-3", "answer": "no"})
    third = one.page.locator(".checks button", has_text="main.gate-3")
    until(lambda: "does not arrive" in third.inner_text())


def _an_input_that_has_gone_is_said(one: Screen, until: Until) -> None:
    """The input is listed, has two channels, and is gone when it is listened to."""
    found = [{"name": "bay in", "system": "", "channels": 2, "rate": 48000.0, "default": True}]
    one.page.route("**/api/audio-inputs", lambda r: r.fulfill(json={"inputs": found, "says": ""}))
    one.page.get_by_text("Listen instead of typing").tap()
    until(lambda: one.field("Channel").locator("option").count() == 2)
    one.field("Channel").select_option("2")
    one.page.get_by_role("button", name="Monitors are down: listen and measure").tap()
    problem = one.page.locator("article[aria-label=Tuning] > .problem")
    until(lambda: "audio input" in problem.inner_text())
    one.forgive(409)


def test_tuning_from_readings_to_kept_and_undone(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """A made-up oscillator, 0.5 % sharp per octave and 6 mV up: its readings are what volts law
    says, so that the fit must find it again (1 V/oct, 83.33 mV a semitone)."""
    one = screen().open(demo.url, "rig")
    one.part("rig", "tuning")
    one.field("Notes to measure").select_option("12")
    one.page.get_by_role("button", name="Stop and tune main.pitch-1").tap()
    one.page.wait_for_selector(".ladder li")
    _an_input_that_has_gone_is_said(one, until)
    notes = demo.get("tuning")["session"]["notes"]
    rung = one.page.get_by_role("button", name=f"Sound {notes[2]['name']}", exact=True)
    rung.tap()
    until(lambda: demo.get("tuning")["session"]["sounding"] == notes[2]["note"])
    until(lambda: rung.get_attribute("aria-pressed") == "true")
    low = notes[0]["note"]
    for note in notes[1:]:
        label = f"What you read at {note['name']}"
        if note is notes[1]:
            one.field(label).fill("two volts")
            one.field(label).press("Enter")
            until(lambda label=label: "not a reading" in one.wrong(label))
            assert one.field(label).input_value() == "two volts"
        one.field(label).fill(f"{(note['note'] - low) / 12 * 1.005 + 0.006:.4f} V")
        one.field(label).press("Enter")
        until(lambda label=label: one.wrong(label) == "")
    result = until(
        lambda: (
            (demo.get("tuning")["session"]["result"] or {}).get("rows")
            and demo.get("tuning")["session"]["result"]
        )
    )
    assert result["offset_mv"] == pytest.approx(6, abs=0.2)
    assert result["gain"] == pytest.approx(1.005, abs=1e-4)
    strip = one.page.locator(".residuals")
    until(lambda: strip.locator("circle.after").count() == len(notes) - 1)
    assert strip.locator("circle.before").count() == len(notes) - 1
    assert "Cents off before and after" in (strip.get_attribute("aria-label") or "")
    assert result["worst_after"] < 2.4 < result["worst_before"]
    one.page.get_by_role("button", name="Keep it").tap()
    undo = one.page.get_by_role("button", name="Undo the last tuning of main.pitch-1")
    undo.wait_for()
    assert demo.get("tuning")["outputs"][0]["points"] == len(notes) - 1
    undo.tap()
    until(lambda: demo.get("tuning")["outputs"][0]["made"] == "")
    one.forgive(422)


def test_clock_sources_and_an_offset_that_cannot_be(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url, "rig")
    one.part("rig", "clock")
    until(lambda: "in use" in one.page.inner_text("#view-rig article"))
    offset = one.field("Offset in ms")
    offset.fill("250")
    offset.press("Tab")
    until(lambda: "-100 to 100" in one.wrong("Offset in ms"))
    assert offset.input_value() == "250"
    offset.fill("-4.5")
    offset.press("Tab")
    until(lambda: demo.state["clock"]["offset_ms"] == -4.5)
    demo.send("PUT", "clock/offset", {"ms": 0})
    # Another clock is heard: it is counted and can be followed.
    one.page.evaluate(
        """() => { const s = lanebridge.app.store;
        s.patch({clock: {others: {'desk clock': 96}}}); }"""
    )
    row = one.page.locator("#view-rig tr", has_text="desk clock")
    assert "96 clocks heard and not followed" in row.inner_text()
    assert row.get_by_role("button", name="Follow desk clock").is_visible()


def test_a_controller_learns_and_its_pickup_is_shown(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url, "rig")
    one.part("rig", "controllers")
    one.field("Name").fill("desk")
    one.field("Part of its MIDI port's name").fill("simulated")
    one.page.get_by_role("button", name="Add the controller").tap()
    until(lambda: demo.state["controllers"].get("desk", {}).get("open"))

    def turn(number: int, value: int) -> None:
        for at in (value - 12, value - 6, value):  # a knob is turned, not only touched
            data = bytes((0xB0, number, at)).hex()
            demo.send("POST", "controllers/desk/play", {"data": data})

    def learn(target: str) -> None:
        one.field("What a control shall do").select_option(target)
        one.page.get_by_role("button", name="Learn", exact=True).tap()
        until(lambda: demo.state["learning"])

    learn("macro brightness")
    turn(20, 64)
    row = one.page.locator(".controls li", has_text="macro brightness")
    row.wait_for()
    assert "controller 20, channel 1" in row.inner_text()
    learn("macro undertow")
    turn(20, 70)
    until(lambda: one.page.get_by_role("button", name="Replace what it did").is_visible())
    assert demo.get("controllers")["controls"][0]["name"] == "brightness", "not without a word"
    learn("macro undertow")
    one.page.get_by_role("button", name="Never mind").tap()
    until(lambda: not demo.state["learning"])
    until(lambda: try_value(demo, "brightness", 0.9))
    turn(20, 20)
    until(lambda: re.search(r"turn up to \d+", row.inner_text()), what="where it takes hold")
    one.page.get_by_role("switch", name=re.compile("Waits until.*controller 20")).tap()
    until(lambda: demo.get("controllers")["controls"][0]["pickup"] is False)
    row.get_by_role("button", name="Forget desk controller 20, channel 1").tap()
    until(lambda: demo.get("controllers")["controls"] == [])
    # An encoder: its coding is said, and stays when something else about it is changed.
    one.field("A knob sends").select_option("offset")
    assert one.field("Steps from end to end").input_value() == "127"
    one.field("Steps from end to end").fill("200")
    learn("macro brightness")
    for _ in range(3):
        demo.send("POST", "controllers/desk/play", {"data": bytes((0xB0, 22, 65)).hex()})
    row.wait_for()
    until(lambda: "encoder, 200 steps from end to end" in row.inner_text())
    steps = row.get_by_role("textbox", name=re.compile("Steps from end to end"))
    steps.fill("0")
    steps.press("Enter")
    said = row.locator(".wrong")
    until(lambda: any(said.all_inner_texts()), what="the refusal beside the field")
    steps.fill("400")
    steps.press("Enter")
    until(lambda: demo.get("controllers")["controls"][0]["steps"] == 400)
    until(lambda: "encoder, 400 steps from end to end" in row.inner_text())
    assert row.get_by_role("switch", name=re.compile("Waits until|Fine")).count() == 0
    row.get_by_role("switch", name=re.compile("Lamp or motor")).tap()
    until(lambda: demo.get("controllers")["controls"][0]["feedback"])
    assert demo.get("controllers")["controls"][0]["encoder"] == "offset"
    row.get_by_role("button", name="Forget desk controller 22, channel 1").tap()
    until(lambda: demo.get("controllers")["controls"] == [])
    one.page.get_by_role("button", name="Take desk out of the rig").tap()
    until(lambda: demo.get("controllers")["controllers"] == [])
    one.forgive(409, 422)


def try_value(demo: Running, macro: str, value: float) -> bool:
    """Moves a macro, unless another hand is still on it."""
    try:
        demo.send("PUT", f"macros/{macro}", {"value": value})
    except HTTPError as refused:
        refused.close()
        return False
    return True

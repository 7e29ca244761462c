"""The last bars that were performed become a section, or a set; what no section holds is said."""

from __future__ import annotations

from typing import Any

import pytest

from bridge.files.set import parse_set
from bridge.music.model import SetSpec
from bridge.session.kept import kept_section, longest, runs
from bridge.session.recent import Stand

BAR = 3840  # 4/4: four quarters of 960 ticks
TEXT = """\
set: Low tide
tempo: 126
lanes:
  kick: {steps: "x... x... x... x..."}
  rim: {steps: "..x. ..x. ..x. ..x.", chance: 0.5}
macros:
  brightness: {start: 0.3}
sections:
  flood: {play: all, lanes: {rim: {chance: 0.8}}, swing: 58}
"""


def spec_of(text: str = TEXT) -> SetSpec:
    return parse_set(text).spec


def stand(**more: Any) -> Stand:
    fields: dict[str, Any] = {
        "heard": {"kick": True, "rim": True},
        "macros": {"brightness": 0.3},
        "hand": {},
        "section": None,
        "tempo": 126.0,
        "solo": (),
        "fills": False,
        "morphs": False,
    }
    return Stand(**(fields | more))


def kept(*rows: tuple[float, Stand], follows: bool = False, bars: int = 4) -> Any:
    written = {"flood": {"play": "all", "lanes": {"rim": {"chance": 0.8}}, "swing": 58}}
    return kept_section(rows, spec_of(), written, follows, bars)


def test_what_stood_longest_is_kept_and_the_rest_is_said() -> None:
    out = stand(heard={"kick": True, "rim": False}, macros={"brightness": 0.9})
    made = kept((3 * BAR, out), (BAR, stand()))
    assert made.section == {"play": ["kick"], "macros": {"brightness": 0.9}}
    assert "rim was heard for 1 of 4 bars; it is muted" in made.left
    assert "brightness moved between 0.3 and 0.9; it is put to 0.9" in made.left
    assert "what chance drew (rim): it is drawn anew" in made.left


def test_a_section_that_played_is_in_it_with_what_hands_changed() -> None:
    made = kept((4 * BAR, stand(section="flood", hand={("rim", "hits"): 5.0})))
    assert made.section["lanes"] == {"rim": {"chance": 0.8, "hits": 5}}
    assert (made.section["swing"], made.section["play"]) == (58, "all")
    assert "what section flood writes: lanes, swing" in made.kept
    assert "settings moved by hand: rim hits 5" in made.kept


def test_a_tempo_by_hand_is_kept_and_that_of_another_clock_is_not() -> None:
    rows = (4 * BAR, stand(tempo=131.0))
    assert kept(rows).section["tempo"] == 131.0
    assert "tempo" not in kept(rows, follows=True).section
    assert "tempo" not in kept((BAR, stand())).section


def test_what_moved_on_the_way_is_named() -> None:
    made = kept(
        (BAR, stand(solo=("kick",), fills=True, morphs=True)),
        (BAR, stand(section="flood", tempo=140.0, hand={("rim", "chance"): 0.1})),
        (3 * BAR, stand()),
    )
    said = "\n".join(made.left)
    for part in ("solo (kick)", "fills", "morph", "change of section", "tempo moved", "rim chance"):
        assert part in said
    assert "lanes" not in made.section


def test_a_moment_is_no_move() -> None:
    brief = stand(heard={"kick": False, "rim": True})
    assert not any("kick" in line for line in kept((39 * BAR, stand()), (0.3 * BAR, brief)).left)


def test_equal_bars_become_one_stretch() -> None:
    one, two = kept((BAR, stand())), kept((BAR, stand(macros={"brightness": 1.0})))
    assert [count for _, count in runs([one, one, two, one])] == [2, 1, 1]


def test_what_stood_longest_is_found_however_often_it_came() -> None:
    rows = [(1.0, stand(tempo=100.0)), (1.5, stand(tempo=120.0)), (1.0, stand(tempo=100.0))]
    best, shares = longest(rows, lambda stand: stand.tempo)
    assert best == 100.0
    assert shares[120.0] == pytest.approx(1.5 / 3.5)


# --- through the service ------------------------------------------------------------------------


async def play(stage: Any, tick: int, running: bool = True) -> None:
    """The player says that the song has come to a tick; no time passes until it says another."""
    stage.service.keeper.recent._clock = float
    stage.player.tick, stage.player.running = tick, "running" if running else "stopped"
    said = stage.player.state()
    stage.player.tell({"type": "state", **said})
    await stage.until(
        lambda: (
            stage.state["transport"]["tick"] == tick
            and stage.state["transport"]["state"] == said["transport"]["state"]
        ),
        f"the service hears of tick {tick}",
    )


async def performed(stage: Any) -> None:
    """Four bars: the rim out for the last three, brightness up for the last one."""
    await play(stage, 0)
    await play(stage, BAR)
    await stage.call("PUT", "/api/lanes/rim/mute", {"muted": True, "when": "now"})
    await play(stage, 3 * BAR)
    await stage.call("PUT", "/api/macros/brightness", {"value": 0.9})
    await play(stage, 4 * BAR + 100, running=False)


async def test_bars_become_a_section_that_can_be_recalled_and_undone(stage: Any) -> None:
    await performed(stage)
    before = (await stage.call("GET", "/api/set"))[1]["text"]
    status, answer, _ = await stage.call("POST", "/api/keep", {"bars": 4, "name": "harbour"})
    assert (status, answer["bars"], answer["file"]) == (200, 4, None), answer
    assert any(line.startswith("rim was heard for") for line in answer["left"])
    sections = (await stage.call("GET", "/api/set/plain"))[1]["data"]["sections"]
    assert sections["harbour"]["play"] == ["kick", "shaker", "spray", "bass", "bassline"]
    assert sections["harbour"]["macros"] == {"shaker-level": 0.8, "brightness": 0.3}
    await stage.until(lambda: "harbour" in stage.state["sections"], "the player has the section")
    assert (await stage.call("POST", "/api/sections/harbour", {"when": "now"}))[0] == 200
    await stage.call("POST", "/api/undo")
    await stage.call("POST", "/api/undo")
    assert (await stage.call("GET", "/api/set"))[1]["text"] == before


async def test_bars_become_a_set_beside_it_whose_order_goes_through_them(stage: Any) -> None:
    await performed(stage)
    before = (await stage.call("GET", "/api/set"))[1]["text"]
    body = {"bars": 4, "name": "Harbour wall", "into": "set"}
    status, answer, _ = await stage.call("POST", "/api/keep", body)
    assert (status, answer["file"]) == (200, "harbour-wall.yaml"), answer
    assert (await stage.call("GET", "/api/set"))[1]["text"] == before
    made = parse_set((stage.folder / answer["file"]).read_text(), rig=stage.service.session.rig)
    spec = made.spec
    assert (spec.name, spec.order_starts) == ("Harbour wall", True)
    assert [(entry.section, entry.bars) for entry in spec.order] == [
        ("harbour-wall-1", 1),
        ("harbour-wall-2", 2),
        ("harbour-wall-3", 1),
    ]
    by_name = {section.name: section for section in spec.sections}
    assert "rim" not in (by_name["harbour-wall-2"].play or ())
    assert by_name["harbour-wall-3"].macros["brightness"] == 0.9


async def test_a_name_is_found_and_one_that_is_there_is_refused(stage: Any) -> None:
    status, problem, _ = await stage.call("POST", "/api/keep", {"bars": 2})
    assert (status, problem["kind"]) == (409, "state")
    await performed(stage)
    _, answer, _ = await stage.call("POST", "/api/keep", {"bars": 64})
    assert (answer["name"], answer["bars"]) == ("kept", 4)
    assert answer["left"][0] == "only 4 whole bars were played since the start"
    assert (await stage.call("POST", "/api/keep", {"bars": 1}))[1]["name"] == "kept-2"
    status, problem, _ = await stage.call("POST", "/api/keep", {"bars": 1, "name": "flood"})
    assert (status, problem["kind"]) == (409, "taken")


async def test_a_jump_begins_anew(stage: Any) -> None:
    await performed(stage)
    await play(stage, 0)
    await play(stage, BAR + 10)
    _, answer, _ = await stage.call("POST", "/api/keep", {"bars": 8})
    assert answer["bars"] == 1

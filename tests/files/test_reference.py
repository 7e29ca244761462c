"""The reference is complete, up to date, and each of its examples is read and played."""

from __future__ import annotations

import re
from pathlib import Path

import click
import pytest

from bridge.cli import main
from bridge.commands.talk import COMMON
from bridge.files import examples, reference, set_lane
from bridge.files.blocks import Keys
from bridge.files.older import OLDER_KEYS, SPELLINGS
from bridge.files.profile import OutputModel, ProfileModel, parse_profile
from bridge.files.rig import (
    BindingModel,
    ClockModel,
    ControllerModel,
    InterfaceModel,
    Rig,
    RigModel,
    TimingModel,
    parse_rig,
)
from bridge.files.set import parse_set
from bridge.files.set_lane import SOURCES, LaneModel
from bridge.files.set_models import EntryModel, KeyModel, MacroModel, SectionModel, SetModel
from bridge.files.strict import Strict, written_keys
from bridge.music.logic_parse import FUNCTIONS
from bridge.music.model import SETTINGS
from bridge.music.render import events_between
from bridge.music.score import compile_score

ROOT = Path(__file__).parents[2]
LANES = (
    "  kick: {euclid: {hits: 4, steps: 16}}\n  rim: {euclid: {hits: 5, steps: 16}}\n"
    "  bell: {every: 3}\n  line: {notes: [A1, C2]}\n  swell: {levels: [0, 1, 0.5]}\n"
)
REST = "macros: {flotsam: {}, brightness: {}}\nsections: {shallow: {play: all}}\n"


@pytest.fixture(scope="module")
def rig() -> Rig:
    return parse_rig("rig: R\ninterfaces: {main: {profile: eight-gates-four-cv}}\n")


def of_group(*groups: str) -> list[str]:
    return [text for key, text in examples.EXAMPLES.items() if key.partition(".")[0] in groups]


def output_for(text: str) -> str:
    """An output that suits a lane: values are heard only where they go somewhere."""
    if any(
        word in text
        for word in ("notes:", "sample:", "arpeggio:", "quantise:", "chord:", "transpose:")
    ):
        return "main.pitch-1"
    values = any(word in text for word in ("levels:", "shape:", "decay:", "walk:"))
    return "main.level-1" if values else "main.gate-1"


LANE_EXAMPLES = sorted(
    {
        *of_group("lane", "euclid", "fill", "sample", "passes"),
        *(examples.of_setting(setting) for setting in SETTINGS.values()),
        *(f'{{logic: "{text}"}}' for text in examples.LOGIC.values()),
    }
)


@pytest.mark.parametrize("text", LANE_EXAMPLES)
def test_each_example_of_a_lane_is_read_and_plays(text: str, rig: Rig) -> None:
    if "out:" not in text:
        text = f"{text[:-1]}, out: {output_for(text)}}}"
    spec = parse_set(f"set: S\nlanes:\n{LANES}  a: {text}\n{REST}", rig=rig).spec
    score = compile_score(spec, rig.ranges)
    events = events_between(score, 0, 4 * spec.bar_ticks)
    a = len(spec.lanes) - 1
    if "muted: true" in text:
        assert not [e for e in events if e.lane == a]
    elif "passes" not in text or "of: 8" not in text:  # that one begins later
        assert [e for e in events if e.lane == a], "it never plays"


@pytest.mark.parametrize("text", of_group("set"))
def test_each_example_of_the_set(text: str, rig: Rig) -> None:
    key = text.partition(":")[0]
    parts = {
        "set": "set: S",
        "lanes": f"lanes:\n{LANES.rstrip()}",
        "sections": "sections: {shallow: {play: all}}",
    }
    parts[key] = text
    if key == "lanes":
        del parts["sections"]
    parse_set("\n".join(parts.values()) + "\n", rig=rig)


@pytest.mark.parametrize(
    ("group", "frame"),
    [
        ("key", "key: %s\n"),
        ("drive", "macros: {m: {drives: [%s]}}\n"),
        ("macro", "macros: {m: %s}\n"),
        ("section", "macros: {brightness: {}}\nsections: {one: %s}\n"),
        ("entry", "sections: {shallow: {}, flood: {}}\norder: [%s]\n"),
    ],
)
def test_each_example_of_the_parts_of_a_set(group: str, frame: str, rig: Rig) -> None:
    found = of_group(group)
    assert found
    for text in found:
        parse_set(f"set: S\nlanes:\n{LANES}" + frame % text, rig=rig)


@pytest.mark.parametrize(
    ("group", "frame"),
    [
        ("interface", "rig: R\ninterfaces: {main: %s}\n"),
        ("clock", "rig: R\ninterfaces: {main: {profile: four-voices}}\nclock: %s\n"),
        ("timing", "rig: R\ninterfaces: {main: {profile: four-voices}}\ntiming: %s\n"),
        (
            "controller",
            "rig: R\ninterfaces: {main: {profile: four-voices}}\ncontrollers: {c: %s}\n",
        ),
        (
            "control",
            "rig: R\ninterfaces: {main: {profile: four-voices}}\n"
            "controllers: {c: {port: K, controls: [%s]}}\n",
        ),
    ],
)
def test_each_example_of_the_parts_of_a_rig(group: str, frame: str) -> None:
    found = of_group(group)
    assert found
    for text in found:
        parse_rig(frame % text)


@pytest.mark.parametrize("text", of_group("rig"))
def test_each_example_of_the_rig(text: str) -> None:
    parts = {"rig": "rig: R", "interfaces": "interfaces: {main: {profile: four-voices}}"}
    parts[text.partition(":")[0]] = text
    parse_rig("\n".join(parts.values()) + "\n")


@pytest.mark.parametrize("text", of_group("profile"))
def test_each_example_of_a_profile(text: str) -> None:
    parts = {"profile": "profile: p", "outputs": "outputs: {a: {kind: gate, by: note, number: 36}}"}
    parts[text.partition(":")[0]] = text
    parse_profile("\n".join(parts.values()) + "\n")


@pytest.mark.parametrize("text", of_group("output"))
def test_each_example_of_an_output(text: str) -> None:
    more = ""
    if "voice:" in text:
        more = "  b: {kind: gate, by: note, voice: bass}\n"
    elif "excludes:" in text:
        more = "  b: {kind: level, by: cc, number: 21, excludes: [a]}\n"
    profile = parse_profile(f"profile: p\noutputs:\n  a: {text}\n{more}")
    assert profile.outputs[0].name == "a"


@pytest.mark.parametrize(
    ("model", "group"),
    [
        (SetModel, "set"),
        (KeyModel, "key"),
        (MacroModel, "macro"),
        (SectionModel, "section"),
        (EntryModel, "entry"),
        (set_lane.DriveModel, "drive"),
        (set_lane.EuclidModel, "euclid"),
        (set_lane.FillModel, "fill"),
        (set_lane.SOURCE_MODELS["sample"], "sample"),
        (set_lane.PassesModel, "passes"),
        (RigModel, "rig"),
        (InterfaceModel, "interface"),
        (ClockModel, "clock"),
        (TimingModel, "timing"),
        (ControllerModel, "controller"),
        (BindingModel, "control"),
        (ProfileModel, "profile"),
        (OutputModel, "output"),
    ],
)
def test_every_key_of_every_model_is_shown_and_says_what_it_means(
    model: type[Strict], group: str
) -> None:
    tables = [block.rows for block in reference.document() if isinstance(block, Keys)]
    own = tuple(reference.rows(model, group))
    assert own in tables
    assert [row.key for row in own] == [k for k in written_keys(model) if k not in OLDER_KEYS]
    for row in own:
        assert row.says, f"{row.key} says nothing"
        assert row.allowed not in ("", "a value"), f"{row.key}: what may be written?"


def test_the_commands_and_their_options_are_those_there_are() -> None:
    context = click.Context(main)
    told = {usage.split()[0]: usage for usage in examples.COMMANDS}
    assert sorted(told) == main.list_commands(context)
    for name, usage in told.items():
        command = main.get_command(context, name)
        assert command is not None
        options = {
            o
            for p in command.params
            if isinstance(p, click.Option) and p.name not in COMMON and not p.hidden
            for o in p.opts
        }
        assert set(re.findall(r"--[a-z-]+", usage)) == options, name
        required = {p.opts[0] for p in command.params if p.required and p.opts[0][0] == "-"}
        assert all(f"[{option}" not in usage for option in required)
        if isinstance(command, click.Group) and usage.split()[1] == "COMMAND":  # too many to list
            named = set(re.findall(r"`([a-z-]+)`", examples.COMMANDS[usage])) - {name}
            assert named
            assert named <= set(command.list_commands(context))  # some are made when asked for
        elif isinstance(command, click.Group):
            assert set(usage.split()[1].split("|")) == set(command.commands)


def test_every_key_stands_in_the_reference_with_an_example_of_its_own() -> None:
    text = reference.markdown()
    lines = text.splitlines()
    for key in (*(k for k in written_keys(LaneModel) if k not in OLDER_KEYS), *SETTINGS):
        own = [line for line in lines if line.startswith(f"| `{key}` |")]
        assert own, f"{key} is missing"
        assert all(key in line.split("|")[-2] for line in own), f"{key}: no example uses it"
    assert set(examples.LOGIC) == set(FUNCTIONS)
    for name in FUNCTIONS:
        assert f"`{name}(" in text
        assert f"{name}(" in examples.LOGIC[name]
    assert set(SOURCES) <= set(written_keys(LaneModel))
    assert set(OLDER_KEYS) <= set(SPELLINGS)
    for before, now in SPELLINGS.values():
        assert f"| `{before}` | {now} |" in text


def test_no_example_is_for_a_key_that_is_not_there() -> None:
    shown = reference.markdown()
    for key, text in examples.EXAMPLES.items():
        assert f"| `{key.partition('.')[2]}` |" in shown
        assert f"`{text}`" in shown.replace("\\|", "|")


def test_ranges_and_starts_are_those_of_the_models() -> None:
    rows = {row.key: row for row in reference.rows(LaneModel, "lane")}
    assert (rows["muted"].allowed, rows["muted"].start) == ("`true`, `false`", "`false`")
    assert rows["every"].allowed == "whole, 1 to 1024 steps"
    swing = reference.setting_row(SETTINGS["swing"])
    assert (swing.allowed, swing.start) == ("20 to 80 percent", "`50`")


def test_the_written_reference_is_up_to_date() -> None:
    place = Path(reference.__file__).with_suffix(".md")
    assert place.read_text(encoding="utf-8") == reference.markdown(), (
        "write it again: python -m bridge.files.reference > bridge/files/reference.md"
    )


def test_the_rig_and_the_set_of_the_readme_are_good() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```yaml\n(.*?)```", text, re.DOTALL)
    assert len(blocks) == 2
    rig = parse_rig(blocks[0], "README.md")
    document = parse_set(blocks[1], "README.md", rig)
    assert document.warnings == ()


def test_every_command_and_file_that_the_readme_names_is_there() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    context = click.Context(main)
    named = set(re.findall(r"^lanebridge ([a-z]+)|lanebridge ([a-z]+) --", text, re.MULTILINE))
    words = {a or b for a, b in named}
    assert {"play", "demo", "check"} <= words <= set(main.list_commands(context))
    paths = re.findall(r"`([a-z]+/[a-zA-Z./-]+)`", text) + re.findall(r"`([A-Z]+\.md)`", text)
    assert len(paths) >= 6
    for path in paths:
        assert (ROOT / path).exists(), path

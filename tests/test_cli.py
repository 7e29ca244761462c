"""The commands: what they print, what they write, and their exit codes."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path

import click
import mido
import pytest
from click.testing import CliRunner, Result

from bridge import __version__
from bridge.cli import main
from bridge.errors import PlayerError, PortError
from bridge.supervisor import replacing
from bridge.supervisor.loading import Options

DEMO = Path(__file__).parents[1] / "bridge" / "demo"
RIG, SET = str(DEMO / "rig.yaml"), str(DEMO / "set.yaml")


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, arguments)


@pytest.fixture
def bad_set(tmp_path: Path) -> Path:
    path = tmp_path / "set.yaml"
    path.write_text(
        "set: Low tide\nlanes:\n    rim:\n        euclid:\n            hits: 17\n"
        "            steps: 16\n        out: main.gate-9\n"
    )
    return path


# --- check -------------------------------------------------------------------------------------


def test_check_of_the_demo_is_good() -> None:
    result = run("check", RIG, SET)
    assert result.exit_code == 0
    assert f"{RIG}: good. Quay rack: 1 interface, 12 outputs" in result.stdout
    assert f"{SET}: good. Low tide: 14 lanes (3 derived), 4 macros, 7 sections" in result.stdout
    assert "main.gate-1" in result.stdout
    assert "kick voice, trigger input" in result.stdout
    assert result.stderr == ""


def test_check_of_a_rig_alone() -> None:
    result = run("check", RIG)
    assert result.exit_code == 0
    assert "Quay rack" in result.stdout


def test_check_says_every_mistake_in_a_line_of_its_own(bad_set: Path) -> None:
    result = run("check", RIG, str(bad_set))
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr == (
        f"{bad_set}:5:19  lanes.rim.euclid.hits: 17 hits do not fit in 16 steps\n"
        f"{bad_set}:7:14  lanes.rim.out: eight-heights-four-cv has no output gate-9; "
        "did you mean main.gate-8?\n"
    )


def test_check_says_what_is_wrong_with_both_files(bad_set: Path, tmp_path: Path) -> None:
    rig = tmp_path / "rig.yaml"
    rig.write_text("rig: R\ninterfaces: {main: {profile: none-such}}\n")
    result = run("check", str(rig), str(bad_set))
    assert result.exit_code == 1
    lines = result.stderr.splitlines()
    assert [line.split(":")[0] for line in lines] == [str(rig), str(bad_set)]
    assert "no profile is called none-such" in lines[0]
    assert "17 hits do not fit" in lines[1]


def test_check_of_a_missing_file(tmp_path: Path) -> None:
    path = tmp_path / "none.yaml"
    result = run("check", str(path))
    assert result.exit_code == 1
    assert result.stderr == f"{path}  cannot be read: no such file or directory\n"


def test_check_prints_warnings_and_is_good(tmp_path: Path) -> None:
    path = tmp_path / "set.yaml"
    path.write_text("set: S\nlanes: {a: {levels: [-1], out: main.level-1}, b: {every: 1}}\n")
    result = run("check", RIG, str(path))
    assert result.exit_code == 0
    assert (
        f"{path}:2:21  lanes.a.levels: asks for -5 V; main.level-1 stops at 0 V (warning)"
        in result.stdout.splitlines()
    )
    assert "  lanes without an output: b" in result.stdout.splitlines()


# --- usage -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "arguments",
    [
        ["check"],
        ["nonsense"],
        ["play", RIG],
        ["render", RIG, SET],
        ["demo", "--port", "99999"],
        ["render", RIG, SET, "--bars", "0", "--out", "x.csv"],
        ["render", RIG, SET, "--bars", "1", "--out", "x.wma"],
        ["render", RIG, SET, "--bars", "1", "--out", "x.mid", "--all"],
        ["check", RIG, SET, "--loud"],
    ],
)
def test_wrong_usage_is_exit_code_2(
    arguments: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = run(*arguments)
    assert result.exit_code == 2
    assert result.stderr.startswith("Usage: ")
    assert list(tmp_path.iterdir()) == []


def test_the_commands_of_the_design_are_there() -> None:
    group = main
    assert isinstance(group, click.Group)
    names = group.list_commands(click.Context(group))
    assert {"demo", "play", "check", "render", "ports", "import"} <= set(names)
    for name in names:
        assert run(name, "--help").exit_code == 0


def test_version() -> None:
    assert run("--version").stdout == f"lanebridge, version {__version__}\n"


# --- render ------------------------------------------------------------------------------------

SECTIONS = str(DEMO / "ideas" / "sections.yaml")


def voices_by_bar(table: Path) -> list[set[str]]:
    """Which lanes hit in each bar of a table of events."""
    found: dict[int, set[str]] = {}
    for row in csv.DictReader(table.read_text().splitlines()):
        if row["kind"] == "hit":
            found.setdefault(int(row["tick"]) // 3840, set()).add(row["lane"])
    return [found[bar] for bar in sorted(found)]


def test_render_plays_the_running_order_to_its_end(tmp_path: Path) -> None:
    """As its file says: ebb for 8 bars, turn for 2 times 8, flood for 16."""
    out = tmp_path / "x.csv"
    result = run("render", RIG, SECTIONS, "--order", "--out", str(out))
    assert result.exit_code == 0, result.stderr
    assert result.stdout == f"{out}: 40 bars of From ebb to flood, the running order\n"
    bars = voices_by_bar(out)
    assert len(bars) == 40
    assert all(voices == {"kick", "bass"} for voices in bars[:8])
    assert set().union(*bars[8:24]) == {"kick", "bass", "rim"}
    assert set().union(*bars[24:]) == {"kick", "bass", "rim", "shaker"}


def test_render_of_the_order_names_sections_and_their_tempo_in_a_midi_file(tmp_path: Path) -> None:
    out = tmp_path / "x.mid"
    assert run("render", RIG, SECTIONS, "--order", "--bars", "25", "--out", str(out)).exit_code == 0
    head = mido.MidiFile(out).tracks[0]
    tick, said = 0, []
    for message in head:
        tick += message.time
        if message.type in ("marker", "set_tempo"):
            text = getattr(message, "text", None) or round(mido.tempo2bpm(message.tempo), 1)
            said.append((tick // 3840, text))
    assert sorted(said, key=str) == sorted(
        [(0, 124.0), (0, "ebb"), (8, "turn"), (24, "flood"), (24, 126.0)], key=str
    )


LOOPED = """\
set: Low tide
tempo: 120
lanes:
  kick: {every: 1, rate: 1/4, out: main.gate-1}
  rim: {every: 1, rate: 1/4, out: main.gate-2}
sections:
  ebb: {play: [kick], tempo: 90}
  flood: {play: [rim]}
order: [{section: ebb, bars: 2}, {section: flood, bars: open}]
after_order: again
"""


def test_render_of_an_order_that_begins_anew_and_waits(tmp_path: Path) -> None:
    """Offline nobody goes on: an open entry lasts for the 8 bars that the manual says."""
    looped, out, file = tmp_path / "set.yaml", tmp_path / "x.csv", tmp_path / "x.mid"
    looped.write_text(LOOPED)
    result = run("render", RIG, str(looped), "--order", "--out", str(out))
    assert result.stdout == f"{out}: 10 bars of Low tide, the running order\n"
    once = [{"kick"}] * 2 + [{"rim"}] * 8
    assert voices_by_bar(out) == once
    for path in (out, file):
        asked = run("render", RIG, str(looped), "--order", "--bars", "23", "--out", str(path))
        assert asked.exit_code == 0, asked.stderr
    assert voices_by_bar(out) == once * 2 + [{"kick"}] * 2 + [{"rim"}]
    tick, marks = 0, []
    for message in mido.MidiFile(file).tracks[0]:
        tick += message.time
        if message.type == "marker":
            marks.append((tick // 3840, message.text))
    assert marks == [
        (0, "ebb"),
        (2, "flood"),
        (10, "ebb"),
        (12, "flood"),
        (20, "ebb"),
        (22, "flood"),
    ]


@pytest.mark.parametrize("of", [("--order", "--bars", "10"), ("--section", "turn", "--bars", "4")])
def test_render_puts_the_same_hits_into_both_kinds_of_file(
    tmp_path: Path, of: tuple[str, ...]
) -> None:
    table, file = tmp_path / "x.csv", tmp_path / "x.mid"
    for out in (table, file):
        assert run("render", RIG, SECTIONS, *of, "--out", str(out)).exit_code == 0
    rows = csv.DictReader(table.read_text().splitlines())
    hits = [(int(r["tick"]), 35 + int(r["output"][-1])) for r in rows if r["kind"] == "hit"]
    tick, notes = 0, []
    for message in mido.MidiFile(file).tracks[1]:
        tick += message.time
        if message.type == "note_on":
            notes.append((tick, message.note))
    assert len(notes) > 20
    assert sorted(notes) == sorted(hits)


def test_render_of_a_section_plays_that_section_from_the_first_bar(tmp_path: Path) -> None:
    out = tmp_path / "x.csv"
    result = run("render", RIG, SECTIONS, "--section", "ebb", "--bars", "2", "--out", str(out))
    assert result.stdout == f"{out}: 2 bars of From ebb to flood, section ebb\n"
    assert voices_by_bar(out) == [{"kick", "bass"}, {"kick", "bass"}]


@pytest.mark.parametrize(
    ("of", "says"),
    [
        (["--section", "flod", "--bars", "1"], "there is no section flod; did you mean flood?"),
        (["--section", "ebb"], "--bars is needed; only --order has a length of its own"),
        (["--section", "ebb", "--order"], "write either --section or --order"),
    ],
)
def test_render_says_what_is_wrong_with_what_is_asked_for(
    tmp_path: Path, of: list[str], says: str
) -> None:
    result = run("render", RIG, SECTIONS, *of, "--out", str(tmp_path / "x.csv"))
    assert result.exit_code == 2
    assert says in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_render_of_an_order_that_is_not_there(tmp_path: Path) -> None:
    without = str(DEMO / "ideas" / "steps.yaml")
    result = run("render", RIG, without, "--order", "--out", str(tmp_path / "x.csv"))
    assert (result.exit_code, list(tmp_path.iterdir())) == (2, [])
    assert "the set has no running order" in result.stderr


def test_render_writes_a_table(tmp_path: Path) -> None:
    out = tmp_path / "x.csv"
    result = run("render", RIG, SET, "--bars", "2", "--out", str(out))
    assert (result.exit_code, result.stdout) == (0, f"{out}: 2 bars of Low tide\n")
    rows = list(csv.DictReader(out.read_text().splitlines()))
    assert list(rows[0]) == ["tick", "lane", "kind", "value", "length", "output"]
    ticks = [int(row["tick"]) for row in rows]
    assert ticks == sorted(ticks)
    assert max(ticks) < 2 * 3840
    # E(4,16): a kick on each of eight quarters
    kicks = [int(row["tick"]) for row in rows if row["lane"] == "kick"]
    assert kicks == [960 * n for n in range(8)]


def test_render_is_the_same_every_time(tmp_path: Path) -> None:
    files = [tmp_path / "a.csv", tmp_path / "b.csv"]
    for out in files:
        run("render", RIG, SET, "--bars", "4", "--all", "--out", str(out))
    assert files[0].read_bytes() == files[1].read_bytes()


def test_render_writes_a_midi_file(tmp_path: Path) -> None:
    out = tmp_path / "x.mid"
    assert run("render", RIG, SET, "--bars", "1", "--out", str(out)).exit_code == 0
    song = mido.MidiFile(out)
    assert (song.type, song.ticks_per_beat, song.tracks[0].name) == (1, 960, "Low tide")


def test_render_of_a_bad_set_writes_nothing(bad_set: Path, tmp_path: Path) -> None:
    out = tmp_path / "x.csv"
    result = run("render", RIG, str(bad_set), "--bars", "1", "--out", str(out))
    assert result.exit_code == 1
    assert "17 hits do not fit in 16 steps" in result.stderr
    assert not out.exists()


def test_render_into_a_folder_that_is_not_there(tmp_path: Path) -> None:
    out = tmp_path / "no" / "x.csv"
    result = run("render", RIG, SET, "--bars", "1", "--out", str(out))
    assert result.exit_code == 1
    assert result.stderr == f"{out}  cannot be written: there is no folder {out.parent}\n"


# --- play and demo -----------------------------------------------------------------------------


class Asked:
    """Stands in for the supervisor and remembers what it was asked."""

    def __init__(self, error: Exception | None = None) -> None:
        self.error = error
        self.options = Options(Path(), Path())

    def __call__(self, options: Options) -> None:
        self.options = options
        if self.error is not None:
            raise self.error


def test_play_hands_on_what_it_was_told(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = Asked()
    monkeypatch.setattr(replacing, "play", asked)
    result = run("play", RIG, SET, "--port", "9000", "--osc-port", "9001", "--lan", "--start")
    assert result.exit_code == 0
    assert asked.options == Options(
        rig=Path(RIG),
        set=Path(SET),
        http_port=9000,
        osc_port=9001,
        lan=True,
        start=True,
        fresh=False,
        log_json=False,
        least="info",
    )
    run("play", RIG, SET, "--from-files", "--log", "json")
    assert (asked.options.fresh, asked.options.log_json) == (True, True)
    older = run("play", RIG, SET, "--fresh")
    assert asked.options.fresh is True
    assert older.stderr == "--fresh is an older spelling; write --from-files\n"


def test_play_waits_by_default(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = Asked()
    monkeypatch.setattr(replacing, "play", asked)
    run("play", RIG, SET)
    assert asked.options == Options(
        rig=Path(RIG),
        set=Path(SET),
        http_port=8420,
        osc_port=8421,
        lan=False,
        start=False,
        fresh=False,
        log_json=False,
        least="info",
    )


def test_demo_plays_at_once_from_files_that_come_along(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    asked = Asked()
    monkeypatch.setattr(replacing, "play", asked)
    assert run("demo").exit_code == 0
    assert asked.options.start is True
    assert asked.options.rig.is_file()
    assert asked.options.set.is_file()


@pytest.mark.parametrize(
    "error",
    [PortError("no MIDI port has 'Rack' in its name"), PlayerError("the player does not start")],
)
def test_errors_of_ports_and_player_are_one_line_and_exit_code_3(
    monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    monkeypatch.setattr(replacing, "play", Asked(error))
    result = run("play", RIG, SET)
    assert (result.exit_code, result.stderr) == (3, f"{error}\n")


# --- ports and import --------------------------------------------------------------------------


def test_ports_lists_names_and_why_some_are_not_for_use(monkeypatch: pytest.MonkeyPatch) -> None:
    from bridge import ports
    from bridge.ports.port import PortInfo

    found = [PortInfo("Rack out", "out"), PortInfo("Loop", "in", False, "leads back to us")]
    monkeypatch.setattr(ports, "list_ports", lambda: found)
    assert run("ports").stdout == "out  Rack out\nin   Loop      (leads back to us)\n"
    monkeypatch.setattr(ports, "list_ports", list)
    assert "simulated" in run("ports").stdout


def test_ports_and_check_speak_to_programs(monkeypatch: pytest.MonkeyPatch, bad_set: Path) -> None:
    from bridge import ports
    from bridge.ports.port import PortInfo

    monkeypatch.setattr(ports, "list_ports", lambda: [PortInfo("Loop", "in", False, "ours")])
    told = json.loads(run("ports", "--json").stdout)
    assert told == [{"way": "in", "name": "Loop", "usable": False, "why": "ours"}]
    good = run("check", RIG, SET, "--json")
    facts = json.loads(good.stdout)
    assert (good.exit_code, facts["good"], facts["problems"]) == (0, True, [])
    assert (facts["rig"], facts["set"]) == ("Quay rack", "Low tide")
    first = facts["outputs"][0]
    assert (first["output"], first["drivers"], first["free"]) == ("main.gate-1", ["kick"], False)
    bad = run("check", RIG, str(bad_set), "--json")
    facts = json.loads(bad.stdout)
    assert (bad.exit_code, bad.stderr, facts["good"]) == (1, "", False)
    plain = run("check", RIG, str(bad_set)).stderr.splitlines()
    for problem, line in zip(facts["problems"], plain, strict=True):
        assert problem["message"] in line
        assert f":{problem['line']}:{problem['column']}" in line


def test_init_writes_what_plays_and_writes_over_nothing(tmp_path: Path) -> None:
    for profile in ("eight-gates-four-cv", "drum-triggers-eight", "one-voice-bend"):
        folder = tmp_path / profile
        folder.mkdir()
        assert run("init", str(folder), "--profile", profile).exit_code == 0
        checked = run("check", str(folder / "rig.yaml"), str(folder / "set.yaml"))
        assert checked.exit_code == 0, checked.stderr
        assert "(1 derived)" in checked.stdout
        before = (folder / "rig.yaml").read_bytes()
        again = run("init", str(folder))
        assert again.exit_code == 1
        assert "is there already" in again.stderr
        assert (folder / "rig.yaml").read_bytes() == before
    none = run("init", str(tmp_path), "--profile", "plain-levels-eight")
    assert (none.exit_code, list(tmp_path.glob("*.yaml"))) == (1, [])


def test_profile_show_lists_every_output() -> None:
    from bridge.files.profile import load_profile

    shown = run("profile", "show", "eight-gates-four-cv").stdout.splitlines()
    outputs = load_profile("eight-gates-four-cv").outputs
    assert len(shown) == 1 + len(outputs)
    for line, out in zip(shown[1:], outputs, strict=True):
        assert line.split()[:2] == [out.name, out.kind]
    assert run("profile", "show", "eight-gatos-four-cv").exit_code == 1


def test_a_dash_prints_what_would_be_written() -> None:
    """And nothing else: words about it go to the other stream."""
    table = run("render", RIG, SET, "--bars", "1", "--out", "-")
    assert table.stdout.splitlines()[0] == "tick,lane,kind,value,length,output"
    assert "1 bar of Low tide" in table.stderr
    sheet = run("sheet", RIG, SET, "--out", "-")
    assert sheet.stdout.startswith("<!doctype html>")
    assert sheet.stdout.endswith("</html>\n")
    assert "written" in sheet.stderr
    assert run("scope", RIG, SET, "--out", "-").exit_code == 2, "a picture is a file"


def test_import_prints_or_writes_a_set(tmp_path: Path) -> None:
    source, out = tmp_path / "beat.mid", tmp_path / "set.yaml"
    file = mido.MidiFile(ticks_per_beat=480)
    file.tracks.append(
        mido.MidiTrack(
            [
                mido.Message("note_on", channel=9, note=36, velocity=100, time=0),
                mido.Message("note_off", channel=9, note=36, time=60),
            ]
        )
    )
    file.save(source)
    printed = run("import", str(source))
    assert printed.exit_code == 0
    assert 'kick: {steps: "x... .... .... ....", level: 0.79}' in printed.stdout
    assert run("import", str(source), "--out", str(out)).exit_code == 0
    assert out.read_text() == printed.stdout
    again = run("import", str(source), "--out", str(out))
    assert (again.exit_code, again.stderr) == (1, f"{out}  is there already; choose another name\n")
    assert run("check", RIG, str(out)).exit_code == 0


# --- the program -------------------------------------------------------------------------------


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys, bridge.cli\n"
        "heavy = {'pydantic', 'yaml', 'aiohttp', 'mido', 'asyncio', 'rtmidi'} & set(sys.modules)\n"
        "sys.exit(f'loaded: {heavy}' if heavy else 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr

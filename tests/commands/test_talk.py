"""How much commands say, what they end with, their tables and their manual page."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from bridge.cli import main
from bridge.commands import grid, man
from bridge.commands.talk import COMMON
from bridge.errors import Exit, MachineError, PlayerError, PortError
from bridge.files import profile

PACKAGE = Path(__file__).parents[2] / "bridge"
RIG, SET = str(PACKAGE / "demo" / "rig.yaml"), str(PACKAGE / "demo" / "set.yaml")


def run(*words: str, typed: str = "") -> Result:
    return CliRunner().invoke(main, words, input=typed)


# --- -q and -v ---------------------------------------------------------------------------------


@pytest.fixture
def small(tmp_path: Path) -> str:
    """A set that is checked in no time, and warns of nothing."""
    path = tmp_path / "set.yaml"
    path.write_text("set: Sandbar\nlanes:\n  plank: {every: 4, out: main.gate-1}\n")
    return str(path)


def test_quiet_leaves_what_is_wrong_and_what_was_asked_for(tmp_path: Path, small: str) -> None:
    for words in (("-q", "check", RIG, small), ("check", "-q", RIG, small)):
        said = run(*words)
        assert (said.exit_code, said.output) == (0, "")
    surprising = tmp_path / "b.yaml"
    surprising.write_text("set: B\nlanes:\n  plank: {every: 4, out: main.pitch-1}\n")
    wrong = run("check", "-q", RIG, str(surprising))
    assert wrong.exit_code == Exit.WRONG
    surprising.write_text(
        "set: B\nlanes:\n  plank: {every: 4, out: main.gate-1}\n"
        "macros: {m: {start: 0.5, drives: [{lane: plank, setting: chance, depth: 0.5}]}}\n"
    )
    loud, quiet = run("check", RIG, str(surprising)), run("check", "-q", RIG, str(surprising))
    warned = [line for line in loud.stdout.splitlines() if line.endswith("(warning)")]
    assert warned
    assert quiet.stdout.splitlines() == warned
    asked = run("-q", "render", RIG, small, "--bars", "1", "--out", "-")
    assert asked.stdout.startswith("tick,lane,")
    assert asked.stderr == ""
    made = tmp_path / "new"
    made.mkdir()
    assert run("-q", "init", str(made)).output == ""
    assert (made / "rig.yaml").exists()
    assert run("-q", "ports").output == run("ports").output


def test_verbose_names_what_is_read_and_where_an_error_comes_from(
    tmp_path: Path, small: str
) -> None:
    said = run("check", "-v", RIG, small)
    read = re.findall(r"^reading (.*)$", said.stderr, re.M)
    assert [RIG, small] == [path for path in read if path in (RIG, small)]
    assert said.stdout == run("check", RIG, small).stdout
    wrong = run("-v", "check", str(tmp_path / "none.yaml"))
    assert "Traceback" in wrong.stderr
    assert "Traceback" not in run("check", str(tmp_path / "none.yaml")).stderr  # and it ends there


def test_verbose_names_the_ports_that_are_opened() -> None:
    words = ("soundcheck", RIG, "--only", "main.gate-1")
    said = run(*words, "-v", typed="y\n")
    assert "opening the MIDI output simulated\n" in said.stderr
    assert "opening the MIDI" not in run(*words, typed="y\n").output  # and it ends there


# --- exit codes --------------------------------------------------------------------------------


def test_errors_say_what_a_command_ends_with() -> None:
    assert [PortError.exit, PlayerError.exit, MachineError.exit] == [Exit.MACHINE] * 3
    assert run("check", "none.yaml").exit_code == Exit.WRONG
    assert run("check").exit_code == Exit.USAGE
    assert run("ctl", "--address", "127.0.0.1:9", "state").exit_code == Exit.MACHINE
    assert run("tune", RIG, "main.pitch-1").exit_code == Exit.WRONG  # left without a reading
    assert run("soundcheck", RIG).exit_code == Exit.INTERRUPTED  # nothing is typed at its question


def test_an_interrupt_is_told_as_shells_tell_it() -> None:
    """POSIX.1-2017, XCU 2.8.2: above 128, by common practice 128 and the number of the signal."""
    assert Exit.INTERRUPTED == 128 + signal.SIGINT


def test_the_readme_and_the_manual_have_the_same_codes() -> None:
    text = (PACKAGE / "files" / "reference.md").read_text()
    for code in Exit:
        assert f"| `{int(code)}` | {code.says} |" in text
    readme = " ".join((PACKAGE.parent / "README.md").read_text().split())
    told = readme[readme.index("They exit with") :].split(". ")[0]
    assert [int(n) for n in re.findall(r"\d+", told)] == [int(code) for code in Exit]


# --- words that there are not ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        (("chekc", RIG), "check"),
        (("check", RIG, "--jsn"), "--json"),
        (("ctl", "mtue"), "mute"),
        (("profile", "shwo"), "show"),
        (("profile", "show", "eight-gatos-four-cv"), "eight-gates-four-cv"),
        (("tune", RIG, "main.picth-1"), "main.pitch-1"),
        (("soundcheck", RIG, "--only", "main.gaet-1"), "main.gate-1"),
        (("demo", "--idea", "sevn"), "seven"),
        (("render", RIG, SET, "--bars", "1", "--out", "-", "--section", "shalow"), "shallow"),
    ],
)
def test_a_wrong_word_is_answered_by_the_right_one(words: tuple[str, ...], meant: str) -> None:
    said = run(*words)
    assert said.exit_code in (Exit.WRONG, Exit.USAGE)
    assert re.search(rf"[Dd]id you mean '?{re.escape(meant)}\b", said.stderr), said.stderr


# --- tables ------------------------------------------------------------------------------------


class Terminal:
    """A standard output that says it is a terminal."""

    encoding = "utf-8"

    def isatty(self) -> bool:
        return True

    def write(self, text: str) -> int:
        return len(text)

    def flush(self) -> None:
        pass


HEADS = ("output", "by", "cable")
ROWS = [
    ("main.gate-1", "note C2 (36), channel 10", "kick voice, trigger input [upper row]"),
    ("main.pitch-1", "controllers 20 and 52, channel 1", "bass voice, 1 V/oct \x1b[31minput"),
]


@pytest.mark.parametrize("columns", [50, 80, 160])
def test_a_table_fits_the_terminal_and_loses_no_word(
    monkeypatch: pytest.MonkeyPatch, columns: int
) -> None:
    monkeypatch.setattr(sys, "stdout", Terminal())
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("TERM", "xterm")
    drawn = grid.lines(HEADS, ROWS, headed=True)
    plain = [re.sub(r"\x1b\[[0-9;]*m", "", line) for line in drawn]
    assert max(map(len, plain)) <= columns
    assert "\x1b[3" not in "".join(drawn), "no colour"
    assert (len(plain) == 3) == (columns == 160)
    for row in ROWS:
        assert any(line.startswith(row[0]) for line in plain), "a name stays in one piece"
    squeezed = re.sub(r"\s", "", "".join(plain))
    for word in ("[upper", "row]", "\\x1b[31minput", "channel"):
        assert word in squeezed or all(part in squeezed for part in word.split())


def test_a_table_in_a_pipe_is_plain_lines_of_its_own_width(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "20")
    lines = grid.lines(HEADS, ROWS, headed=False)
    assert lines[0].split("  ")[0] == ROWS[0][0]
    assert lines[0].endswith(f"  {ROWS[0][2]}")
    assert lines[0].index("note") == lines[1].index("controllers"), "cells stand below one another"
    assert lines[1].endswith("\\x1b[31minput"), "what could steer a terminal is spelt out"
    assert grid.lines(HEADS, ROWS, headed=True)[0].split() == list(HEADS)
    listed = run("profile", "list").stdout.splitlines()
    assert [line.split()[0] for line in listed] == sorted(profile.shipped())


# --- the manual page ---------------------------------------------------------------------------


def every(group: click.Group = main, path: str = "lanebridge") -> dict[str, click.Command]:
    """Every command by how it is called."""
    context = click.Context(group, info_name=path)
    found: dict[str, click.Command] = {}
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        found[f"{path} {name}"] = command
        if isinstance(command, click.Group):
            found |= every(command, f"{path} {name}")
    return found


def test_the_manual_page_has_every_command_and_option(tmp_path: Path) -> None:
    out = tmp_path / "lanebridge.1"
    assert run("man", "--out", str(out)).exit_code == 0
    source = out.read_text()
    assert run("man").stdout == run("man", "--out", "-").stdout == source
    text = source.replace("\\-", "-").replace("\\e", "\\")
    commands = every()
    assert len(commands) > 50
    parts = dict(
        re.findall(
            r"^\.SS (\S+(?: \S+)*?) \[OPTIONS\][^\n]*\n(.*?)(?=^\.S[SH] )", text, re.M | re.S
        )
    )
    assert set(parts) == set(commands)
    for path, command in commands.items():
        for param in command.params:
            if isinstance(param, click.Option) and param.name not in COMMON and not param.hidden:
                assert f"\\fB{param.opts[0]}" in parts[path], f"{path} {param.opts[0]}"
    for code in Exit:
        assert f"\n.TP\n\\fB{int(code)}\\fR\n" in text


def test_the_manual_page_names_every_variable_that_is_read() -> None:
    read = {
        name
        for path in PACKAGE.rglob("*.py")
        for name in re.findall(r"environ(?:\.get\(|\[)\"([A-Z_]+)\"", path.read_text())
    }
    by_systemd = {"JOURNAL_STREAM", "SERVICE_RESULT"}  # systemd.exec(5): nobody sets them by hand
    assert read - by_systemd == set(man.ENVIRONMENT) - {"NO_COLOR"}


@pytest.mark.skipif(shutil.which("groff") is None, reason="groff is not installed")
def test_the_formatter_has_nothing_against_the_manual_page() -> None:
    """groff(1) is what man(1) formats with; `-ww` makes it say everything that is odd."""
    done = subprocess.run(
        ["groff", "-man", "-ww", "-Tutf8", "-P-c"],
        input=man.page(main),
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    text = re.sub(r".\x08", "", done.stdout)
    assert "COMMANDS" in text
    assert "--as-shipped" in text

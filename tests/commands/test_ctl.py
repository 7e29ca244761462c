"""`lanebridge ctl`: what is typed reaches the player, what is wrong is said, names complete."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import aiohttp
import pytest
from click.shell_completion import ShellComplete
from click.testing import CliRunner, Result

from bridge.cli import main
from bridge.commands.ctl import command, target_of
from bridge.protocol.table import client_commands
from bridge.service.app import Service

TOKEN = "cXVheS1yYWNrLWxvdy10aWRl"


async def typed(stage: Any, *words: str) -> Result:
    """What happens when this is typed; the service runs meanwhile."""
    address = ["--address", stage.base]
    return await asyncio.to_thread(CliRunner().invoke, main, ["ctl", *address, *words])


# What is typed, and the command that the player gets.
TYPED: list[tuple[list[str], dict[str, Any]]] = [
    (["mute", "kick"], {"do": "mute", "lane": "kick", "muted": True, "when": "now"}),
    (["mute", "kick", "off"], {"do": "mute", "lane": "kick", "muted": False, "when": "now"}),
    (
        ["mute", "rim", "on", "--when", "bar", "--return-bars", "8"],
        {"do": "mute", "lane": "rim", "muted": True, "when": "bar", "return_bars": 8},
    ),
    (["mute", "rim", "--when", "4"], {"do": "mute", "lane": "rim", "muted": True, "when": 4}),
    (["macro", "brightness", "0.25"], {"do": "macro", "macro": "brightness", "value": 0.25}),
    (["macro", "brightness", "1"], {"do": "macro", "macro": "brightness", "value": 1.0}),
    (
        ["section", "flood", "--when", "now", "--morph-bars", "4"],
        {"do": "section", "section": "flood", "when": "now", "morph_bars": 4},
    ),
    (["transport", "start"], {"do": "start", "restart": False}),
    (["transport", "stop"], {"do": "stop"}),
    (["transport", "continue"], {"do": "continue"}),
    (["transport", "position", "7680"], {"do": "position", "tick": 7680}),
    (["tempo", "133.5"], {"do": "tempo", "bpm": 133.5}),
    (["nudge", "-5"], {"do": "nudge", "ms": -5.0}),
    (
        ["setting", "kick", "chance", "0.5"],
        {"do": "setting", "lane": "kick", "setting": "chance", "value": 0.5},
    ),
    (
        ["setting", "kick", "chance", "null"],
        {"do": "setting", "lane": "kick", "setting": "chance", "value": None},
    ),
    (["cancel", "--lane", "kick"], {"do": "cancel", "lane": "kick"}),
    (["order-next", "--when", "4"], {"do": "order-next", "when": 4}),
    (["mute-all"], {"do": "mute-all"}),
]


async def test_what_is_typed_reaches_the_player(stage: Any) -> None:
    for words, wanted in TYPED:
        stage.player.received.clear()
        result = await typed(stage, *words)
        assert (result.exit_code, result.output) == (0, ""), words
        assert stage.player.received == [wanted], words


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["mute", "kik"], 1, "kick"),  # with what was meant
        (["mute", "kick", "maybe"], 2, "must be on or off, not 'maybe'"),
        (["macro", "brightness", "2"], 2, "must be a number from 0 to 1, not '2'"),
        (["section", "flood", "--when", "soon"], 2, "now, beat, bar or a whole number from 1 to"),
        (["cancel"], 1, "needs one of 'lane', 'section' and 'order'"),
        (["undo"], 1, "nothing to undo"),
        (["state", "lanes", "nobody"], 1, "the state has no lanes nobody"),
    ],
)
async def test_what_is_wrong_is_said(stage: Any, words: list[str], code: int, says: str) -> None:
    result = await typed(stage, *words)
    assert result.exit_code == code, result.output
    assert says in result.output
    assert stage.player.received == []


def test_nobody_there_is_said() -> None:
    result = CliRunner().invoke(main, ["ctl", "--address", "127.0.0.1:9", "undo"])
    assert result.exit_code == 3
    assert result.output.startswith("nobody answers at http://127.0.0.1:9")


async def test_the_state_as_json(stage: Any) -> None:
    result = await typed(stage, "state")
    assert json.loads(result.output)["lanes"].keys() == stage.state["lanes"].keys()
    assert json.loads((await typed(stage, "state", "transport", "tempo")).output) == 126.0


async def test_a_watch_prints_each_change(stage: Any) -> None:
    watching = asyncio.ensure_future(
        typed(stage, "watch", "lanes", "kick", "muted", "--count", "2")
    )
    await stage.until(lambda: stage.service.live.clients, "it watches")
    await stage.call("PUT", "/api/lanes/kick/mute", {"muted": True})
    assert (await watching).output == "false\ntrue\n"


async def test_a_step_is_told(stage: Any) -> None:
    assert (await typed(stage, "mute", "kick")).exit_code == 0
    assert json.loads((await typed(stage, "undo")).output) == {"label": "kick muted"}


def test_every_command_with_a_route_can_be_typed() -> None:
    transport: Any = command.commands["transport"]
    for row in client_commands():
        if row.ROW.http and row.ROW.by in ("player", "service"):
            assert row.ROW.do in {*command.commands, *transport.commands}


async def completed(stage: Any, words: list[str], incomplete: str) -> list[str]:
    def ask() -> list[str]:
        shell = ShellComplete(main, {}, "lanebridge", "_LANEBRIDGE_COMPLETE")
        args = ["ctl", "--address", stage.base, *words]
        return [item.value for item in shell.get_completions(args, incomplete)]

    return await asyncio.to_thread(ask)


async def test_commands_names_and_words_complete(stage: Any) -> None:
    assert await completed(stage, [], "sol") == ["solo"]
    assert await completed(stage, ["mute"], "b") == ["bass", "bassline"]
    assert await completed(stage, ["mute", "kick"], "") == ["on", "off"]
    assert await completed(stage, ["macro"], "") == ["shaker-level", "brightness"]
    assert await completed(stage, ["section"], "fl") == ["flood"]
    assert await completed(stage, ["section", "flood", "--when"], "b") == ["beat", "bar"]


def test_without_a_service_names_do_not_complete_and_nothing_is_said() -> None:
    shell = ShellComplete(main, {}, "lanebridge", "_LANEBRIDGE_COMPLETE")
    assert shell.get_completions(["ctl", "--address", "127.0.0.1:9", "mute"], "") == []


def test_the_kept_token_is_shown_to_this_machine_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    monkeypatch.delenv("LANEBRIDGE_TOKEN", raising=False)
    folder = tmp_path / "lanebridge"
    folder.mkdir()
    (folder / "token").write_text("cXVheS1yYWNrLWxvdy10aWRl\n")
    (folder / "token").chmod(0o600)
    for here in (None, "127.0.0.1:8420", "http://localhost:8420", "http://[::1]:8420"):
        assert target_of(here).token == "cXVheS1yYWNrLWxvdy10aWRl", here
    for there in ("192.0.2.4:8420", "http://127.0.0.1.evil.example", "http://localhost@192.0.2.4"):
        assert target_of(there).token is None, there
    monkeypatch.setenv("LANEBRIDGE_TOKEN", "another")
    assert target_of("192.0.2.4:8420").token == "another"
    (folder / "token").chmod(0o644)
    monkeypatch.delenv("LANEBRIDGE_TOKEN")
    assert target_of(None).token is None


async def test_a_device_is_let_in_listed_and_shut_out(
    options: Any, player: Any, folder: Path, running: Any, make_stage: Any, monkeypatch: Any
) -> None:
    monkeypatch.setenv("LANEBRIDGE_TOKEN", TOKEN)
    lan = replace(options, lan=True, token=TOKEN)
    async with running(Service(lan)) as service, aiohttp.ClientSession() as session:
        await service.link.met.wait()
        stage = make_stage(service, player, session, folder)
        picture = folder / "foh.svg"
        made = await typed(stage, "pair", "--role", "watch", "--picture", str(picture))
        assert made.exit_code == 0, made.output
        assert b"<svg" in picture.read_bytes()
        code = made.output.split(" ")[0]
        async with session.get(f"{stage.base}/", params={"code": code, "name": "Foh"}) as answer:
            assert answer.status == 200
        listed = await typed(stage, "devices")
        assert "watch" in listed.output
        assert "Foh" in listed.output
        assert (await typed(stage, "shut-out", listed.output.split(" ")[0])).exit_code == 0
        assert (await typed(stage, "devices")).output == ""
        shown = await typed(stage, "pair")
        assert len(shown.output.splitlines()) > 10  # the picture

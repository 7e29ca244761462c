"""The service before a real player: C clients for OSC, the description, the chart kept honest."""

from __future__ import annotations

import asyncio
import json
import re
import subprocess
import time
from collections.abc import Callable
from typing import Any

import aiohttp
import jsonschema
import pytest
from support.patience import PATIENCE_S

pytestmark = [pytest.mark.real, pytest.mark.timeout(900)]


def oscsend(port: int, address: str, types: str = "", *args: object) -> None:
    types_and_args = [types, *map(str, args)] if types else []
    subprocess.run(
        ["oscsend", "127.0.0.1", str(port), address, *types_and_args], check=True, timeout=10
    )


def test_a_c_client_mutes_and_another_hears_of_it(
    demo: Any, needs: Callable[..., None], until: Callable[..., Any], tmp_path: Any
) -> None:
    needs("oscsend", "oscdump")
    from socket import AF_INET, SOCK_DGRAM, socket

    with socket(AF_INET, SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    heard = tmp_path / "heard.txt"
    with heard.open("wb") as out:
        dump = subprocess.Popen(["oscdump", "-L", str(port)], stdout=out, stderr=out)
        try:

            def told(pattern: str) -> bool:
                return re.search(pattern, heard.read_text()) is not None

            def subscribed() -> bool:
                oscsend(demo.osc_port, "/subscribe", "i", port)
                return told(r"/lane/kick/mute i 0")

            until(subscribed, 10, "the whole state by OSC")
            oscsend(demo.osc_port, "/lane/kick/mute", "i", 1)
            until(lambda: demo.state["lanes"]["kick"]["muted"], 5, "muted by OSC")
            until(lambda: told(r"/lane/kick/mute i 1"), 5, "feedback of the mute")
            demo.send("PUT", "lanes/kick/mute", {"muted": False})
            until(
                lambda: (
                    heard.read_text().rfind("/lane/kick/mute i 0")
                    > heard.read_text().rfind("/lane/kick/mute i 1")
                ),
                5,
                "feedback of the unmute by HTTP",
            )
            oscsend(demo.osc_port, "/lane/{rim,hat}/mute", "i", 1)
            until(
                lambda: all(demo.state["lanes"][n]["muted"] for n in ("rim", "hat")), 5, "a pattern"
            )
            oscsend(demo.osc_port, "/undo")
            oscsend(demo.osc_port, "/undo")
            until(
                lambda: not any(demo.state["lanes"][n]["muted"] for n in ("rim", "hat")), 5, "undo"
            )
            oscsend(demo.osc_port, "/macro/flotsam", "f", 0.75)
            until(lambda: told(r"/macro/flotsam f 0\.75"), 5, "feedback of the macro")
        finally:
            dump.terminate()
            dump.wait(PATIENCE_S)


async def test_the_state_of_a_real_player_is_as_described(demo: Any) -> None:
    async with aiohttp.ClientSession() as session:
        async with session.get(f"{demo.url}openapi.json") as response:
            document = await response.json()
        async with session.get(f"{demo.url}api/state") as response:
            state = await response.json()
    operation = document["paths"]["/api/state"]["get"]
    schema = operation["responses"]["200"]["content"]["application/json"]["schema"]
    jsonschema.Draft202012Validator({**schema, "components": document["components"]}).validate(
        state
    )


async def test_the_chart_foretells_what_is_played(demo: Any) -> None:
    """Two bars ahead as drawn against the hits that then sound, tick for tick."""
    foretold: dict[str, set[int]] = {}
    played: dict[str, set[int]] = {}
    start = end = None
    async with aiohttp.ClientSession() as session, session.ws_connect(f"{demo.url}api/live") as ws:
        await ws.send_json({"do": "chart", "bars": 2, "seq": 1})
        async for message in ws:
            told = json.loads(message.data)
            if told["type"] == "chart" and start is None and told["to"] - told["from"] > 3840:
                start, end = told["from"] + 480, told["to"] - 480
                for name, rows in told["lanes"].items():
                    if not rows.get("out"):
                        foretold[name] = {t for t, *_ in rows.get("hits", ()) if start <= t < end}
            if told["type"] == "played" and start is not None and end is not None:
                for lane, tick, _level in told["hits"]:
                    if start <= tick < end:
                        played.setdefault(lane, set()).add(tick)
                if told["hits"][-1][1] > end + 480:
                    break
    with_hits = {name: ticks for name, ticks in foretold.items() if ticks}
    assert len(with_hits) >= 5
    assert with_hits == {name: played.get(name, set()) for name in with_hits}


async def test_a_move_on_one_page_reaches_another_quickly(demo: Any) -> None:
    async with (
        aiohttp.ClientSession() as session,
        session.ws_connect(f"{demo.url}api/live") as mine,
        session.ws_connect(f"{demo.url}api/live") as other,
    ):
        worst = 0.0
        for turn in range(10):
            value = (turn % 5 + 1) / 8
            begin = time.monotonic()
            await mine.send_json({"do": "macro", "macro": "drizzle", "value": value, "seq": turn})

            async def seen(wanted: float = value) -> None:
                while True:
                    told = json.loads((await other.receive(5)).data)
                    patch = told.get("patch", {}).get("macros", {}).get("drizzle", {})
                    if patch.get("value") == wanted:
                        return

            await asyncio.wait_for(seen(), PATIENCE_S)
            worst = max(worst, time.monotonic() - begin)
            await asyncio.sleep(0.02)
    assert worst < 0.5  # all views agree within this time

"""Any JSON to any route over one connection: never a fault of ours, always a described answer."""

from __future__ import annotations

import asyncio
import json
import random
from typing import Any

from support.patience import PATIENCE_S

VALUES: list[Any] = [
    None,
    True,
    False,
    0,
    1,
    -1,
    0.5,
    1e308,
    -0.0,
    2**53,
    2**70,
    "",
    "now",
    "kick",
    "\u0000",
    "x" * 300,
    [],
    [1],
    {},
    {"a": 1},
    "../rig.yaml",
    "low-tide.yaml",
]
KEYS = [
    "muted",
    "when",
    "value",
    "on",
    "bpm",
    "ms",
    "tick",
    "run",
    "source",
    "text",
    "file",
    "action",
    "active",
    "return_bars",
    "morph_bars",
    "replace",
    "x",
    "",
    "edits",
    "bars",
    "seq",
    "do",
    "lane",
    "macro",
    "section",
    "setting",
    "group",
    "output",
]
NAMES = ["kick", "kik", "brightness", "flood", "drums", "chance", "main.gate-1", "%00", "é", "x y"]


async def test_every_route_answers_as_it_is_described_whatever_it_gets(stage: Any) -> None:
    dice = random.Random(7)
    # Neither written files nor drawings, which take a process of their own.
    routes = [r for r in stage.service.routes() if "save" not in r.path and "svg" not in r.path]
    description = (await stage.call("GET", "/openapi.json"))[1]["paths"]
    seen: set[int] = set()
    for number in range(400):
        route = routes[number % len(routes)]
        path = "/".join(
            dice.choice(NAMES) if part.startswith("{") else part for part in route.path.split("/")
        )
        body: Any = {dice.choice(KEYS): dice.choice(VALUES) for _ in range(dice.randrange(4))}
        if dice.random() < 0.1:
            body = dice.choice(VALUES)
        data = json.dumps(body).encode() if route.takes_body else None
        async with stage.session.request(
            route.method,
            stage.base + path,
            data=data,
            headers={"Content-Type": "application/json"} if data else {},
        ) as response:
            raw = await response.read()
            told = json.loads(raw) if "json" in response.content_type else raw
            assert response.status != 500, (route.name, body, told)
            assert (
                str(response.status) in description[route.path][route.method.lower()]["responses"]
            ), (route.name, body, response.status)
            seen.add(response.status)
    assert {200, 404, 422} <= seen


async def test_any_object_over_the_socket_is_answered_and_the_connection_lives(stage: Any) -> None:
    dice = random.Random(8)
    words = [
        "mute",
        "cancel",
        "hold",
        "solo",
        "group",
        "macro",
        "setting",
        "section",
        "order",
        "order-next",
        "start",
        "stop",
        "position",
        "tempo",
        "nudge",
        "tap",
        "offset",
        "follow",
        "mute-all",
        "reset",
        "freeze",
        "try",
        "undo",
        "redo",
        "chart",
        "alive",
        "quit",
        "swap",
        "learn",
        "learn-cancel",
        "scope",
    ]
    async with stage.page() as page:
        await page.next()
        for seq in range(200):
            body = {dice.choice(KEYS): dice.choice(VALUES) for _ in range(dice.randrange(5))}
            body |= {"do": dice.choice(words), "seq": seq}
            for name in ("lane", "macro", "section"):
                if dice.random() < 0.5:
                    body[name] = dice.choice(NAMES)
            await page.ws.send_str(json.dumps(body))
        answered: set[int] = set()
        while len(answered) < 200:
            message = await asyncio.wait_for(page.next(), PATIENCE_S)
            if message["type"] in ("done", "refused"):
                answered.add(message["seq"])
                assert message.get("problem", {}).get("status") != 500, message

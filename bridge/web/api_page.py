"""The page about the HTTP interface, for people: made from its OpenAPI description.

Each operation has an example for `curl`, with the names of what plays now, that can be pasted into
a terminal on this machine.
"""

from __future__ import annotations

import json
import shlex
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from aiohttp import web

import bridge
from bridge.control.budget import CLIENT_BURST, CLIENT_RATE
from bridge.files.blocks import Block, Head, Pairs, Signs, Words
from bridge.files.take_folder import SERVICE_BYTES
from bridge.protocol.command import described_limits
from bridge.protocol.state import State
from bridge.web.http import ARCHIVE, ARCHIVE_BYTES, COMMAND_BYTES, MIDI, TEXT_BYTES
from bridge.web.manual_http import policy
from bridge.web.problems import KINDS
from bridge.web.wrong import wanted

Schema = Mapping[str, Any]

TITLE = "Lanebridge: the HTTP interface"
CHAPTERS = {
    "state": "State",
    "healthz": "How it is",
    "metrics": "How it is",
    "lanes": "Lanes",
    "groups": "Groups",
    "fill": "Lanes",
    "pace": "Transport and tempo",
    "macros": "Macros",
    "sections": "Sections and order",
    "order": "Sections and order",
    "transport": "Transport and tempo",
    "tempo": "Transport and tempo",
    "clock": "Transport and tempo",
    "set": "The set and its files",
    "sets": "The set and its files",
    "pack": "The set and its files",
    "takes": "Takes",
    "keep": "Takes",
    "chart": "The set and its files",
    "words": "The set and its files",
    "controllers": "Controllers",
    "tuning": "Tuning",
    "soundcheck": "Soundcheck",
    "align": "Soundcheck",
    "devices": "Who is let in",
    "pairing": "Who is let in",
}
"""By the first part of the path after /api; others are in the last chapter."""
LAST = "All the rest"

PACK = "pack.zip"
"""The file of the examples that get and send one."""
FILES = {ARCHIVE: PACK, MIDI: "take.mid"}
"""Where what comes back is put, by its type, since no terminal can show it."""
# What is sent in the examples, by operation; {lane} and so on become names of what plays.
EXAMPLES: Mapping[str, object] = {
    "muteLane": {"muted": True, "when": "bar"},
    "muteGroup": {"muted": True},
    "holdLane": {"active": True},
    "fillAll": {"active": True},
    "fillLane": {"active": True},
    "fillGroup": {"active": True},
    "setPace": {"pace": -1},
    "setGroupPace": {"pace": 1},
    "soloLane": {"on": True},
    "freezeLane": {"on": True},
    "moveMacro": {"value": 0.5},
    "setLaneSetting": {"value": 1},
    "recallSection": {"when": "now", "morph_bars": 4},
    "runOrder": {"run": True},
    "setPosition": {"tick": 0},
    "setTempo": {"bpm": 126},
    "nudge": {"ms": -5},
    "setOffset": {"ms": -12.5},
    "follow": {"source": "internal"},
    "tryOutput": {"action": "gate", "value": 1, "ms": 100},
    "copyLane": {"to": "spare"},
    "randomiseLane": {"amount": 0.3},
    "keepBars": {"bars": 8, "name": "harbour"},
    "putSet": {"text": "set: Low tide\nlanes:\n  kick: {steps: x...}\n", "when": "bar"},
    "checkSet": {"text": "set: Low tide\nlanes:\n  kick: {steps: x...}\n"},
    "saveSetAs": {"file": "ebb.yaml", "replace": True},
    "bringSetBack": {"moment": "2026-01-31T21-05-00", "when": "bar"},
    "bringRigBack": {"moment": "2026-01-31T21-05-00"},
    "openPack": PACK,
    "starTake": {"starred": True},
    "continueTake": {"bar": 1},
    "nameTake": {"name": "first light"},
    "openSet": {"file": "{file}", "when": "bar"},
    "loadSet": {"file": "{file}"},
    "editSet": {"edits": [{"path": ["lanes", "{lane}", "muted"], "value": True}]},
    "previewEdits": {"edits": [{"path": ["lanes", "{lane}", "muted"], "value": True}]},
    "learnControl": {"target": "macro", "name": "{macro}", "within_s": 1},
    "putController": {"port": "pads"},
    "playController": {"data": "b01440"},
    "bindControl": {"target": "macro", "name": "{macro}"},
    "beginTuning": {"output": "{pitch}"},
    "soundNote": {"note": 36},
    "takeReading": {"note": 36, "text": "1.002 V"},
    "listenToVoice": {"input": "bay in", "channel": 1},
    "alignVoices": {"input": "bay in", "channel": 1, "monitors_down": True},
    "alignClick": {"input": "bay in", "channel": 2, "seconds": 20},
    "listenSoundcheck": {"input": "bay in", "channel": 1},
    "undoTuning": {"output": "{pitch}"},
    "beginSoundcheck": {"monitors_down": True},
    "playOutput": {"output": "{output}"},
    "answerSoundcheck": {"output": "{output}", "answer": "yes"},
    "changeDevice": {"name": "Tablet at the desk", "role": "play"},
    "makeCode": {"role": "watch"},
}


def names_in(state: State, outputs: Mapping[str, str], file: str) -> dict[str, str]:
    """Names for the examples, out of what plays.

    Args:
        state: the whole state, or as much as there is of it.
        outputs: kinds of the rig's outputs, by name.
        file: the name of the set that plays; empty where none does.

    Returns:
        For every ``{word}`` of an example a name; an invented one where nothing has one.
    """
    lanes = state.get("lanes", {})
    lane = next(iter(lanes), "kick")
    settings = lanes[lane]["settings"] if lane in lanes else {}
    groups = [group for one in lanes.values() for group in one["groups"]]
    return {
        "lane": lane,
        "setting": next(iter(settings), "chance"),
        "group": next(iter(groups), "drums"),
        "macro": next(iter(state.get("macros", ())), "brightness"),
        "section": next(iter(state.get("sections", ())), "flood"),
        "output": next((name for name, kind in outputs.items() if kind == "gate"), "main.gate-1"),
        "pitch": next((name for name, kind in outputs.items() if kind == "pitch"), "main.pitch-1"),
        "controller": next(iter(state.get("controllers", ())), "pads"),
        "kind": "cc",
        "channel": "1",
        "number": "20",
        "device": "0123abcd",
        "take": "last",
        "file": file or "low-tide.yaml",
    }


def page(document: Schema, names: Mapping[str, str], base: str) -> str:
    """The page. `document`: the OpenAPI description; `base`: such as ``http://127.0.0.1:8420``."""
    from bridge.paper.manual import page_html  # large: only when somebody reads

    return page_html(
        TITLE,
        f"Version {bridge.__version__}. The same for programs: /openapi.json",
        [*_introduction(base), *_chapters(document, names, base), *_socket()],
    )


def curl(method: str, path: str, body: object, names: Mapping[str, str], base: str) -> str:
    """The line for a terminal; `body` None: nothing is sent."""
    for name, value in names.items():
        path = path.replace(f"{{{name}}}", value)
    words = ["curl", "-sS"]
    if method != "GET":
        words += ["-X", method]
    if body == PACK:
        words += ["-H", f"Content-Type: {ARCHIVE}", "--data-binary", f"@{PACK}"]
    elif body is not None:
        words += ["-H", "Content-Type: application/json", "-d", json.dumps(_filled(body, names))]
    return shlex.join([*words, base + path])


def _filled(value: object, names: Mapping[str, str]) -> object:
    if isinstance(value, dict):
        return {key: _filled(inner, names) for key, inner in value.items()}
    if isinstance(value, list):
        return [_filled(inner, names) for inner in value]
    if isinstance(value, str) and value[:1] == "{" and value[1:-1] in names:
        return names[value[1:-1]]
    return value


def _introduction(base: str) -> Iterator[Block]:
    yield Head(1, "In general")
    yield Words(
        f"Everything that the page does can be done over HTTP at `{base}`. Bodies are JSON objects "
        "in UTF-8 and are sent as `application/json`; what is not known is refused. Commands say "
        "how something shall be and never toggle it; only a tap, a nudge, an undo, a redo and "
        "chance do more when they are sent twice. A command is answered when it has been carried "
        "out."
    )
    yield Words(
        "With `--lan` each request shows the token: `-H 'Authorization: Bearer TOKEN'` for `curl`. "
        "A device that was paired shows its cookie instead, and has a role: to watch, to play, "
        "which includes that, or to edit, which includes both. The token may edit."
    )
    yield Words(
        "`GET /api/set` and `GET /api/set/plain` have an `ETag`. Sent back as `If-Match` with a "
        "change of the set, or as `revision` in its body, it makes sure that nobody's change is "
        "lost: 412 or 409 when somebody else has changed the same meanwhile."
    )
    yield Head(2, "Problems")
    yield Words(
        "Every error is `application/problem+json` (RFC 9457): `status`, `detail` for people, and "
        "`kind` for programs. `errors` says for each wrong place of the body what is wrong, with a "
        "JSON Pointer to it; `problems` does so for a set text, with line and column."
    )
    yield Pairs(("kind", "means"), tuple(KINDS.items()))
    yield Head(2, "Limits")
    yield Words(
        f"One client may send {CLIENT_RATE:.0f} commands a second, and {CLIENT_BURST:.0f} at once "
        "after a pause; more is refused with 429. The body of a command may have "
        f"{COMMAND_BYTES >> 10} KiB, that of a set text {TEXT_BYTES >> 10} KiB, "
        f"a pack {ARCHIVE_BYTES >> 20} MiB. Files are made of takes of at most "
        f"{SERVICE_BYTES >> 20} MiB, one at a time; `lanebridge takes export` has no such limit."
    )


def _chapters(document: Schema, names: Mapping[str, str], base: str) -> Iterator[Block]:
    chapters: dict[str, list[Block]] = {title: [] for title in (*CHAPTERS.values(), LAST)}
    for path, item in document["paths"].items():
        chapter = chapters[CHAPTERS.get(path.removeprefix("/api").split("/")[1], LAST)]
        for method, operation in item.items():
            if operation.get("deprecated"):  # it answers, and has another name today
                continue
            chapter += _operation(document, method.upper(), path, operation, names, base)
    for title, blocks in chapters.items():
        yield Head(1, title)
        yield from blocks


def _operation(
    document: Schema, method: str, path: str, operation: Schema, names: Mapping[str, str], base: str
) -> Iterator[Block]:
    yield Head(2, f"`{method} {path}`")
    yield Words(f"{operation['summary']} Role: {operation['x-role']}.")
    root = {"$defs": document["components"]["schemas"]}
    query = [p for p in operation["parameters"] if p["in"] == "query"]
    if query:
        rows = tuple((p["name"], _member(p["schema"], root, True)) for p in query)
        yield Pairs(("in the query", "takes"), rows)
    body = operation.get("requestBody")
    if body is not None and ARCHIVE not in body["content"]:
        schema = _resolved(body["content"]["application/json"]["schema"], root)
        needed = schema.get("required", ())
        rows = tuple(
            (name, _member(part, root, name not in needed))
            for name, part in schema.get("properties", {}).items()
        )
        if rows:
            yield Pairs(("in the body", "takes"), rows)
    line = curl(method, path, EXAMPLES.get(operation["operationId"]), names, base)
    for media in operation["responses"]["200"]["content"]:
        line += f" -o {FILES[media]}" if media in FILES else ""
    yield Signs((line,))


def _resolved(schema: Schema, root: Schema) -> Schema:
    if "$ref" in schema:
        found: Schema = root["$defs"][schema["$ref"].rpartition("/")[2]]
        return found
    return schema


def _member(schema: Schema, root: Schema, optional: bool) -> str:
    text = wanted(schema, root)
    if "description" in schema and schema["description"] not in text:
        text += f" ({schema['description']})"
    default = schema.get("default")
    if default is not None:
        return f"{text}; `{json.dumps(default)}` unless told"
    return f"{text}; may be left out" if optional else text


def _socket() -> Iterator[Block]:
    yield Head(1, "Events: the WebSocket")
    yield Words(
        '`/api/live` first sends `{"type": "state", "state": {...}}`, the same as '
        "`GET /api/state`, then `change` messages whose `patch` is a JSON Merge Patch (RFC 7396) "
        "to it. `played` has hits as they are played, `tick` the position four times a second, "
        "`chart` the coming bars for those who ask. A client sends commands as objects: `do` is "
        "one of the words below, and `seq`, a number, comes back in the answer `done` or "
        "`refused`, the latter with a problem as above."
    )
    yield Words(
        "`state` and `change` have a `number`, one more each time, and `state` has a name to "
        "`resume` with. After a gap connect to `/api/live?resume=NAME&number=N`, with the last "
        "number that arrived: within two minutes `resumed` comes first, and then only what has "
        "changed since (up to `newest`, its number of the last change there is); later the whole "
        "state."
    )
    rows = tuple(
        (do, ", ".join(f"`{name}`" for name in members) or "nothing more")
        for do, members in sorted(described_limits().items())
    )
    yield Pairs(("do", "members"), rows)


def add_api_page(
    app: web.Application, document: Callable[[], Schema], names: Callable[[], Mapping[str, str]]
) -> None:
    """Adds ``/api``, which is made anew for each reader.

    Args:
        app: before it starts.
        document: gives the OpenAPI description.
        names: gives those for the examples as they are now, as `names_in` does.
    """

    async def serve(request: web.Request) -> web.Response:
        return web.Response(
            text=page(document(), names(), f"{request.scheme}://{request.host}"),
            content_type="text/html",
            charset="utf-8",
            headers={"Cache-Control": "no-store", "Content-Security-Policy": policy()},
        )

    app.router.add_get("/api", serve)

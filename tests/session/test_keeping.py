"""What is read and kept in the state folder: checked, set aside, and honest about the disk."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.patience import until

from bridge.files import store, working
from bridge.files.working import WORKING
from bridge.service.app import Service
from bridge.session import instep

OTHER = "set: Ebb\nlanes:\n  kick: {steps: x..., out: main.gate-1}\n"
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=12,
)
NAMES = ("started_with", "run", "revision", "file", "text", "disk")


def kept(folder: Path, **other: Any) -> dict[str, Any]:
    path = str((folder / "low-tide.yaml").resolve())
    return {
        "started_with": path,
        "run": "",
        "disk": "",
        "revision": 3,
        "file": path,
        "text": OTHER,
        **other,
    }


async def loaded(options: Any, raw: bytes) -> Service:
    assert options.state_dir is not None
    options.state_dir.mkdir(exist_ok=True)
    (options.state_dir / WORKING).write_bytes(raw)
    service = Service(options)
    await service.book.load()
    return service


STRANGE = [
    b"[" * 200_000,
    b'{"a":' * 100_000,
    b"\0" * 4096,
    b"",
    b"\xff\xfe{}",
    b"null",
    b"[]",
    b'{"file": 5}',
    b"1" * 5000,
    b"NaN",
]


@pytest.mark.parametrize("raw", STRANGE, ids=[repr(raw[:8]) for raw in STRANGE])
async def test_strange_bytes_are_set_aside_and_named(
    options: Any, folder: Path, raw: bytes
) -> None:
    service = await loaded(options, raw)
    assert service.session.playing is not None
    assert service.session.playing.document.spec.name == "Low tide"
    (note,) = service.session.document["notes"]
    assert WORKING in note
    assert "set-aside" in note
    assert not (options.state_dir / WORKING).exists()
    assert (options.state_dir / (WORKING + ".set-aside")).read_bytes() == raw


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    st.binary(max_size=200)
    | JSON.map(lambda value: json.dumps(value).encode())
    | st.dictionaries(st.sampled_from(NAMES[1:]), JSON).map(lambda v: json.dumps(v).encode())
)
def test_no_bytes_raise(tmp_path: Path, raw: bytes) -> None:
    (tmp_path / WORKING).write_bytes(raw)
    found, note = working.read(tmp_path)
    assert found is None
    assert note


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(name=st.sampled_from(NAMES), value=JSON)
def test_a_member_of_another_kind_is_not_believed(tmp_path: Path, name: str, value: Any) -> None:
    whole = kept(tmp_path, **{name: value})
    (tmp_path / WORKING).write_text(json.dumps(whole))
    found, note = working.read(tmp_path)
    if found is None:
        assert note
    else:
        assert type(getattr(found, name)) is type(whole[name])
        assert not note


@pytest.mark.parametrize("file", ["/etc/shadow", "../low-tide.yaml", "rig.yaml", "/dev/zero", "\0"])
async def test_a_file_that_is_not_beside_the_set_is_not_the_sets_file(
    options: Any, folder: Path, file: str
) -> None:
    service = await loaded(options, json.dumps(kept(folder, file=file)).encode())
    assert service.session.playing is not None
    assert service.session.playing.path == folder / "low-tide.yaml"
    assert service.session.playing.document.spec.name == "Low tide"
    assert service.session.document["notes"]


async def test_what_is_no_file_is_not_waited_for(options: Any, folder: Path) -> None:
    options.state_dir.mkdir()
    os.mkfifo(options.state_dir / WORKING)
    service = Service(options)
    await service.book.load()
    assert service.session.playing is not None
    assert "not a file" in service.session.document["notes"][0]


# --- the player's set is the truth --------------------------------------------------------------


async def test_the_service_takes_over_what_the_player_plays(
    options: Any, player: Any, folder: Path, running: Any
) -> None:
    text = (folder / "low-tide.yaml").read_text("utf-8").replace("hits: 4", "hits: 3", 1)
    player.revision = 7
    player.origin = {"revision": 7, "text": text, "file": str(folder / "low-tide.yaml")}
    async with running(Service(options)) as service:
        await until(lambda: service.session.playing and service.session.playing.revision == 7)
        assert service.session.playing is not None
        assert service.session.playing.text == text
        assert service.session.document["saved"] is False
        other = text.replace("hits: 5", "hits: 6", 1)
        await service.book.put(other, "bar", "page 1")
        assert service.session.playing.revision == 8
        assert "hits: 3" in service.session.playing.text, "the performer's change is kept"
    assert player.words.count("swap") == 1


@contextlib.contextmanager
def full(monkeypatch: pytest.MonkeyPatch, code: int) -> Iterator[None]:
    def refuse(*_: object) -> None:
        raise OSError(code, os.strerror(code))

    with monkeypatch.context() as patched:
        patched.setattr(store, "write_atomic", refuse)
        yield


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EROFS, errno.EACCES])
async def test_what_cannot_be_kept_is_said_until_it_can(
    stage: Any, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    monkeypatch.setattr(instep, "LOOK_S", 0.01)
    text = (stage.folder / "low-tide.yaml").read_text("utf-8")
    with full(monkeypatch, code):
        changed = text.replace("hits: 4", "hits: 3", 1)
        status, _, _ = await stage.call("PUT", "/api/set", {"text": changed})
        assert status == 200, "it plays"
        (note,) = stage.service.session.document["notes"]
        assert "cannot be kept" in note
        assert os.strerror(code) in note
        status, _, _ = await stage.call("POST", "/api/set/save")
        assert status == 409
        assert stage.service.session.document["saved"] is False
    await stage.until(lambda: "notes" not in stage.service.session.document)
    found, _ = working.read(stage.service.options.state_dir)
    assert found is not None
    assert found.text == changed


@pytest.fixture
def small_disk(folder: Path) -> Iterator[Path]:
    """A full file system in the place of the state folder."""
    state = folder / "state"
    state.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=64k", "none", str(state)]
    if os.geteuid() != 0 or subprocess.run(mount, check=False, capture_output=True).returncode:
        pytest.skip("mounting needs root")
    (state / "filler").write_bytes(b"x" * 65536)
    yield state
    subprocess.run(["umount", str(state)], check=True)


async def test_a_disk_that_is_really_full(
    small_disk: Path, stage: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(instep, "LOOK_S", 0.01)
    text = (stage.folder / "low-tide.yaml").read_text("utf-8").replace("hits: 4", "hits: 3", 1)
    status, _, _ = await stage.call("PUT", "/api/set", {"text": text})
    assert status == 200
    assert "cannot be kept" in stage.service.session.document["notes"][0]
    (small_disk / "filler").unlink()
    await stage.until(lambda: "notes" not in stage.service.session.document)


async def test_a_change_made_by_an_editor_is_noticed_and_can_be_taken(
    stage: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(instep, "LOOK_S", 0.01)
    path = stage.folder / "low-tide.yaml"
    text = path.read_text("utf-8").replace("hits: 4", "hits: 3", 1)
    path.write_text(text, encoding="utf-8")
    await stage.until(lambda: stage.service.session.document.get("outside"))
    assert stage.service.session.document["saved"] is False
    assert "hits: 4" in stage.service.session.playing.text, "what plays goes on"
    body = {"file": "low-tide.yaml", "fresh": True}
    status, answer, _ = await stage.call("POST", "/api/set/open", body)
    assert status == 200, answer
    assert stage.service.session.playing.text == text
    assert stage.service.session.document == {"file": "low-tide.yaml", "saved": True}

"""Packs: what is put in comes out; what a stranger sends is refused with a reason.

Hostile archives are written by `support.zips`, which follows APPNOTE.TXT and not the library that
reads them.
"""

from __future__ import annotations

import io
import zipfile
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.refusals import problems_of
from support.zips import Entry, archive

from bridge.errors import InputError
from bridge.files import pack, zip_guard
from bridge.files.pack import Members, gather, pack_bytes, read_pack, unpack
from bridge.files.rig import load_rig
from bridge.files.set import load_set

OLD = Path(__file__).parent / "packs"
RIG = """\
rig: Quay rack   # by the window
interfaces:
  main: {profile: own-box, port: Some Port, cables: {gate-1: kick voice}}
  other: {profile: eight-gates-four-cv}
"""
PROFILE = """\
profile: own-box
says: A box of our own.
link: usb
outputs:
  gate-1: {kind: gate, by: note, channel: 1, number: 36}
"""
SET = "set: Low tide\nlanes:\n  kick: {steps: x.x., out: main.gate-1}  # the deep one\n"
TUNING = 'tuning:\n  other.pitch-1: {made: "2026-01-31", profile: eight-gates-four-cv}\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "home" / "secret-place"
    made.mkdir(parents=True)
    for name, text in (
        ("quay.yaml", RIG),
        ("quay.tuning.yaml", TUNING),
        ("own-box.yaml", PROFILE),
        ("tide.yaml", SET),
    ):
        (made / name).write_text(text)
    return made


def packed(folder: Path, *, tuning: bool = False, takes: Members | None = None) -> bytes:
    rig = load_rig(folder / "quay.yaml")
    document = load_set(folder / "tide.yaml", rig)
    return pack_bytes(gather(rig, document, "<p>sheet</p>", tuning=tuning, takes=takes))


def test_what_is_packed_is_opened_as_it_was_written(folder: Path, tmp_path: Path) -> None:
    read = read_pack(packed(folder, tuning=True, takes={"first night.mid": b"MThd"}))
    rig, document = unpack(read, tmp_path / "opened")
    assert (rig.name, document.spec.name) == ("Quay rack", "Low tide")
    there = {
        path.relative_to(tmp_path / "opened").as_posix(): path.read_text()
        for path in (tmp_path / "opened").rglob("*")
        if path.is_file()
    }
    assert there.pop("profiles/eight-gates-four-cv.yaml").startswith("#")
    assert there == {
        "rig.yaml": RIG,
        "set.yaml": SET,
        "rig.tuning.yaml": TUNING,
        "profiles/own-box.yaml": PROFILE,
        "takes/first night.mid": "MThd",
    }


def test_tunings_and_takes_go_along_only_when_told(folder: Path) -> None:
    assert set(read_pack(packed(folder)).members) == {
        "rig.yaml",
        "set.yaml",
        "profiles/own-box.yaml",
        "profiles/eight-gates-four-cv.yaml",
        "sheet.html",
    }


def test_a_pack_is_read_by_other_programs_and_says_nothing_of_this_computer(folder: Path) -> None:
    raw = packed(folder, tuning=True)
    assert raw == packed(folder, tuning=True)
    with zipfile.ZipFile(io.BytesIO(raw)) as found:
        assert found.testzip() is None
        assert {entry.date_time for entry in found.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        for name in found.namelist():
            assert b"secret-place" not in found.read(name)
    assert b"secret-place" not in raw


def test_nothing_is_left_of_a_pack_that_cannot_be_opened(folder: Path, tmp_path: Path) -> None:
    read = read_pack(packed(folder))
    wrong = replace(read, members={**read.members, "set.yaml": b"set: x\nlanes: {a: {steps: q}}\n"})
    before = sorted(tmp_path.iterdir())
    (problem, *_) = problems_of(lambda: unpack(wrong, tmp_path / "new", "night.zip"))
    assert problem.file == "night.zip/set.yaml"
    assert sorted(tmp_path.iterdir()) == before
    missing = {k: v for k, v in read.members.items() if k != "profiles/own-box.yaml"}
    with pytest.raises(InputError, match="no profile is called own-box"):
        unpack(replace(read, members=missing), tmp_path / "new")
    assert sorted(tmp_path.iterdir()) == before


def test_a_folder_that_is_there_is_never_written_into(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    with pytest.raises(FileExistsError):
        unpack(read_pack(packed(folder)), tmp_path / "there")
    assert list((tmp_path / "there").iterdir()) == []


def test_a_profile_that_would_hide_the_set_cannot_go_along(folder: Path) -> None:
    (folder / "own-box.yaml").rename(folder / "set.yaml")
    (folder / "set.yaml").write_text(PROFILE.replace("own-box", "set"))
    (folder / "quay.yaml").write_text(RIG.replace("own-box", "set"))
    with pytest.raises(InputError, match="call it otherwise"):
        packed(folder)


@pytest.mark.parametrize("name", ["../x", "a/b.mid", "", ".hidden", "x" * 81, "a\nb"])
def test_takes_have_plain_names(folder: Path, name: str) -> None:
    with pytest.raises(InputError, match="plain names"):
        packed(folder, takes={name: b""})


# --- versions -----------------------------------------------------------------------------------


@pytest.mark.parametrize("old", sorted(OLD.glob("*.zip")), ids=lambda path: path.stem)
def test_every_pack_that_was_ever_made_is_opened(old: Path, tmp_path: Path) -> None:
    rig, document = unpack(read_pack(old.read_bytes(), old.name), tmp_path / "opened")
    assert (rig.name, document.spec.name) == ("Quay rack", "Low tide")
    assert [lane.name for lane in document.spec.lanes][:3] == ["kick", "rim", "shaker"]
    assert rig.cables["main.gate-1"].to == "kick voice, trigger input"


def test_an_old_pack_of_each_version_is_kept() -> None:
    assert sorted(path.name for path in OLD.glob("*.zip")) == [
        f"version-{number}.zip" for number in range(1, pack.VERSION + 1)
    ]
    assert sorted(pack.MIGRATIONS) == list(range(1, pack.VERSION))


def test_a_later_version_is_one_function(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """As if version 2 called the set by another file name."""

    def second(members: Members) -> Members:
        return {name.replace("set.yaml", "song.yaml"): raw for name, raw in members.items()}

    monkeypatch.setattr(pack, "VERSION", 2)
    monkeypatch.setattr(pack, "SET", "song.yaml")
    monkeypatch.setattr(pack, "MIGRATIONS", {1: second})
    read = read_pack((OLD / "version-1.zip").read_bytes())
    assert "song.yaml" in read.members
    assert unpack(read, tmp_path / "opened")[1].spec.name == "Low tide"


@pytest.mark.parametrize(
    ("head", "says"),
    [
        (
            b"lanebridge: 2\nset: a\nrig: b\nnew: thing\n",
            "was made by a newer Lanebridge (version 2",
        ),
        (b"lanebridge: 0\n", "does not say which version it is"),
        (b"lanebridge: true\n", "does not say which version it is"),
        (b"lanebridge: one\n", "does not say which version it is"),
        (b"set: a\n", "does not say which version it is"),
        (b"lanebridge: 1\nset: a\nrig: b\nmore: c\n", "is not a key of a pack"),
        (b"lanebridge: 1\nset: a\n", "is missing"),
        (b"\xff\xfe", "is not UTF-8"),
        (b"", "is empty"),
    ],
)
def test_the_head_is_read_strictly(head: bytes, says: str) -> None:
    with pytest.raises(InputError) as found:
        read_pack(archive([Entry("lanebridge.yaml", head), *GOOD[1:]]))
    assert says in str(found.value)


# --- strangers ----------------------------------------------------------------------------------

HEAD = b"lanebridge: 1\nset: Low tide\nrig: Quay rack\n"
PLAIN_RIG = b"rig: Quay rack\ninterfaces: {main: {profile: eight-gates-four-cv}}\n"
GOOD = (
    Entry("lanebridge.yaml", HEAD),
    Entry("set.yaml", SET.encode(), method=8),
    Entry("rig.yaml", PLAIN_RIG),
)
ZEROS = b"\0" * (zip_guard.MOST_BYTES + 1)


def test_the_writer_of_the_tests_writes_good_archives(tmp_path: Path) -> None:
    raw = archive(GOOD)
    with zipfile.ZipFile(io.BytesIO(raw)) as found:
        assert found.testzip() is None
    assert unpack(read_pack(raw), tmp_path / "opened")[1].spec.name == "Low tide"


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        (Entry("../set.yaml"), "leads out of the archive"),
        (Entry("takes/../../x.mid"), "leads out of the archive"),
        (Entry("takes//x.mid"), "leads out of the archive"),
        (Entry("./set.yaml"), "leads out of the archive"),
        (Entry("/etc/passwd"), "has the name of a place on some computer"),
        (Entry("C:/set.yaml"), "has the name of a place on some computer"),
        (Entry("..\\set.yaml"), "has the name of a place on some computer"),
        (Entry("takes/a\0.mid"), "has a name that no file should have"),
        (Entry("takes/a\n.mid"), "has a name that no file should have"),
        (Entry("takes/\u202egnp.mid", flags=0x800), "has a name that no file should have"),
        (Entry(""), "has a name that no file should have"),
        (Entry("takes/" + "a" * 200), "has a name that no file should have"),
        (Entry("takes/", mode=0o40755, dos=0x10), "is a folder of its own"),
        (Entry("takes/x.mid", b"/etc/passwd", mode=0o120777), "is a link"),
        (Entry("takes/x.mid", mode=0o10644), "is no plain file"),
        (Entry("takes/x.mid", mode=0o20644), "is no plain file"),
        (Entry("takes/x.mid", dos=0x10), "is no plain file"),
        (Entry("takes/x.mid", b"x", flags=1), "is encrypted"),
        (Entry("takes/x.mid", b"x", flags=0x41), "is encrypted"),
        (Entry("takes/x.mid", b"x", method=12), "is packed in a way that is not used here"),
        (Entry("set.yaml", SET.encode()), "is there twice"),
        (Entry("SET.YAML", SET.encode()), "is there twice"),
        (Entry("takes/x.mid", ZEROS, method=8), "holds more than 16 MiB"),
        (Entry("takes/x.mid", ZEROS[: 9 << 20], method=8), "is too big"),
        (Entry("takes/x.mid", ZEROS, method=8, size=10), "is damaged"),
        (Entry("takes/x.mid", b"abc", size=2), "is damaged"),
        (Entry("takes/x.mid", b"abc", size=4, packed=3), "is not as big as it says"),
        (Entry("takes/x.mid", b"abc", size=2**32 - 1, packed=3), "holds more than 16 MiB"),
        (Entry("takes/x.mid", b"abc", packed=2**31), "does not end where it should"),
        (Entry("takes/x.mid", b"abc", crc=1), "is damaged"),
        (Entry("takes/x.mid", b"abc", local_name="takes/y.mid"), "is damaged"),
        (Entry("takes/x.mid", b"abc", offset=0), "lies over another file"),
        (Entry("takes/x.mid", b"abc", offset=10**6), "does not end where it should"),
        (Entry("takes/x.zip", archive(GOOD)), "is an archive itself"),
        (Entry("takes/x.gz", b"\x1f\x8b\x08" + bytes(20)), "is an archive itself"),
        (Entry("setup.py", b"import os"), "is nothing that a pack has"),
        (Entry("profiles/../x.yaml", b""), "leads out of the archive"),
        (Entry("profiles/Own.yaml", b""), "is nothing that a pack has"),
        (Entry("rig.tuning.yaml", b"x" * (257 << 10)), "is too big"),
    ],
)
def test_what_a_pack_should_not_hold_is_refused_with_a_reason(entry: Entry, says: str) -> None:
    with pytest.raises(InputError) as found:
        read_pack(archive([*GOOD, entry]), "gift.zip")
    assert says in str(found.value)
    assert str(found.value).startswith("gift.zip")
    assert "\n" not in str(found.value)


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b"", "is not a zip archive"),
        (b"set: Low tide\n", "is not a zip archive"),
        (archive([]), "is not a zip archive"),
        (archive(GOOD)[:-1], "does not end as a zip archive does"),
        (archive(GOOD, behind=b"more"), "does not end as a zip archive does"),
        (archive(GOOD, before=b"#!/bin/sh\n"), "is not a zip archive"),
        (archive(GOOD, before=b"PK\x03\x04"), "has something in front of its first file"),
        (archive(GOOD, count=2), "is damaged"),
        (archive(GOOD, count=60_000), "holds too many files"),
        (
            archive([*GOOD, *(Entry(f"takes/{n}.mid") for n in range(62))]),
            "holds too many files: the limit is 64",
        ),
        (
            archive([*GOOD, *(Entry(f"takes/{n}.mid") for n in range(70))], count=3),
            "another number of files",
        ),
        (archive(GOOD[1:]), "but no pack: it has no lanebridge.yaml"),
        (archive([GOOD[0], GOOD[2]]), "has no set.yaml"),
        (archive(GOOD[:2]), "has no rig.yaml"),
        (ZEROS, "is too big: the limit is 16 MiB"),
    ],
    ids=range(15),
)
def test_what_is_no_pack_is_refused_with_a_reason(raw: bytes, says: str) -> None:
    with pytest.raises(InputError) as found:
        read_pack(raw, "gift.zip")
    assert says in str(found.value)


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("set.yaml", PLAIN_RIG, "this is a rig, and a set is wanted here"),
        ("rig.yaml", SET.encode(), "this is a set, and a rig is wanted here"),
        ("set.yaml", b"a: &a [x]\nb: &b [*a, *a]\n" * 1, "is not a key of a set"),
        ("set.yaml", b"[" * 10_000, "is nested more than"),
        ("set.yaml", b"\x89PNG\r\n", "is not UTF-8"),
        ("rig.tuning.yaml", b"tuning: 3\n", "must be"),
    ],
)
def test_files_of_another_kind_are_refused(
    name: str, content: bytes, says: str, tmp_path: Path
) -> None:
    entries = [e for e in GOOD if e.name != name] + [Entry(name, content)]
    with pytest.raises(InputError) as found:
        unpack(read_pack(archive(entries), "gift.zip"), tmp_path / "opened", "gift.zip")
    assert says in str(found.value)
    assert str(found.value).startswith(f"gift.zip/{name}")
    assert list(tmp_path.iterdir()) == []


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(0, 2**32).map(Random), st.integers(1, 6))
def test_any_damage_is_refused_or_changes_nothing(random: Random, blows: int) -> None:
    """A pack with some bytes changed is read as it was, or refused in words; nothing else."""
    raw = bytearray(archive(GOOD))
    for _ in range(blows):
        raw[random.randrange(len(raw))] = random.randrange(256)
    if random.random() < 0.2:
        del raw[random.randrange(len(raw)) :]
    wanted = {entry.name: entry.data for entry in GOOD[1:]}
    try:
        found = read_pack(bytes(raw))
    except InputError:
        return
    assert found.members == wanted

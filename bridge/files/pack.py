"""A pack: a set with all that it needs to be played elsewhere, in one file.

It is a zip archive of plain files, so that it can be read without this program::

    lanebridge.yaml        what it is: the version of this layout, the names of set and rig
    set.yaml, rig.yaml     as they were written
    profiles/NAME.yaml     every kind of interface that the rig uses
    rig.tuning.yaml        if wanted; it belongs to the very modules that were measured
    sheet.html             the patch sheet, for people
    takes/...              if wanted

There is nothing else in it: no folder names, no network addresses, no tokens, no dates of files
(the sheet has the day it was made). The same files make the same pack, byte for byte.
"""

from __future__ import annotations

import io
import os
import re
import shutil
import stat
import tempfile
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, ClassVar

from bridge import __version__
from bridge.errors import InputError, Problem
from bridge.files import zip_guard
from bridge.files.document import MAX_BYTES, Document, decode, in_order
from bridge.files.profile import find_profile
from bridge.files.read import read_input
from bridge.files.rig import Rig, load_rig
from bridge.files.set import SetDocument, load_set
from bridge.files.store import OTHERS_S, flush_folder, sweep, write_atomic
from bridge.files.strict import Limits, Strict, Text, check
from bridge.files.tuning import load_tuning, tuning_path
from bridge.files.yaml_text import render

VERSION = 1
ENDING = ".zip"
HEAD, SET, RIG, SHEET = "lanebridge.yaml", "set.yaml", "rig.yaml", "sheet.html"
TUNING = tuning_path(Path(RIG)).name
MOST_TAKE_BYTES = 8 << 20

Members = dict[str, bytes]

MIGRATIONS: dict[int, Callable[[Members], Members]] = {}
"""By version: what makes the files of the next version out of those of this one. Version 1 is the
first. A function for 1 is added together with `VERSION` 2, and the old pack that is kept among the
tests goes on being read."""

_TAKE = re.compile(r"takes/[A-Za-z0-9][A-Za-z0-9 ._-]{0,79}\Z")
_PROFILE = re.compile(r"profiles/[a-z][a-z0-9-]{0,31}\.yaml\Z")


class HeadModel(Strict):
    called: ClassVar[str] = "a pack"

    lanebridge: Annotated[int, Limits(1, 10_000, "", True)]
    """the version of the layout"""
    set: Text
    """the name of the set"""
    rig: Text
    """the name of the rig"""
    made_by: Text = "unknown"
    """the program that made it"""


@dataclass(frozen=True, slots=True)
class Pack:
    """What is handed on. `members` are the files beside the head, by their names in the pack."""

    set_name: str
    rig_name: str
    members: Mapping[str, bytes] = field(default_factory=dict)

    @property
    def takes(self) -> list[str]:
        return [name for name in self.members if name.startswith("takes/")]


def plain_name(title: str) -> str:
    """A name for the file or folder of a set, of plain letters."""
    return re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")[:40] or "set"


# --- making one ---------------------------------------------------------------------------------


def gather(
    rig: Rig,
    document: SetDocument,
    sheet: str,
    *,
    tuning: bool = False,
    takes: Mapping[str, bytes] | None = None,
) -> Pack:
    """A pack of a rig and a set that were read.

    Args:
        rig, document: what is handed on, as it was written.
        sheet: the patch sheet.
        tuning: whether the tunings beside the rig go along.
        takes: recordings by the names of their files.

    Raises:
        InputError: a profile or the tunings cannot be read, or a take cannot go along.
    """
    members: Members = {SET: document.text.encode(), RIG: rig.text.encode()}
    beside = None if rig.path is None else rig.path.parent
    for name in sorted({interface.profile.name for interface in rig.interfaces.values()}):
        if name in (Path(SET).stem, Path(RIG).stem):
            said = f"the profile {name} cannot go along, for {name}.yaml is another file there"
            raise InputError([Problem(f"{said}; call it otherwise", file=str(rig.path or "rig"))])
        members[f"profiles/{name}.yaml"] = read_input(find_profile(name, beside), MAX_BYTES)
    if tuning and rig.path is not None and load_tuning(rig.path):
        members[TUNING] = read_input(tuning_path(rig.path), MAX_BYTES)
    members[SHEET] = sheet.encode()
    for name, content in (takes or {}).items():
        member = f"takes/{name}"
        if not _TAKE.match(member) or len(content) > MOST_TAKE_BYTES:
            said = f"takes have plain names and at most {MOST_TAKE_BYTES >> 20} MiB"
            raise InputError([Problem(said, file=name)])
        members[member] = content
    return Pack(document.spec.name, rig.name, members)


def pack_bytes(pack: Pack) -> bytes:
    """The file of a pack.

    Raises:
        InputError: it would be larger than what can be opened.
    """
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in {HEAD: _head(pack).encode(), **pack.members}.items():
            info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            info.external_attr = (stat.S_IFREG | 0o644) << 16
            info.create_system = 3
            archive.writestr(info, content, zipfile.ZIP_DEFLATED)
    raw = out.getvalue()
    zip_guard.read_members(raw, "the pack")
    return raw


def _head(pack: Pack) -> str:
    return (
        "# A set of Lanebridge with its rig and profiles. Plain text: read it with anything, or\n"
        "# play it with `lanebridge open`.\n"
        f"lanebridge: {VERSION}\n"
        f"set: {render(pack.set_name)}\n"
        f"rig: {render(pack.rig_name)}\n"
        f"made_by: lanebridge {__version__}\n"
    )


# --- opening one --------------------------------------------------------------------------------


def read_pack(raw: bytes, file: str = "the pack") -> Pack:
    """A pack from its file. What is in it is not read yet: `unpack` does that.

    Args:
        raw: the file.
        file: what messages call it.

    Raises:
        InputError: it is no pack, comes from a newer version, or holds what it should not.
    """
    members = zip_guard.read_members(raw, file)
    if HEAD not in members:
        raise InputError([Problem(f"is a zip archive, but no pack: it has no {HEAD}", file=file)])
    version = _version(members[HEAD], f"{file}/{HEAD}")
    if version > VERSION:
        message = (
            f"was made by a newer Lanebridge (version {version} of packs; this one reads up to "
            f"{VERSION}): bring this one up to date"
        )
        raise InputError([Problem(message, file=file)])
    for older in range(version, VERSION):
        members = MIGRATIONS[older](members)
    head = _read_head(members.pop(HEAD), f"{file}/{HEAD}")
    for name, content in members.items():
        known = name in (SET, RIG, TUNING, SHEET) or _PROFILE.match(name) or _TAKE.match(name)
        limit = MAX_BYTES if name.endswith(".yaml") else MOST_TAKE_BYTES
        if not known:
            raise InputError([Problem(f"{name!r} in it is nothing that a pack has", file=file)])
        if len(content) > limit:
            raise InputError([Problem(f"{name!r} in it is too big", file=file)])
    for name in (SET, RIG):
        if name not in members:
            raise InputError([Problem(f"has no {name}", file=file)])
    return Pack(head.set, head.rig, members)


def _version(raw: bytes, file: str) -> int:
    """The version alone: the rest of a newer head may be unknown."""
    version = Document.parse(decode(raw, file), file).data.get("lanebridge")
    if isinstance(version, bool) or not isinstance(version, int) or version < 1:
        raise InputError([Problem("does not say which version it is", "lanebridge", file)])
    return version


def _read_head(raw: bytes, file: str) -> HeadModel:
    model, problems, _ = check(HeadModel, Document.parse(decode(raw, file), file))
    if problems or model is None:
        raise InputError(in_order(problems))
    return model


def unpack(pack: Pack, folder: Path, file: str = "the pack") -> tuple[Rig, SetDocument]:
    """Puts the files of a pack into a new folder, once all of them have been read without a
    complaint; whole or not at all. The sheet is left out: a stranger's page may hold more than a
    sheet, and one is made of rig and set when it is asked for.

    Args:
        pack: what `read_pack` gave.
        folder: made anew; its own folder must be there.
        file: what messages call the pack.

    Returns:
        Rig and set as they were read.

    Raises:
        InputError: something in it is wrong; messages name the file in the pack.
        OSError: the folder is there already, or cannot be made.
    """
    if os.path.lexists(folder):
        raise FileExistsError(17, "is there already", str(folder))
    sweep(folder.parent, OTHERS_S)
    made = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", suffix=".new", dir=folder.parent))
    try:
        for name, content in pack.members.items():
            if name != SHEET:
                (made / name).parent.mkdir(exist_ok=True)
                write_atomic(made / name, content)
        try:
            rig = load_rig(made / RIG, f"{file}/{RIG}")
            load_tuning(made / RIG)
            load_set(made / SET, rig, f"{file}/{SET}")
        except InputError as error:
            raise _from_here(error, made, file) from None
        made.chmod(0o755)
        os.rename(made, folder)
    except BaseException:
        shutil.rmtree(made, ignore_errors=True)
        raise
    flush_folder(folder.parent)
    rig = load_rig(folder / RIG)
    return rig, load_set(folder / SET, rig)


def _from_here(error: InputError, made: Path, file: str) -> InputError:
    """The same problems under the names that the files have in the pack."""
    return InputError(
        [
            Problem(p.message, p.path, p.file.replace(str(made), file), p.line, p.column, p.keys)
            for p in error.problems
        ]
    )

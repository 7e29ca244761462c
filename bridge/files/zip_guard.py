"""Reads a zip archive from a stranger into memory, or says why not.

Nothing of it is believed: names, sizes and counts are checked against what is there, and reading
stops at a limit. The layout is that of PKWARE's APPNOTE.TXT 6.3.10; sections are named below.
"""

from __future__ import annotations

import io
import stat
import struct
import zipfile
import zlib
from typing import Protocol

from bridge.errors import InputError, Problem, printable

MOST_BYTES = 16 << 20  # of the archive, and of all that it holds
MOST_ENTRIES = 64
MOST_NAME = 120
_MOST_DIRECTORY = MOST_ENTRIES * 512

_END = struct.Struct("<4s4H2LH")  # end of central directory record, section 4.3.16
_STORED, _DEFLATED = 0, 8  # compression methods, section 4.4.5
_ENCRYPTED = 1 | 1 << 6 | 1 << 13  # general purpose bits 0, 6 and 13, section 4.4.4
_LOCAL_HEAD = 30  # bytes of a local file header before the name, section 4.3.7
_ARCHIVES = (
    b"PK\x03\x04",
    b"PK\x05\x06",
    b"\x1f\x8b",
    b"BZh",
    b"\xfd7zXZ\x00",
    b"7z\xbc\xaf",
    b"Rar!",
    b"\x28\xb5\x2f\xfd",
)
"""How zip, gzip, bzip2, xz, 7z, rar and zstd begin (their specifications, from memory)."""


class Refuse(Protocol):
    """Makes the error that says why an archive, or a file in it, is not taken."""

    def __call__(self, message: str, name: str = "") -> InputError: ...


def read_members(raw: bytes, file: str) -> dict[str, bytes]:
    """The files of an archive by their names, in its order.

    Args:
        raw: the archive.
        file: what messages call it.

    Raises:
        InputError: it is no archive, is damaged, or holds what it should not.
    """

    def no(message: str, name: str = "") -> InputError:
        said = f"{printable(name[:MOST_NAME])!r} in it {message}" if name else message
        return InputError([Problem(said, file=file)])

    count, directory = _check_end(raw, no)
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            entries = archive.infolist()
            if len(entries) != count:
                raise no("is damaged: it holds another number of files than it says")
            _check_entries(entries, directory, no)
            members = {}
            for entry in entries:
                content = _content(archive, entry, no)
                if content.startswith(_ARCHIVES):
                    raise no("is an archive itself", entry.filename)
                members[entry.filename] = content
            return members
    except (
        zipfile.BadZipFile,
        zlib.error,
        struct.error,
        EOFError,
        OSError,
        RuntimeError,  # NotImplementedError is one
        UnicodeError,
        OverflowError,
    ):
        raise no("is damaged: what its table of contents says is not what it holds") from None
    except ValueError as error:
        if isinstance(error, InputError):
            raise
        raise no("is damaged: its table of contents makes no sense") from None


def _check_end(raw: bytes, no: Refuse) -> tuple[int, int]:
    """The record at the end, before anything reads the table that it points to: how many files it
    says there are, and where the table begins."""
    if len(raw) > MOST_BYTES:
        raise no(f"is too big: the limit is {MOST_BYTES >> 20} MiB")
    if not raw.startswith(b"PK\x03\x04") or len(raw) < _END.size:
        raise no("is not a zip archive")
    at = len(raw) - _END.size
    mark, disk, first, here, entries, size, start, comment = _END.unpack_from(raw, at)
    if mark != b"PK\x05\x06" or comment:
        raise no("does not end as a zip archive does; it is cut off, or something is behind it")
    if disk or first or here != entries:
        raise no("is a part of a larger archive")
    if entries > MOST_ENTRIES or size > _MOST_DIRECTORY:
        raise no(f"holds too many files: the limit is {MOST_ENTRIES}")
    if start + size != at:
        raise no("is damaged: its table of contents is not where it says")
    return entries, start


def _check_entries(entries: list[zipfile.ZipInfo], directory: int, no: Refuse) -> None:
    seen: set[str] = set()
    for entry in entries:
        name = entry.orig_filename  # as it is written: the other one is tidied up
        wrong = _wrong_name(name) or _wrong_kind(entry)
        if wrong:
            raise no(wrong, name)
        if name.casefold() in seen:
            raise no("is there twice", name)
        seen.add(name.casefold())
    if sum(entry.file_size for entry in entries) > MOST_BYTES:
        raise no(f"holds more than {MOST_BYTES >> 20} MiB")
    end = 0
    for entry in sorted(entries, key=lambda entry: entry.header_offset):
        if entry.header_offset < end:
            raise no("lies over another file", entry.orig_filename)
        if not end and entry.header_offset:
            raise no("has something in front of its first file")
        end = entry.header_offset + _LOCAL_HEAD + entry.compress_size
        if end > directory:
            raise no("does not end where it should", entry.orig_filename)


def _wrong_name(name: str) -> str:
    if not name or len(name) > MOST_NAME or not name.isprintable():
        return "has a name that no file should have"
    if name.startswith("/") or name[1:2] == ":" or "\\" in name:
        return "has the name of a place on some computer"
    if name.endswith("/"):
        return "is a folder of its own"
    if any(part in ("", ".", "..") for part in name.split("/")):
        return "leads out of the archive"
    return ""


def _wrong_kind(entry: zipfile.ZipInfo) -> str:
    kind = stat.S_IFMT(entry.external_attr >> 16)  # Unix mode, section 4.4.15
    if kind == stat.S_IFLNK:
        return "is a link"
    if kind not in (0, stat.S_IFREG) or entry.external_attr & 0x10:  # 0x10: a folder of DOS
        return "is no plain file"
    if entry.flag_bits & _ENCRYPTED:
        return "is encrypted"
    if entry.compress_type not in (_STORED, _DEFLATED):
        return "is packed in a way that is not used here"
    return ""


def _content(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, no: Refuse) -> bytes:
    with archive.open(entry) as file:
        content = file.read(entry.file_size + 1)  # the checksum is looked at when it has ended
        more = file.read(1)
    if len(content) != entry.file_size or more:
        raise no("is not as big as it says", entry.filename)
    return content

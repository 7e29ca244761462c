"""Reading with a limit: kind and size first, one way for all."""

from __future__ import annotations

import ast
import errno
import os
from pathlib import Path

import pytest

from bridge.errors import InputError
from bridge.files.read import open_file, read_bytes, read_input, read_start, refuse_special, too_big

PACKAGE = Path(__file__).parents[2] / "bridge"
# These read what comes with the program, what they have just written themselves, or the kernel's own.
OWN_FILES = {
    "commands/doctor.py",
    "commands/install.py",
    "commands/scope.py",
    "demo/__init__.py",
    "demo/working.py",
    "files/reference.py",
    "paper/manual.py",
    "paper/page_pictures.py",
    "player/realtime.py",
    "supervisor/failsafe.py",
    "supervisor/health.py",
    "supervisor/lastwords.py",
    "supervisor/service_child.py",
    "web/paper_http.py",
    "web/static.py",
}


def test_a_file_of_exactly_the_limit_is_read_and_one_byte_more_is_not(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"12345678")
    assert read_bytes(path, 8) == b"12345678"
    assert read_start(path, 3) == b"123"
    with pytest.raises(OSError, match="is too big") as error:
        read_bytes(path, 7)
    assert error.value.errno == errno.EFBIG


def test_a_file_that_says_nothing_of_its_size_is_read_to_the_limit() -> None:
    """proc(5): most files there claim 0 bytes."""
    path = Path("/proc/self/status")
    assert path.stat().st_size == 0
    assert read_bytes(path, 1 << 20).startswith(b"Name:")
    with pytest.raises(OSError, match="is too big"):
        read_bytes(path, 10)


@pytest.mark.parametrize(
    ("name", "said"),
    [("folder", "is a folder"), ("pipe", "is a pipe"), ("/dev/zero", "is a device")],
)
def test_what_is_no_file_is_not_opened(tmp_path: Path, name: str, said: str) -> None:
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "pipe")
    path = tmp_path / name
    for read in (open_file, refuse_special, lambda p: read_bytes(p, 9), lambda p: read_start(p, 9)):
        with pytest.raises(OSError, match=said):
            read(path)
    with pytest.raises(InputError, match=said):
        read_input(path, 9)


def test_a_name_with_a_nul_is_refused_in_words() -> None:
    with pytest.raises(InputError, match="is not the name of a file"):
        read_input(Path("a\0b"), 9)


def test_limits_are_said_in_units_of_people() -> None:
    assert too_big(256 << 10) == "is too big: the limit is 256 KiB"
    assert too_big(4 << 20) == "is too big: the limit is 4 MiB"


def reads_files(node: ast.AST) -> bool:
    """A path's own way to read all of itself, or `open` for reading (a mode or an encoding)."""
    if isinstance(node, ast.Attribute):
        return node.attr in ("read_text", "read_bytes")
    if not isinstance(node, ast.Call):
        return False
    called = node.func.attr if isinstance(node.func, ast.Attribute) else ast.unparse(node.func)
    modes = {arg.value for arg in node.args if isinstance(arg, ast.Constant)}
    named = {word.arg for word in node.keywords}
    plain = isinstance(node.func, ast.Name) or bool(modes & {"r", "rb"}) or "encoding" in named
    return called == "open" and plain


def test_nothing_else_reads_files_that_others_have_written() -> None:
    found = {
        str(path.relative_to(PACKAGE))
        for path in PACKAGE.rglob("*.py")
        if any(map(reads_files, ast.walk(ast.parse(path.read_text(encoding="utf-8")))))
    }
    assert found == OWN_FILES

"""Where commands write: looked at before the work begins, written whole, said in one line.

A file that a command reads is never written over, whatever its name; nor is one with another
ending than the command's own, for that is most likely a rig, a set or a profile.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

import click

from bridge.commands.talk import note
from bridge.errors import BridgeError, MachineError, printable


def check_out(
    out: Path,
    endings: tuple[str, ...],
    inputs: Iterable[Path],
    option: str = "--out",
    *,
    prints: bool = False,
) -> None:
    """Refuses a file that this command should not or cannot write.

    Args:
        out: the file to write.
        endings: what its name may end in, such as ``.html``.
        inputs: the files that the command reads.
        option: the option that named it, for messages.
        prints: whether ``-`` is allowed, for printing it.

    Raises:
        click.BadParameter: the name has another ending.
        BridgeError: it is one of the inputs, a folder, a pipe..., or its folder is not there or
            may not be written to.
    """
    from bridge.files.read import reason, refuse_special

    if prints and is_stdout(out):
        return
    for read in inputs:
        if _same(out, read):
            raise BridgeError(
                f"{printable(str(out))}  is read by this command and would be lost; "
                f"write to another file, such as {printable(read.stem)}{endings[0]}"
            )
    if out.suffix.lower() not in endings:
        raise click.BadParameter(
            f"{printable(out.name)!r} must end in {' or '.join(endings)}", param_hint=option
        )
    folder = Path(os.path.realpath(out)).parent
    named = printable(str(folder if out.is_symlink() else out.parent))
    try:
        refuse_special(out)
        if not folder.exists():
            raise _refused(out, f"there is no folder {named}")
        if not folder.is_dir():
            raise _refused(out, f"{named} is a file, not a folder")
        if not os.access(folder, os.W_OK | os.X_OK):
            raise _refused(out, f"the folder {named} may not be written to")
    except OSError as error:
        raise _refused(out, reason(error)) from error


def check_new(out: Path, endings: tuple[str, ...], inputs: Iterable[Path]) -> None:
    """As `check_out`; a file that is there is refused as well: it may be a set somebody made.

    Args:
        out: the file to write, named by ``--out``; ``-`` is not allowed.
        endings: what its name may end in, such as ``.yaml``.
        inputs: the files that the command reads.

    Raises:
        click.BadParameter: the name has another ending.
        BridgeError: it is there already, or cannot be written as `check_out` says.
    """
    check_out(out, endings, inputs)
    if out.exists():
        raise BridgeError(f"{printable(str(out))}  is there already; choose another name")


def is_stdout(out: Path) -> bool:
    """Whether ``-`` was given: the output goes where it is printed, to be piped on."""
    return str(out) == "-"


def written(out: Path, words: str) -> None:
    """Says what was written where, beside the output and never in it.

    Args:
        out: the file; for ``-`` this goes to standard error.
        words: what it holds, such as ``8 bars of Low tide``.
    """
    note(f"{out}: {words}", err=is_stdout(out))


def check_folder(folder: Path, *, to_write: bool = False) -> None:
    """Refuses a folder that cannot be used.

    Args:
        folder: it must be there already.
        to_write: files are to be written there, not only read.

    Raises:
        BridgeError: there is no such folder, or it may not be read or written to.
    """
    named = printable(str(folder))
    try:
        folder.stat()
    except FileNotFoundError:
        raise BridgeError(f"{named}  is not there; make that folder first") from None
    except OSError as error:
        raise BridgeError(f"{named}  is no folder: {error.strerror or error}") from error
    if not folder.is_dir():
        raise BridgeError(f"{named}  is a file, not a folder")
    if not os.access(folder, os.R_OK | os.X_OK | (os.W_OK if to_write else 0)):
        raise BridgeError(f"{named}  may not be {'written to' if to_write else 'read'}")


def write_out(out: Path, data: str | bytes) -> None:
    """Writes a file whole or not at all, over what is there.

    Args:
        out: the file; ``-`` prints the data instead.
        data: its bytes, or text, which becomes UTF-8.

    Raises:
        MachineError: it cannot be written.
    """
    from bridge.files.read import reason
    from bridge.files.store import write_atomic

    if is_stdout(out):
        click.echo(data, nl=False)
        return
    try:
        write_atomic(out, data)
    except OSError as error:
        raise cannot_write(out, reason(error)) from error


def save_out(out: Path, data: str | bytes) -> Path | None:
    """As `write_out`, but a dated copy of what was there is kept.

    Args:
        out: the file; ``-`` prints the data instead.
        data: its bytes, or text, which becomes UTF-8.

    Returns:
        The copy; None when there was nothing, or nothing else.

    Raises:
        MachineError: it cannot be written, or what is there cannot be copied.
    """
    from bridge.files.read import reason
    from bridge.files.store import save

    if is_stdout(out):
        write_out(out, data)
        return None
    try:
        return save(out, data, datetime.now())
    except OSError as error:
        raise cannot_write(out, reason(error)) from error


def cannot_write(path: Path, why: str) -> MachineError:
    """``patch.html  cannot be written: no space left on device``."""
    return MachineError(_cannot(path, why))


def _refused(path: Path, why: str) -> BridgeError:
    """The same of a path that a person has named and that no file can be written under."""
    return BridgeError(_cannot(path, why))


def _cannot(path: Path, why: str) -> str:
    return f"{printable(str(path))}  cannot be written: {why}"


def _same(out: Path, read: Path) -> bool:
    try:
        return os.path.samefile(out, read)
    except (OSError, ValueError):
        return False

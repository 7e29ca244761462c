"""``doctor``: looks at everything that usually goes wrong, and says what to do.

What a running program knows is asked of it; the rest is looked at here. ``--bundle`` writes all of
it into one file to send to somebody who helps, without the token and without addresses of others.
"""

from __future__ import annotations

import contextlib
import json
import os
import platform
import shutil
import sys
import time
from collections.abc import Iterator, Mapping
from dataclasses import asdict, is_dataclass
from pathlib import Path
from typing import Any

import click

from bridge import __version__
from bridge.control.health import Finding, worst
from bridge.errors import BridgeError, Exit, InputError, PortError, printable
from bridge.protocol.ports import HTTP_PORT, OSC_PORT

ROOM_MB = 50
FILE_BYTES = 1 << 20
PACKAGES = ("aiohttp", "click", "mido", "pydantic", "python-osc", "python-rtmidi", "pyyaml")
BUILT = time.struct_time((2025, 1, 1, 0, 0, 0, 2, 1, 0))
"""A computer that says it is earlier than this has lost its time."""
SIGNS = {"ok": "ok     ", "warning": "look   ", "failing": "FAILING"}
SYSTEM = Path("/sys/devices/system/cpu")


def looked_at(rig: Path | None, set_file: Path | None, address: str | None) -> Iterator[Finding]:
    """Everything, one after the other; nothing here raises."""
    from bridge.supervisor.folders import state_folder

    yield from versions()
    yield from rights()
    yield from midi()
    yield from disk(state_folder())
    yield from time_of_day(time.time())
    yield from processor(SYSTEM)
    if rig is not None:
        yield from files(rig, set_file)
    yield from running(address)


def versions() -> Iterator[Finding]:
    from importlib import metadata

    yield Finding("version", "ok", f"{__version__}, Python {platform.python_version()}")
    for name in PACKAGES:
        try:
            metadata.version(name)
        except metadata.PackageNotFoundError:
            yield Finding(
                f"package {name}", "warning", "is not installed", "install the program again"
            )


def rights() -> Iterator[Finding]:
    """What the player asks the system for: getrlimit(2)."""
    from bridge.player.realtime import PRIORITY

    help_text = "systemd/README.md says how to allow it; then log in again"
    try:
        import resource
    except ImportError:
        return
    if not hasattr(resource, "RLIMIT_RTPRIO") or os.geteuid() == 0:
        return
    allowed, _ = resource.getrlimit(resource.RLIMIT_RTPRIO)
    if allowed != resource.RLIM_INFINITY and allowed < PRIORITY:
        says = f"real-time priority up to {allowed} is allowed, {PRIORITY} is wanted"
        yield Finding("rights", "warning", says, help_text)
    locked, _ = resource.getrlimit(resource.RLIMIT_MEMLOCK)
    if locked != resource.RLIM_INFINITY and locked < 256 << 20:
        says = f"only {locked >> 20} MB of memory may be locked"
        yield Finding("rights", "warning", says, help_text)


def midi() -> Iterator[Finding]:
    from bridge import ports

    try:
        ports.warm()
    except PortError as error:
        yield Finding(
            "MIDI",
            "warning",
            str(error),
            "load snd-seq or start a JACK server; the demo needs none",
        )
        return
    names = [port.name for port in ports.list_ports() if port.way == "out" and port.usable]
    if names:
        yield Finding("MIDI", "ok", f"outputs: {', '.join(map(printable, names))}")
    else:
        yield Finding("MIDI", "warning", "there is no output", "plug the interface in")


def disk(folder: Path) -> Iterator[Finding]:
    there = folder
    while not there.exists():
        there = there.parent
    if not os.access(there, os.W_OK):
        yield Finding(
            "disk",
            "warning",
            f"{folder} cannot be written: nothing is kept for a power cut",
            "set XDG_STATE_HOME to a folder that can be written",
        )
        return
    free = shutil.disk_usage(there).free >> 20
    if free < ROOM_MB:
        yield Finding("disk", "warning", f"{free} MB are free for {folder}", "make room")
    else:
        yield Finding("disk", "ok", f"{free} MB are free for {folder}")


def time_of_day(now: float) -> Iterator[Finding]:
    if now < time.mktime(BUILT):
        yield Finding(
            "time",
            "warning",
            f"this computer says {time.strftime('%Y-%m-%d', time.localtime(now))}",
            "dated copies get wrong dates: set the time, or give it a network (playing needs none)",
        )


def processor(system: Path) -> Iterator[Finding]:
    """Linux cpufreq and thermal_throttle in sysfs; nothing is said where there is neither."""
    governors = {
        path.read_text().strip() for path in system.glob("cpu[0-9]*/cpufreq/scaling_governor")
    }
    slow = sorted(governors - {"performance"})
    if slow:
        yield Finding(
            "processor",
            "warning",
            f"its speed is governed by {', '.join(slow)}",
            "the governor performance keeps it awake: systemd/README.md",
        )
    counts = [path.read_text().strip() for path in system.glob("cpu*/thermal_throttle/*_count")]
    hot = sum(int(count) for count in counts if count.isdecimal())
    if hot:
        yield Finding(
            "processor", "warning", f"it was throttled {hot} times for heat", "let it have air"
        )
    if hasattr(os, "getloadavg") and (load := os.getloadavg()[0]) > 2 * (os.cpu_count() or 1):
        yield Finding(
            "processor", "warning", f"{load:.1f} programs want it at once", "end other programs"
        )


def files(rig: Path, set_file: Path | None) -> Iterator[Finding]:
    from bridge.files.rig import load_rig
    from bridge.files.set import load_set

    try:
        loaded = load_rig(rig)
        if set_file is not None:
            load_set(set_file, loaded)
    except InputError as error:
        says = str(error.problems[0])
        yield Finding("files", "failing", says, "`lanebridge check` shows all that is wrong")
        return
    yield Finding("files", "ok", "rig and set load" if set_file else "the rig loads")


def running(address: str | None) -> Iterator[Finding]:
    """What a program that runs says of itself, or whether another could be started."""
    from bridge.errors import PlayerError
    from bridge.supervisor.free_ports import try_network_ports

    try:
        answer = asked(address, "healthz")
    except (OSError, ValueError, PlayerError):
        try:
            try_network_ports("127.0.0.1", HTTP_PORT, OSC_PORT)
        except BridgeError as error:
            yield Finding("network", "warning", str(error).replace("\n", "; "), "end what has it")
        else:
            yield Finding("program", "ok", "does not run here; its network ports are free")
        return
    yield Finding("program", "ok", "runs")
    for row in answer.get("findings", ()):
        yield Finding(row["what"], row["level"], row["says"], row["do"])


def asked(address: str | None, what: str) -> Any:
    """What the running program answers. Raises OSError or ValueError."""
    import urllib.error
    import urllib.request

    from bridge.commands.ctl import target_of
    from bridge.protocol.ports import ADDRESS

    target = target_of(address)
    headers = {} if target.token is None else {"Authorization": f"Bearer {target.token}"}
    request = urllib.request.Request(
        f"{(target.address or ADDRESS).rstrip('/')}/{what}", headers=headers
    )
    try:
        with urllib.request.urlopen(request, timeout=3) as answer:
            return json.load(answer)
    except urllib.error.HTTPError as error:
        if error.code != 503:
            raise
        return json.load(error)


# --- for somebody who helps ---------------------------------------------------------------------


def bundle(
    found: list[Finding], rig: Path | None, set_file: Path | None, address: str | None
) -> bytes:
    """A zip archive of what was found, of the files, and of what the running program shows; without
    the token, wherever it stands."""
    from bridge.files.read import read_bytes
    from bridge.files.token import read_token
    from bridge.supervisor.folders import state_folder

    parts: dict[str, str] = {
        "findings.json": json.dumps([row._asdict() for row in found], indent=1),
        "system.json": json.dumps(_system(), indent=1),
    }
    try:
        state = asked(address, "api/state")
        state.pop("links", None)  # hosts of others
        parts["state.json"] = json.dumps(state, indent=1, default=_plain)
    except (OSError, ValueError, BridgeError):
        pass
    for path in _files_of(rig, set_file):
        with contextlib.suppress(OSError):
            text = read_bytes(path, FILE_BYTES).decode("utf-8", "replace")
            parts[f"files/{path.name}"] = text
    token = read_token(state_folder())
    import zipfile
    from io import BytesIO

    out = BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in parts.items():
            archive.writestr(name, text.replace(token, "(token)") if token else text)
    return out.getvalue()


def _plain(value: object) -> object:
    return asdict(value) if is_dataclass(value) and not isinstance(value, type) else str(value)


def _system() -> Mapping[str, object]:
    from importlib import metadata

    found = {}
    for name in PACKAGES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "missing"
    return {
        "lanebridge": __version__,
        "python": sys.version,
        "system": f"{platform.system()} {platform.release()} {platform.machine()}",
        "processors": os.cpu_count(),
        "packages": found,
    }


def _files_of(rig: Path | None, set_file: Path | None) -> list[Path]:
    from bridge.commands.install import beside

    wanted = [path for path in (rig, set_file) if path is not None]
    if rig is not None:
        wanted += beside(rig)
    return wanted


@click.command(
    help=(
        "Looks at everything that usually goes wrong, and says what to do.\n\n"
        "With RIG and SET, at these too; a program that runs is asked how it is."
    )
)
@click.argument("rig", type=click.Path(path_type=Path), required=False)
@click.argument("set_file", metavar="SET", type=click.Path(path_type=Path), required=False)
@click.option("--address", help="Of a running program, as for `ctl`.")
@click.option(
    "--bundle",
    "out",
    type=click.Path(path_type=Path),
    help="Write all of it to FILE.zip, for somebody who helps; without the token.",
)
@click.pass_context
def command(
    context: click.Context,
    rig: Path | None,
    set_file: Path | None,
    address: str | None,
    out: Path | None,
) -> None:
    from bridge.commands.outfile import check_out
    from bridge.commands.talk import least, note
    from bridge.files.store import write_atomic

    if out is not None:
        check_out(out, (".zip",), [path for path in (rig, set_file) if path], "--bundle")
    found = []
    for finding in looked_at(rig, set_file, address):
        found.append(finding)
        if finding.level == "ok" and least() == "warning":
            continue
        click.echo(f"{SIGNS[finding.level]} {finding.what}: {printable(finding.says)}")
        if finding.do:
            click.echo(f"        {finding.do}")
    wrong = any(row.what == "files" and row.level == "failing" for row in found)
    if out is not None and wrong:
        click.echo("no bundle is written: mend the files, or leave them out")
    elif out is not None:
        write_atomic(out, bundle(found, rig, set_file, address), mode=0o600)
        note(f"wrote {printable(str(out))}")
    for finding in found:
        if finding.level == "failing":
            click.echo(printable(finding.says), err=True)
    context.exit(Exit.WRONG if worst(found) == "failing" else Exit.GOOD)

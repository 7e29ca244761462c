"""What no process of ours loads, and that nothing is missing without it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from support.patience import PATIENCE_S

ROOT = Path(__file__).parents[2]
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
"""SHA-256 of "abc" (FIPS 180-4; NIST, "Examples with Intermediate Values", SHA-256)."""
JEFE = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
"""HMAC-SHA-256 of `QUESTION` by the key `Jefe` (RFC 4231, section 4.3)."""
QUESTION = "what do ya want for nothing?"


def said_by(folder: Path, code: str, first: Path = ROOT) -> list[str]:
    """What a module of this code prints as a child of the supervisor; `first` is where modules are
    looked for first."""
    (folder / "probe.py").write_text(code)
    words = [sys.executable, "-m", "bridge.supervisor.child", "probe"]
    path = {"PYTHONPATH": f"{first}:{ROOT}:{folder}"}
    run = subprocess.run(
        words, capture_output=True, text=True, check=True, timeout=PATIENCE_S, env=path
    )
    assert run.stderr == ""
    return run.stdout.split()


def test_the_service_loads_neither_tls_nor_openssl(tmp_path: Path) -> None:
    code = "import sys, bridge.service.__main__; print(*(n for n, m in sys.modules.items() if m))"
    loaded = set(said_by(tmp_path, code))
    assert "bridge.service.app" in loaded
    assert loaded & {"ssl", "_ssl", "_hashlib"} == set()


def test_the_service_loads_no_client_no_plugins_and_no_cpp(tmp_path: Path) -> None:
    """What stands in for a module has no file."""
    code = (
        "import sys, bridge.service.__main__\n"
        "print(*(n for n, m in sys.modules.items() if getattr(m, '__file__', None)))\n"
        "print(*{row.split()[-1].rpartition('/')[2] for row in open('/proc/self/maps')})"
    )
    loaded = set(said_by(tmp_path, code))
    assert {"bridge.service.app", "aiohttp.web", "pydantic"} <= loaded
    seldom = {"argparse", "difflib", "email.policy", "html.entities", "idna", "statistics"}
    seldom |= {"bridge.paper.trial", "urllib.request", "zipfile", "zoneinfo"}
    client = {"aiohttp.client", "aiohttp.connector", "http.client"}
    assert loaded & {*client, *seldom, "importlib.metadata"} == set()
    assert not [name for name in loaded if name.startswith("libstdc++")]


def test_what_was_left_out_says_so_and_is_there_for_others(tmp_path: Path) -> None:
    code = (
        "import aiohttp, importlib.metadata, pydantic\n"
        "assert importlib.metadata.entry_points\n"
        "class Model(pydantic.BaseModel):\n    a: int\n"
        "assert Model(a=1).a == 1\n"
        "try:\n    aiohttp.ClientSession()\n"
        "except RuntimeError as error:\n    print('left out' in str(error))"
    )
    assert said_by(tmp_path, code) == ["True"]


def test_what_is_seldom_needed_comes_when_it_is(tmp_path: Path) -> None:
    """Named characters (HTML, section 13.5), and the name of a computer in other letters (the
    example of RFC 3492, section 7.1, (E), as the host of an address)."""
    code = (
        "import html, html.entities, sys\n"
        "print(ascii(html.unescape('&half;&nosuchname;&lt')))\n"
        "print(len(html.entities.html5))\n"
        "import yarl\n"
        "name = '\\u05dc\\u05de\\u05d4\\u05d4\\u05dd\\u05e4\\u05e9\\u05d5\\u05d8"
        "\\u05dc\\u05d0\\u05de\\u05d3\\u05d1\\u05e8\\u05d9\\u05dd"
        "\\u05e2\\u05d1\\u05e8\\u05d9\\u05ea'\n"
        "print(yarl.URL(f'http://{name}/').raw_host)\n"
    )
    assert said_by(tmp_path, code) == [
        "'\\xbd&nosuchname;<'",
        "2231",
        "xn--4dbcagdahymbxekheh6e0a7fei0b",
    ]


def test_a_header_of_http_is_read_as_ever(tmp_path: Path) -> None:
    """A media type with parameters (RFC 9110, section 8.3.1)."""
    code = (
        "import sys, aiohttp.helpers\n"
        "print('email.policy' in sys.modules)\n"
        "kind, more = aiohttp.helpers.parse_content_type('text/html;charset=\"utf-8\"')\n"
        "print(kind, *more.items())\n"
        "print('email.policy' in sys.modules)\n"
    )
    said = said_by(tmp_path, code)
    assert said == ["False", "text/html", "('charset',", "'utf-8')", "True"]


def test_a_version_that_does_not_do_without_is_loaded_whole(tmp_path: Path) -> None:
    """A library of the same names that reads a constant of its client when it is loaded."""
    package = tmp_path / "aiohttp"
    package.mkdir()
    (package / "__init__.py").write_text("from .client import LIMIT\nTWICE = 2 * LIMIT\n")
    (package / "client.py").write_text("LIMIT = 21\n")
    (package / "web.py").write_text("")
    loader = tmp_path / "pydantic" / "plugin"
    loader.mkdir(parents=True)
    (loader / "__init__.py").write_text("")
    (loader / "_loader.py").write_text("from importlib.metadata import version\nA = version('x')\n")
    (loader.parent / "__init__.py").write_text("")
    code = (
        "import aiohttp, importlib.metadata, sys\n"
        "print(aiohttp.TWICE, 'pydantic.plugin._loader' in sys.modules)\n"
        "print(importlib.metadata.__file__ is not None)"
    )
    assert said_by(tmp_path, code, first=tmp_path) == ["42", "False", "True"]


def test_nor_does_who_watches_over_it() -> None:
    code = (
        "import sys, bridge.cli\n"
        "from bridge.supervisor.ahead import begun_ahead\n"
        "with begun_ahead():\n"
        "    import bridge.supervisor.supervise\n"
        "print(*(n for n, m in sys.modules.items() if m))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert set(run.stdout.split()) & {"ssl", "_ssl", "_hashlib"} == set()


def test_digests_are_the_same_without_openssl(tmp_path: Path) -> None:
    code = (
        "import hashlib, hmac\n"
        "print(hashlib.sha256(b'abc').hexdigest())\n"
        f"print(hmac.new(b'Jefe', b'{QUESTION}', 'sha256').hexdigest())\n"
    )
    assert said_by(tmp_path, code) == [ABC, JEFE]


def test_where_python_has_no_digests_of_its_own_openssl_stays() -> None:
    code = (
        "import sys, bridge.supervisor.unneeded as u\n"
        "u.OWN_DIGESTS = ('_md5', '_not_there')\n"
        "u.leave_out_openssl_digests(); print('_hashlib' in sys.modules)\n"
        "u.OWN_DIGESTS = ('_md5',)\n"
        "u.leave_out_openssl_digests(); print('_hashlib' in sys.modules)\n"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.split() == ["False", "True"]

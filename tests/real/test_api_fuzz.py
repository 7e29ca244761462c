"""The live service against its own description, by a fuzzer of another make."""

from __future__ import annotations

import asyncio
import shutil
import sys
from pathlib import Path
from typing import Any

import pytest

CONFIG = Path(__file__).with_name("schemathesis.toml")
EXAMPLES = 10  # for each operation and phase: half a minute on two quiet cores


@pytest.mark.real
@pytest.mark.slow
@pytest.mark.timeout(900)
async def test_the_service_does_what_its_description_says(stage: Any, needs: Any) -> None:
    needs("python:schemathesis")
    program = shutil.which("schemathesis", path=str(Path(sys.executable).parent))
    assert program is not None
    process = await asyncio.create_subprocess_exec(
        program,
        "--config-file",
        str(CONFIG),
        "run",
        f"{stage.base}/openapi.json",
        "--checks=all",
        "--phases=examples,coverage,fuzzing",
        f"--max-examples={EXAMPLES}",
        "--exclude-operation-id=openPack",  # it cannot make archives; tests/files/test_pack.py does
        "--seed=1",
        "--request-timeout=30",
        "--no-color",
        cwd=stage.folder,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
    )
    said, _ = await process.communicate()
    assert process.returncode == 0, said.decode(errors="replace")[-8000:]

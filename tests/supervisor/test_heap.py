"""The heap of the process that watches, as the C library itself describes it (malloc_info(3))."""

from __future__ import annotations

import os
import re
import subprocess
import sys

import pytest

from bridge.supervisor.heap import LARGE

CODE = """
import ctypes, sys, threading
from bridge.supervisor import heap

if sys.argv[1] == "small":
    assert heap.keep_small()
libc = ctypes.CDLL(None)
libc.malloc.restype = ctypes.c_void_p
libc.malloc.argtypes = [ctypes.c_size_t]
libc.free.argtypes = [ctypes.c_void_p]
# A large block that is freed: from then on glibc takes no block of that size for large.
libc.free(libc.malloc(1 << 20))
threads = [threading.Thread(target=lambda: libc.malloc(5000)) for _ in range(4)]
for thread in threads:
    thread.start()
    thread.join()
before = int(sys.argv[2])
blocks = [libc.malloc(before) for _ in range(4)]
libc.fopen.restype = ctypes.c_void_p
libc.malloc_info(0, ctypes.c_void_p(libc.fopen(b"/dev/stdout", b"w")))
libc.fflush(None)
"""


def info(how: str) -> tuple[int, int]:
    """How many heaps there are, and how many blocks with pages of their own, after four threads and
    four blocks of `LARGE` bytes."""
    words = [sys.executable, "-c", CODE, how, str(LARGE)]
    said = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    (mapped,) = re.findall(r'<total type="mmap" count="(\d+)"', said)
    return said.count("<heap nr="), int(mapped)


@pytest.mark.skipif(
    "CS_GNU_LIBC_VERSION" not in os.confstr_names, reason="the C library is not glibc"
)
def test_threads_share_one_heap_and_large_blocks_go_back() -> None:
    heaps, mapped = info("small")
    usual_heaps, usual_mapped = info("as it is")
    assert (heaps, usual_heaps > 1) == (1, True)
    assert mapped - usual_mapped >= 4

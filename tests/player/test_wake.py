from __future__ import annotations

import select

from bridge.player.wake import Wake


def test_it_is_readable_from_the_ring_until_it_is_quiet() -> None:
    wake = Wake()
    assert select.select([wake.fd], [], [], 0)[0] == []
    for _ in range(200_000):  # more than a pipe holds
        wake.ring()
    assert select.select([wake.fd], [], [], 0)[0] == [wake.fd]
    for _ in range(10):
        wake.quiet()
    assert select.select([wake.fd], [], [], 0)[0] == []
    wake.close()

"""Wrong tokens and codes are counted for each address: a few at once, then one every few seconds."""

from __future__ import annotations

import pytest

from bridge.control.tries import HOSTS_MAX, TRIES, TRY_S, WrongTries

HOST, OTHER = "192.0.2.9", "192.0.2.4"


def spend(tries: WrongTries, host: str) -> None:
    while not tries.wait(host):
        tries.wrong(host)


def test_an_address_has_a_few_wrong_tries_at_once_and_one_comes_back_at_a_time() -> None:
    now = [100.0]
    tries = WrongTries(clock=lambda: now[0])
    for _ in range(int(TRIES)):
        assert tries.wait(HOST) == 0
        tries.wrong(HOST)
    assert tries.wait(HOST) == pytest.approx(TRY_S)
    assert tries.wait(OTHER) == 0, "another address is not told to wait"
    now[0] += TRY_S * 0.75
    assert tries.wait(HOST) == pytest.approx(TRY_S * 0.25)
    now[0] += TRY_S * 0.25
    assert tries.wait(HOST) == pytest.approx(0, abs=1e-6)
    tries.wrong(HOST)
    assert tries.wait(HOST) == pytest.approx(TRY_S)
    now[0] += TRIES * TRY_S * 100
    for _ in range(int(TRIES)):
        assert tries.wait(HOST) == 0, "no more come back than there were"
        tries.wrong(HOST)
    assert tries.wait(HOST) > 0


def test_a_right_one_forgets_the_wrong_ones_before_it() -> None:
    tries = WrongTries(clock=lambda: 5.0)
    for _ in range(int(TRIES) - 1):
        tries.wrong(HOST)
    tries.right(HOST)
    for _ in range(int(TRIES) - 1):
        tries.wrong(HOST)
    assert tries.wait(HOST) == 0


def test_the_memory_of_addresses_is_bounded_and_the_oldest_is_forgotten() -> None:
    tries = WrongTries(clock=lambda: 5.0)
    spend(tries, HOST)
    for number in range(HOSTS_MAX - 1):
        tries.wrong(f"198.51.100.{number}")
    assert tries.wait(HOST) > 0
    assert len(tries) == HOSTS_MAX
    for number in range(HOSTS_MAX):
        tries.wrong(f"203.0.113.{number}")
    assert len(tries) == HOSTS_MAX
    assert tries.wait(HOST) == 0

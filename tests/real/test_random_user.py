"""A short piece of a random user's night; `tests/bench/bench_user.py` does it for long."""

from __future__ import annotations

import random

import pytest
from support.random_user import RandomUser

pytestmark = [pytest.mark.real, pytest.mark.timeout(900)]


def test_whatever_is_done_all_views_agree_and_no_gate_stays_open() -> None:
    chance, user = random.Random(11), RandomUser()
    done = []
    try:
        for turn in range(15):
            if turn == 5:
                user.kill("service")
            if turn == 10:
                user.kill("player")
            done.append(user.step(chance))
            user.look()
    finally:
        user.teardown()
    assert len(set(done)) >= 3, done
    assert user.page.resumed + user.page.whole >= 2, "it came back after the service had gone"

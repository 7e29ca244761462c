"""How we are, in words and in numbers.

The numbers are read by another program's reader: the text format's own parser of the client library.
"""

from __future__ import annotations

from typing import Any

from prometheus_client.parser import text_string_to_metric_families

from bridge.supervisor.health import Health, Told


async def health(stage: Any) -> tuple[int, dict[str, dict[str, str]], Any]:
    status, answer, _ = await stage.call("GET", "/healthz")
    return status, {row["what"]: row for row in answer["findings"]}, answer


async def figures(stage: Any) -> dict[tuple[str, str], float]:
    async with stage.session.get(stage.base + "/metrics") as answer:
        assert answer.status == 200
        assert answer.content_type == "text/plain"
        families = list(text_string_to_metric_families(await answer.text()))
    return {
        (sample.name, ",".join(sample.labels.values())): sample.value
        for family in families
        for sample in family.samples
    }


async def test_well_is_ok_and_what_is_wrong_says_what_helps(stage: Any) -> None:
    # A player that has just come is given tunings; its answers would put its own ports back.
    await stage.until(lambda: not stage.service.tuner._tasks)
    status, found, _ = await health(stage)
    assert status == 200
    assert found["player"]["level"] == "ok"
    assert found["port main"]["do"] == ""
    ports = stage.service.session.state["ports"]
    stage.player.tell(
        {"type": "state", "ports": {**ports, "main": {**ports["main"], "open": False}}}
    )
    await stage.until(lambda: not stage.service.session.state["ports"]["main"]["open"])
    status, found, answer = await health(stage)
    assert (status, answer["status"]) == (200, "warning")
    assert "cable" in found["port main"]["do"]
    Told(stage.folder).tell(
        Health(recent_deaths=3, unkept="no space", lines_left_out=7, service_starts=2)
    )
    _, found, _ = await health(stage)
    assert "3 times" in found["restarts"]["says"]
    assert found["disk"]["says"] == "no space"
    assert "7 lines" in found["log"]["says"]


async def test_without_a_player_it_fails_with_503(stage: Any) -> None:
    await stage.player.stop()
    await stage.until(lambda: not stage.service.session.present)
    status, found, answer = await health(stage)
    assert (status, answer["status"]) == (503, "failing")
    assert "started again" in found["player"]["do"]
    assert (await figures(stage))["lanebridge_player_up", ""] == 0


async def test_figures_are_those_of_the_state(stage: Any) -> None:
    # A player that has just come is given tunings; its answers would put its own ports back.
    await stage.until(lambda: not stage.service.tuner._tasks)
    Told(stage.folder).tell(Health(player_restarts=4, service_starts=2, kept_bytes=1234))
    lateness = {
        "count": 10,
        "p50_us": 20.0,
        "p99_us": 40.0,
        "worst_us": 45.0,
        "since": 0,
        "left_out_ms": 250,
        "histogram": [[19.0, 6], [45.3, 4]],
    }
    # Told again and again: the player's own state, which may still be on its way, has none.
    while stage.service.session.state["lateness"]["count"] != 10:
        stage.player.tell({"type": "state", "lateness": lateness})
        await stage.call("GET", "/api/state")
    ports = stage.service.session.state["ports"]
    for opened in (False, True):
        stage.player.tell(
            {"type": "state", "ports": {**ports, "main": {**ports["main"], "open": opened}}}
        )
        await stage.until(
            lambda now=opened: stage.service.session.state["ports"]["main"]["open"] is now
        )
    found = await figures(stage)
    assert found["lanebridge_player_up", ""] == 1
    assert found["lanebridge_player_restarts_total", ""] == 4
    assert found["lanebridge_service_starts_total", ""] == 2
    assert found["lanebridge_kept_bytes_hour", ""] == 1234
    assert found["lanebridge_left_out_seconds", ""] == 0.25
    assert found["lanebridge_port_returns_total", "main"] == 1
    assert found["lanebridge_port_open", "main"] == 1
    assert found["lanebridge_lateness_seconds_bucket", "1.9e-05"] == 6
    assert found["lanebridge_lateness_seconds_bucket", "+Inf"] == 10
    assert sum(value for (name, _), value in found.items() if name == "lanebridge_clock") == 1

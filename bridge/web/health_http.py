"""How we are, for programs that watch: ``/healthz`` in words, ``/metrics`` in numbers."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Literal, get_args

from aiohttp import web

from bridge.control.health import findings, worst
from bridge.control.session import Session
from bridge.control.stream import StateChanged
from bridge.protocol.state import ClockWord, LinksState, PlayerReport, State
from bridge.supervisor import health
from bridge.web import bodies as b
from bridge.web.http import Route

if TYPE_CHECKING:
    from prometheus_client.core import Metric

CLOCK_STATES = get_args(ClockWord)


class HealthFinding(b.Answer):
    """`level`: ok, warning or failing; `do`: what helps, empty where all is well."""

    what: str
    level: Literal["ok", "warning", "failing"]
    says: str
    do: str


class HealthAnswer(b.Answer):
    """The worst level of all that was looked at, and each of it."""

    status: Literal["ok", "warning", "failing"]
    findings: list[HealthFinding]


class Watching:
    """Answers both; counts ports that have come back since this service began."""

    def __init__(self, session: Session, full: Callable[[], State], folder: Path) -> None:
        self._session = session
        self._full = full
        self._folder = folder
        self._open: dict[str, bool] = {}
        self._back: dict[str, int] = {}
        session.stream.on(StateChanged, self._changed)

    def routes(self) -> list[Route]:
        return [
            Route(
                "GET",
                "/healthz",
                "health",
                "How we are, and what helps. Status 200 unless something fails, then 503.",
                self._health,
                answer=HealthAnswer,
                errors=(503,),
            ),
            Route(
                "GET",
                "/metrics",
                "metrics",
                "Figures in the text format of Prometheus.",
                self._metrics,
                media="text/plain",
            ),
        ]

    def _changed(self, event: StateChanged) -> None:
        if "ports" not in event.keys:
            return
        for name, port in self._session.state.get("ports", {}).items():
            if port["open"] and self._open.get(name) is False:
                self._back[name] = self._back.get(name, 0) + 1
            self._open[name] = port["open"]

    async def _health(self, request: web.Request, query: object) -> web.Response | HealthAnswer:
        found = findings(self._full(), self._session.present, health.read(self._folder))
        answer = HealthAnswer(
            status=worst(found), findings=[HealthFinding(**row._asdict()) for row in found]
        )
        if answer.status != "failing":
            return answer
        return web.Response(
            status=503,
            text=answer.model_dump_json(),
            content_type="application/json",
            headers={"Cache-Control": "no-store"},
        )

    async def _metrics(self, request: web.Request, query: object) -> web.Response:
        # Here, since most never ask: it takes a while to load.
        from prometheus_client import CollectorRegistry
        from prometheus_client.exposition import CONTENT_TYPE_LATEST, generate_latest

        registry = CollectorRegistry(auto_describe=False)
        registry.register(_Figures(list(self._figures())))
        return web.Response(
            body=generate_latest(registry),
            headers={"Content-Type": CONTENT_TYPE_LATEST, "Cache-Control": "no-store"},
        )

    def _figures(self) -> Iterator[Metric]:
        state = self._full()
        yield _gauge("player_up", "Whether the player is there", self._session.present)
        yield from _of_player(state)
        back = {name: float(self._back.get(name, 0)) for name in state.get("ports", {})}
        yield _by("counter", "port_returns", "Ports that came back", "interface", back)
        yield from _of_links(state.get("links"))
        yield from _of_supervisor(health.read(self._folder))


def _gauge(name: str, says: str, value: float) -> Metric:
    from prometheus_client.core import GaugeMetricFamily

    return GaugeMetricFamily(f"lanebridge_{name}", says, value=value)


def _counter(name: str, says: str, value: float) -> Metric:
    from prometheus_client.core import CounterMetricFamily

    return CounterMetricFamily(f"lanebridge_{name}", says, value=value)


def _by(
    kind: Literal["gauge", "counter"], name: str, says: str, label: str, rows: Mapping[str, float]
) -> Metric:
    from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily

    make = GaugeMetricFamily if kind == "gauge" else CounterMetricFamily
    family = make(f"lanebridge_{name}", says, labels=[label])
    for what, value in rows.items():
        family.add_metric([what], value)
    return family


def _of_player(state: PlayerReport) -> Iterator[Metric]:
    from prometheus_client.core import HistogramMetricFamily

    late = state.get("lateness")
    if late is not None:
        buckets, seen = [], 0
        for upper_us, count in late["histogram"]:
            seen += int(count)
            buckets.append((repr(upper_us / 1e6), seen))
        family = HistogramMetricFamily(
            "lanebridge_lateness_seconds", "How late messages left, by upper bounds"
        )
        # Their sum is not counted, so it is not given.
        family.add_metric([], [*buckets, ("+Inf", late["count"])], sum_value=None)
        yield family
        yield _gauge("left_out_seconds", "What was left out", late["left_out_ms"] / 1000)
    open_now = {name: float(port["open"]) for name, port in state.get("ports", {}).items()}
    yield _by("gauge", "port_open", "Whether a port is open", "interface", open_now)
    clock = state.get("clock")
    if clock is not None:
        now = {name: float(name == clock["state"]) for name in CLOCK_STATES}
        yield _by("gauge", "clock", "The state of the clock", "state", now)
        if clock["jitter_ms"] is not None:
            jitter_s = clock["jitter_ms"] / 1000
            yield _gauge("clock_jitter_seconds", "Jitter of the clock", jitter_s)
        if clock["tempo"] is not None:
            yield _gauge("tempo_bpm", "The tempo", clock["tempo"])


def _of_links(links: LinksState | None) -> Iterator[Metric]:
    if links is None:
        return
    yield _gauge("pages", "Pages that are connected", links["pages"])
    yield _gauge("subscribers", "Who gets OSC feedback", links["subscribers"])
    yield _counter("dropped", "Pages that did not read", links["dropped"])
    yield _counter("forbidden", "Requests that were not let in", links["forbidden"])
    yield _counter("too_many", "Commands over their client's budget", links["too_many"])
    yield _counter("lost", "OSC datagrams dropped before they were read", links["lost"])
    osc = {what: float(count) for what, count in links["osc"].items()}
    yield _by("counter", "osc_messages", "OSC messages by what became of them", "what", osc)


def _of_supervisor(told: health.Health | None) -> Iterator[Metric]:
    if told is None:
        return
    yield _counter("player_restarts", "Players that were started again", told.player_restarts)
    yield _counter("service_starts", "Services that were started", told.service_starts)
    yield _gauge("kept_bytes_hour", "Written in an hour by itself", told.kept_bytes)
    yield _counter("take_rows_lost", "Rows of takes that were not recorded", told.lost_of_takes)
    yield _gauge("recent_deaths", "Players that ended within a minute", told.recent_deaths)


class _Figures:
    """What a registry asks for its figures."""

    def __init__(self, families: list[Metric]) -> None:
        self._families = families

    def collect(self) -> list[Metric]:
        return self._families

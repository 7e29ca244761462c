"""The service as a whole: what is made, in which order, and how it ends."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import logging
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from pathlib import Path

from aiohttp import web

from bridge.bench.aligner import Aligner
from bridge.bench.live_scope import Scope
from bridge.bench.soundchecker import Soundchecker
from bridge.bench.tuner import Tuner
from bridge.bench.workbench import Workbench
from bridge.control.access import Access
from bridge.control.addresses import lan_address
from bridge.control.devices import Device, Devices
from bridge.control.door import Control
from bridge.control.player_client import PlayerLink
from bridge.control.remembered import Remembered
from bridge.control.session import Session
from bridge.control.stream import BenchChanged, Stream
from bridge.control.view import Additions, View
from bridge.desk.controllers import Controllers
from bridge.files.slots import Slots
from bridge.osc.server import Osc
from bridge.protocol.ports import HTTP_PORT, OSC_PORT
from bridge.protocol.state import LinksState
from bridge.session.chart import Charts
from bridge.session.continuing import Continuing
from bridge.session.instep import InStep
from bridge.session.keeper import Keeper
from bridge.session.lasting import Lasting
from bridge.session.setbook import SetBook
from bridge.session.varying import Varying
from bridge.supervisor.voice import Level
from bridge.web.align_http import align_routes
from bridge.web.api_page import add_api_page, names_in
from bridge.web.command_http import command_routes, history_route
from bridge.web.controllers_http import controller_routes
from bridge.web.devices_http import device_routes
from bridge.web.discovery import Discovery
from bridge.web.edit_http import edit_routes
from bridge.web.entrance import Entrance
from bridge.web.gate import Gate, add_headers
from bridge.web.health_http import Watching
from bridge.web.http import Route, add_routes, state_route
from bridge.web.keeping_http import keeping_routes
from bridge.web.listen_http import input_routes
from bridge.web.live import Live
from bridge.web.openapi import describe
from bridge.web.osc_http import osc_route
from bridge.web.paper_http import paper_routes
from bridge.web.problems import problems
from bridge.web.setbook_http import set_routes
from bridge.web.soundcheck_http import soundcheck_routes
from bridge.web.static import Page, add_page
from bridge.web.takes_http import take_routes
from bridge.web.tuner_http import tuner_routes

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class ServiceOptions:
    """How the service is started. Ports may be 0 (any free one); `token` is set with ``--lan``;
    `run` names the run of the program, so that what another one has left is not taken over;
    `memory` is a handle on what the service before has left (`bridge.files.slots`). `announce`: it
    can be found on the network by DNS-SD."""

    rig: Path
    set: Path
    socket: Path
    http_port: int = HTTP_PORT
    osc_port: int = OSC_PORT
    lan: bool = False
    token: str | None = None
    state_dir: Path | None = None
    run: str = ""
    log_json: bool = False
    log_least: Level = "info"
    memory: int | None = None
    announce: bool = False

    @property
    def host(self) -> str:
        return "0.0.0.0" if self.lan else "127.0.0.1"


class Service:
    """One running service. `http_port` and `osc_port` are the real ports once it has started."""

    def __init__(self, options: ServiceOptions) -> None:
        if options.lan and not options.token:
            raise ValueError("on the network a token is needed")
        self.options = options
        self.http_port = options.http_port
        self.osc_port = options.osc_port
        self.access = Access(
            options.token if options.lan else None,
            remembered=Remembered(options.state_dir, options.run),
            devices=Devices(options.state_dir if options.lan else None),
        )
        self.entrance = Entrance(self.access.osc_allowed)
        self.link = PlayerLink(options.socket)
        self.session = Session(self.link)
        self.control = Control(self.session)
        self.charts = Charts(self.session)
        self.controllers = Controllers(self.control)
        self.scope = Scope(self.session)
        self.bench = Workbench(self.control)
        self.tuner = Tuner(self.bench, on_change=self._bench_changed)
        self.soundchecker = Soundchecker(self.bench, on_change=self._bench_changed)
        self.aligner = Aligner(self.bench, on_change=self._bench_changed)
        self.osc = Osc(self.control, self.access)
        self.view = View(
            self.session,
            Additions(
                links=self._links,
                controllers=self.controllers.state,
                learning=self.controllers.learning,
                tuning=self.tuner.state,
                soundcheck=self.soundchecker.state,
                align=self.aligner.state,
            ),
        )
        self.live = Live(self.control, self.view, self.charts, self.controllers, self.scope)
        self.watching = Watching(self.session, self.view.full, options.socket.parent)
        self.discovery = Discovery(
            lambda: "" if self.session.rig is None else self.session.rig.name
        )
        self.book = SetBook(
            options.rig, options.set, self.control, options.state_dir, run=options.run
        )
        self.in_step = InStep(self.book)
        slots = None if options.memory is None else Slots(options.memory)
        self.lasting = Lasting(self.control, self.book.sets, slots)
        self.varying = Varying(self.book, self.control)
        self.keeper = Keeper(self.book, self.control)
        self.continuing = Continuing(self.book, self.control, options.state_dir)

    def _bench_changed(self) -> None:
        self.session.stream.tell(BenchChanged())

    def _links(self) -> LinksState:
        return {
            "pages": len(self.live.clients),
            "dropped": self.live.dropped,
            "subscribers": len(self.osc.feedback.subscribers),
            "osc": dict(self.osc.counts),
            "forbidden": self.access.refused,
            "too_many": self.control.budget.refused,
            "lost": self.osc.lost,
            "echoing": self.osc.echoing,
            "turned_away": dict(self.entrance.counts),
        }

    def routes(self) -> list[Route]:
        return [
            state_route(self.view.full),
            *command_routes(self.control),
            history_route(self.control),
            *set_routes(self.book, self.charts, self.control),
            *keeping_routes(self.book, self.control),
            *controller_routes(self.controllers),
            *input_routes(),
            *tuner_routes(self.tuner),
            *soundcheck_routes(self.soundchecker),
            *align_routes(self.aligner),
            *edit_routes(self.book, self.control, self.charts),
            *take_routes(self.options.state_dir),
            *paper_routes(self.session),
            osc_route(self.osc, lambda: self.osc_port),
            *self.watching.routes(),
            *device_routes(self.access, lambda: self.address, self._device_changed),
        ]

    def _device_changed(self, device: Device) -> None:
        """What it has open is closed; its host may ask again, as what the device is now."""
        self.live.end(device.id)
        if not self.access.osc_allowed(device.host):
            self.osc.feedback.subscribe(device.host, 0)

    def _names(self) -> dict[str, str]:
        rig = self.session.rig
        wired = {} if rig is None else rig.wired
        kinds = {name: one.output.kind for name, one in wired.items()}
        state = self.view.full()
        return names_in(state, kinds, state.get("document", {}).get("file", ""))

    def application(self) -> web.Application:
        app = web.Application(middlewares=[problems, Gate(self.access).middleware()])
        app.on_response_prepare.append(add_headers)
        routes = self.routes()
        add_routes(app, routes)
        # Large, and made only when somebody reads it (measured: 2 MB).
        description = functools.cache(lambda: describe(routes))

        async def openapi(request: web.Request) -> web.Response:
            return web.json_response(description())

        app.router.add_get("/openapi.json", openapi)
        app.router.add_get("/api/live", self.live.handle, allow_head=False)
        add_api_page(app, description, self._names)
        add_page(app, Page())
        return app

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator[Service]:
        """Everything runs inside this context and has ended after it.

        Raises `OSError` when a port is in use, `InputError` when rig or set cannot be read.
        """
        await self.book.load()
        self.lasting.load()
        runner = web.AppRunner(
            self.application(), access_log=None, shutdown_timeout=1.0, handle_signals=False
        )
        await runner.setup()
        try:
            self.http_port = await self.entrance.listen(
                runner, self.options.host, self.options.http_port
            )
            self.osc_port = self.osc.listen(self.options.host, self.options.osc_port)
            try:
                async with asyncio.TaskGroup() as group:
                    tasks = [
                        group.create_task(work.run())
                        for work in (
                            self.link,
                            self.control,
                            self.live,
                            self.charts,
                            self.osc.feedback,
                            self.in_step,
                            self.lasting,
                            self.controllers,
                            self.entrance,
                        )
                    ]
                    if self.options.announce:
                        found = self.discovery.run(self.http_port, self.osc_port)
                        tasks.append(group.create_task(found))
                    try:
                        yield self
                    finally:
                        await self.soundchecker.stop()
                        await self.aligner.stop()
                        await self.live.close()
                        for task in tasks:
                            task.cancel()
            finally:
                self.osc.close()
        finally:
            self.entrance.close()
            await runner.cleanup()

    @property
    def address(self) -> str:
        """Where the page is: as a number, since names fail on some tablets."""
        host = lan_address() if self.options.lan else "127.0.0.1"
        return f"http://{host}:{self.http_port}/"


async def serve(
    options: ServiceOptions,
    stop: asyncio.Event,
    tell: Callable[[str], None] = print,
    *,
    ready_within_s: float = 5.0,
    settle: Callable[[Stream], None] = lambda stream: None,
) -> None:
    """Runs the service until `stop` is set; tells ``ready ADDRESS`` when it can be used, with
    ``--lan`` followed by a code that lets a device in.

    It is ready when it listens and the player has said hello (or `ready_within_s` has passed: the
    page then says that the player is away). `settle` is called just before.
    """
    async with Service(options).running() as service:
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(service.link.met.wait(), ready_within_s)
        settle(service.session.stream)
        code = [service.access.pairing.make("edit")] if options.lan else []
        tell(" ".join(["ready", service.address, *code]))
        log.info("HTTP on port %d, OSC on port %d", service.http_port, service.osc_port)
        await stop.wait()

"""Starts the page on this machine and nowhere else."""

from __future__ import annotations

import socket
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import sim
from workbench.page.beside import Runs
from workbench.page.guard import Guard, StartKey

if TYPE_CHECKING:
    from starlette.responses import Response

    from workbench.output.printing import Screen
    from workbench.page.session import Sessions

HERE = "127.0.0.1"
TITLE = "evenidle"
ICON = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 32 32"><rect width="32" height="32"'
    ' rx="6" fill="#00569a"/><path d="M4 20q3-12 6 0t6-3 5 0h7" fill="none" stroke="#fff"'
    ' stroke-width="2.6" stroke-linecap="round"/></svg>'
)


def run_page(port: int, screen: Screen, *, seed: int = 0, show: bool = True) -> None:
    """Serve the page until the process is interrupted."""
    runs = Runs()  # before anything else is loaded: its process takes longest to be ready
    from platformdirs import user_state_path

    from workbench.page.car_file import Drafts
    from workbench.page.session import FIRST_CAR, Sessions, WARM_degC
    from workbench.page.wish import Wish

    drafts = Drafts(user_state_path("evenidle", appauthor=False) / "drafts")
    car, sessions = sim.load_car(FIRST_CAR), Sessions(seed, drafts)
    runs.make_ready(car, Wish(WARM_degC, car.engine.scatter_share), screen.tell_of_compiling)
    # The page's library imports it only where it is there, and we do not need it.
    loaded: dict[str, Any] = sys.modules
    there = loaded.setdefault("aiohttp", None)  # documented: None makes the import fail
    from nicegui import app, ui

    if there is None:
        del loaded["aiohttp"]
    _pages(sessions, runs)
    app.on_shutdown(sessions.stop_all)
    app.on_shutdown(runs.end_now)
    key = StartKey(port)
    app.add_middleware(Guard, port=port, key=key)
    app.on_startup(lambda: screen.address(f"http://{HERE}:{port}{key.path}"))
    ui.run(
        host=HERE, port=port, title=TITLE, favicon=ICON, dark=None, reload=False,
        show=key.path_once if show else False,
        show_welcome_message=False, tailwind=False, reconnect_timeout=20.0,
        message_history_length=0, access_log=False, language="en-GB",
        gzip_middleware_factory=None,  # packing costs more than sending within one machine
    )  # fmt: skip


def check_port(port: int) -> None:
    """See that the port is free."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HERE, port))
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            message = f"cannot be had ({port}, {reason}), allowed: a free port"
            raise sim.one_problem("--port", 1, "port", message) from None


def _pages(sessions: Sessions, runs: Runs) -> None:
    from nicegui import app, ui
    from starlette.responses import FileResponse, RedirectResponse

    from workbench.page.frame import Page

    @ui.page("/")
    def begin() -> Response:
        return RedirectResponse(f"/work/{sessions.begin().key}")

    @app.get("/model")
    def model() -> Response:
        return FileResponse(Path(__file__).with_name("model.html"))

    @ui.page("/work/{key}")
    def work(key: str) -> Any:
        session = sessions.get(key)
        if session is None:
            return RedirectResponse("/")
        Page(session, runs, sessions).build()
        return None

"""``evenidle page``: the local web page."""

from __future__ import annotations

from typing import Annotated

import typer

import sim
from workbench.commands.options import option
from workbench.output.printing import Screen


def page(
    screen: Screen,
    seed: int,
    port: Annotated[int, option("--port N", "Port on 127.0.0.1.", min=1, max=65535)] = 8765,
    show: Annotated[bool, typer.Option(help="Open it in the browser.")] = True,
) -> None:
    """Open the local page: drag, look, search, print. Nothing leaves this machine."""
    from importlib.util import find_spec

    from workbench.page.server import check_port, run_page

    if find_spec("nicegui") is None:
        message = 'an extra is not installed, allowed: after pip install "evenidle[page]"'
        raise sim.one_problem("page", 1, "nicegui", message)
    check_port(port)
    run_page(port, screen, seed=seed, show=show)
    screen.finish({"port": port})

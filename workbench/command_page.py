"""``evenidle page``: the local web page."""

from __future__ import annotations

from typing import Annotated

import typer

from workbench.options import AsJson, Quiet, Seed
from workbench.printing import Screen


def page(
    port: Annotated[
        int, typer.Option("--port", metavar="N", min=1, max=65535, help="Port on 127.0.0.1.")
    ] = 8765,
    seed: Seed = 0,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Open the local page: drag, look, search, print. Nothing leaves this machine."""
    from sim.files import one_problem

    screen = Screen("page", as_json, quiet)
    try:
        import nicegui  # noqa: F401 (the extra is there)
    except ImportError:
        message = 'needs an extra that is not installed, allowed: pip install "evenidle[page]"'
        raise one_problem("page", 1, "nicegui", message) from None
    from workbench.page import run_page

    screen.warn_of_compiling()
    run_page(port, seed=seed, quiet=quiet)
    screen.finish({"port": port})

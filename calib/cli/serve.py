"""The command that shows the page."""

from __future__ import annotations

import sys
import threading
from typing import TYPE_CHECKING, Annotated

import typer

from calib.cli.frame import AsJson, BookPlace, open_book, show, tell
from calib.cli.options import command

if TYPE_CHECKING:
    from calib.web.serving import Site

PANEL = "Page"


@command(PANEL, "calib serve --lan")
def serve(
    lan: Annotated[
        bool, typer.Option("--lan", help="Also let phones in, each with a code of its own.")
    ] = False,
    address: Annotated[
        str | None,
        typer.Option(
            "--address",
            metavar="IP",
            show_default="found out",
            help="This machine's address in the workshop's network, for --lan.",
        ),
    ] = None,
    port: Annotated[
        int, typer.Option("--port", metavar="N", min=0, max=65535, help="0: any free one.")
    ] = 8137,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Show the page: take boards down with a thumb, look at regions, plan, search the logbook."""
    from calib.web.serving import open_site, own_address, ways_in

    with open_book(book) as opened:
        site = open_site(opened, port=port, lan=(address or own_address()) if lan else None)
        show(ways_in(site), site.words(), as_json=as_json)
        if sys.stdin.isatty():
            threading.Thread(target=_more_ways_in, args=(site,), daemon=True).start()
        site.run()


def _more_ways_in(site: Site) -> None:
    """Show a new way in each time Enter is pressed."""
    for _ in sys.stdin:
        tell(site.words())

"""The command that shows the page."""

from __future__ import annotations

import sys
import threading
from typing import TYPE_CHECKING, Annotated

from calib.cli.options import AsJson, command, flag, option
from calib.cli.terminal import show, tell

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.web.serving import Site


@command("calib serve --lan")
def serve(
    book: Book,
    as_json: AsJson,
    lan: Annotated[bool, flag("--lan", "Also let phones in, each with a code of its own.")] = False,
    address: Annotated[
        str | None,
        option("--address", "IP", "This machine's address in the workshop's network, for --lan.",
               show_default="found out"),
    ] = None,
    port: Annotated[int, option("--port", "N", "0: any free one.", min=0, max=65535)] = 8137,
) -> None:  # fmt: skip
    """Show the page: record boards with a thumb, look at regions, plan, search the logbook."""
    from calib.web.serving import open_site, own_address, ways_in

    site = open_site(book, port=port, lan=(address or own_address()) if lan else None)
    show(ways_in(site), site.words(), as_json=as_json)
    if sys.stdin.isatty():
        threading.Thread(target=_more_ways_in, args=(site,), daemon=True).start()
    site.run()


def _more_ways_in(site: Site) -> None:
    """Show a new way in each time Enter is pressed."""
    for _ in sys.stdin:
        tell(site.words())

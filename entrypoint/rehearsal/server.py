"""``entrypoint rehearse``: the page's server, on this machine and for this machine.

Bound to loopback, with a token in its address. To bind to the network has to be said twice, because
whoever has the address can then rehearse, read what was kept and delete it, and what crosses the
network is not encrypted.
"""

from __future__ import annotations

import contextlib
import ipaddress
import socket
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from entrypoint.errors import FieldRefused, MissingExtra

if TYPE_CHECKING:
    import uvicorn

    from entrypoint.rehearsal.session import Session

__all__ = ["MOST_PEOPLE", "NETWORK_WARNING", "page_server", "serve"]

LOOPBACK = "127.0.0.1"
MOST_PEOPLE = 40
_KEEP_ALIVE_S = 20
_MOST_AT_ONCE = 100  # requests; a page asks for one or two
_LARGEST_HEADER_BYTES = 16 * 1024
NETWORK_WARNING = (
    "The page is open to the network: everyone who can reach this machine and has the address with "
    "its token can rehearse, read what is kept and delete it, and nothing that crosses the network "
    "is encrypted. Use it only in a room network that you trust, with practice heads and no "
    "patient's scan."
)


def serve(
    *,
    volume: str | Path | None = None,
    label: str | None = None,
    session: Session | None = None,
    people: int = 1,
    host: str = LOOPBACK,
    port: int = 0,
    allow_network: bool = False,
    open_browser: bool = True,
    store: str | Path | None = None,
    cache: str | Path | None = None,
    say: Callable[[str], None] = lambda words: print(words, file=sys.stderr, flush=True),
) -> None:
    """Serve the page until it is interrupted.

    Parameters
    ----------
    volume : path, optional
        A CT of one's own, beside the practice heads. It is read before the page opens.
    label : str, optional
        Its short name; never a person's.
    session : Session, optional
    people : int
        How many trainees rehearse here, 1 to 40.
    host : str
        Address to bind; other than loopback only with ``allow_network``.
    port : int
        0: one that is free.
    allow_network : bool
    open_browser : bool
        Open the address in the user's own browser.
    store : path, optional
        File in which attempts are kept; by default in the user's data folder.
    cache : path, optional
        Folder for heads that were made; by default in the user's cache folder.
    say : callable
        Told the address, and what it means.

    Raises
    ------
    FieldRefused
        Another address than loopback without ``allow_network``, a port that is taken, a number of
        people that cannot be meant.
    InputError, MeasurementError
        The scan is refused, or cannot be planned on.
    """
    if not 1 <= people <= MOST_PEOPLE:
        raise FieldRefused(
            found=f"{people} people", expected=f"1 to {MOST_PEOPLE}", next_step="give a number"
        )
    if session is not None and volume is None and any(h.head == "volume" for h in session.heads):
        raise FieldRefused(
            found="the session asks for a volume, and none was given",
            expected="--volume beside it",
            next_step="give the scan, or take that head out of the session",
        )
    address = _address(host, allow_network)
    try:
        from entrypoint.rehearsal.app import Exercise, application
    except ModuleNotFoundError as error:
        raise MissingExtra(
            found=f"the library {error.name} is not installed",
            expected="uvicorn and starlette, which serve the page",
            next_step="install the requirements again",
        ) from None
    listening = _bound(address, port)
    from entrypoint.rehearsal.guard import Guard, may_name, new_token
    from entrypoint.rehearsal.roster import Roster
    from entrypoint.rehearsal.store import Store, default_cache
    from entrypoint.rehearsal.turns import Stages

    own = None
    if volume is not None:
        from entrypoint.rehearsal.heads import stage_volume

        head = stage_volume(volume, label)
        own = lambda: head  # noqa: E731
    stages = Stages(default_cache() if cache is None else Path(cache), own)
    kept = Store(None if store is None else Path(store))
    exercise = Exercise(
        roster=Roster(people, kept.people()),
        store=kept,
        stages=stages,
        session=session,
        own_title=None if volume is None else head.title,
    )
    bound = listening.getsockname()[1]
    token = new_token()
    app = Guard(application(exercise), token=token, named=may_name(address, bound))
    shown = f"[{address}]" if ":" in address else address
    url = f"http://{shown}:{bound}/{token}/"
    say(f"Open {url}")
    network = not ipaddress.ip_address(address).is_loopback
    say(NETWORK_WARNING if network else "Everything stays on this machine.")
    say("Ctrl+C ends the page.")
    first = "ladder:adult" if own is None else "volume"
    if session is not None:
        first = session.heads[0].head
    threading.Thread(target=_warm, args=(stages, first), daemon=True).start()
    if open_browser:
        threading.Thread(target=_open, args=(url,), daemon=True).start()
    with contextlib.closing(listening), contextlib.suppress(KeyboardInterrupt):
        page_server(app).run(sockets=[listening])


def page_server(app: Callable[..., Any]) -> uvicorn.Server:
    """The server for an application: no log of what is asked, and bounds on what may be asked."""
    import uvicorn

    return uvicorn.Server(
        uvicorn.Config(
            app,
            http="h11",
            ws="none",
            lifespan="off",
            log_level="critical",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            timeout_keep_alive=_KEEP_ALIVE_S,
            timeout_graceful_shutdown=1,
            limit_concurrency=_MOST_AT_ONCE,
            h11_max_incomplete_event_size=_LARGEST_HEADER_BYTES,
        )
    )


def _address(host: str, allow_network: bool) -> str:
    """The address to bind, in figures."""
    name = LOOPBACK if host == "localhost" else host
    try:
        address = ipaddress.ip_address(name)
    except ValueError:
        raise FieldRefused(
            found=f"the address {host[:60]!r}",
            expected="an address of this machine in figures, such as 127.0.0.1",
            next_step="give one, or leave it out",
        ) from None
    if not address.is_loopback and not allow_network:
        raise FieldRefused(
            found=f"{address} is reached from the network",
            expected="loopback, or --allow-network beside it",
            next_step=NETWORK_WARNING[:1].lower() + NETWORK_WARNING[1:].rstrip("."),
        )
    return str(address)


def _bound(address: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((address, port))
        listening.listen(128)
    except (OSError, OverflowError):
        listening.close()
        raise FieldRefused(
            found=f"port {port} of {address} cannot be bound",
            expected="a port that is free, or 0 for any",
            next_step="choose another port",
        ) from None
    return listening


def _warm(stages: object, key: str) -> None:
    """Put the first head on stage while the browser opens; an error is met again when asked for."""
    with contextlib.suppress(Exception):
        stages.get(key)  # type: ignore[attr-defined]


def _open(url: str) -> None:
    import webbrowser

    with contextlib.suppress(webbrowser.Error, OSError):
        webbrowser.open(url)

"""Serves a review on this machine until it is stopped."""

from __future__ import annotations

import logging
import socket
from collections.abc import Callable

import uvicorn

from facemerge.errors import OptionError
from facemerge.review.app import application, new_token
from facemerge.review.session import Session

HOST = "127.0.0.1"


def listen(port: int) -> socket.socket:
    """Return a socket that listens on this machine alone.

    Parameters
    ----------
    port
        0 = any that is free.

    Raises
    ------
    OptionError
        If the port, 0 to 65535, is taken or may not be used.
    """
    found = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        found.bind((HOST, port))
        found.listen(128)
    except OSError as error:
        found.close()
        raise OptionError(
            f"Port {port} cannot be used: another program holds it, or the system keeps it for itself."
        ) from error
    return found


def serve(session: Session, listening: socket.socket, ready: Callable[[str], None]) -> None:
    """Serve a review until Ctrl-C; a save that has begun is finished first.

    Parameters
    ----------
    session
        The review.
    listening
        As `listen` gave it.
    ready
        Told the address once it can be opened.

    Raises
    ------
    KeyboardInterrupt
        When it was stopped so.
    """
    port, token = listening.getsockname()[1], new_token()
    config = uvicorn.Config(
        application(session, token, port, lambda: server.should_exit),
        http="h11",
        ws="none",
        lifespan="off",
        # The token is in every path: none is logged.
        access_log=False,
        log_level="warning",
        server_header=False,
        date_header=False,
        timeout_graceful_shutdown=1,
    )
    server = uvicorn.Server(config)
    # Whoever ends a review may end an answer half-way: that is no error to tell of.
    logging.getLogger("uvicorn.error").addFilter(lambda _: not server.should_exit)
    ready(f"http://{HOST}:{port}/{token}/")
    ahead = session.begin_work_ahead()
    try:
        server.run(sockets=[listening])
    finally:
        session.end(ahead)

"""Running the server: pages by waitress, photos by worker processes, until Ctrl-C."""

import logging
import signal
import socket
import sys
from collections.abc import Callable
from typing import NoReturn

from models.errors import LehrbookError
from webapp.plant import Plant

log = logging.getLogger("lehrbook.serving")


def check_port(host: str, port: int) -> None:
    """Raises LehrbookError when nothing can listen there, with what to do about it."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        if sys.platform != "win32":
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            other = port + 1 if port < 65535 else port - 1
            msg = (
                f"port {port} on {host} cannot be used ({error.strerror}): "
                f"another program may be listening there; choose another with --port {other}"
            )
            raise LehrbookError(msg) from None


def serve(plant: Plant, ready: Callable[[str], None]) -> None:
    """Serve until interrupted. `ready` is called with the address once pages are answered.

    Raises LehrbookError when the port is taken.
    """
    from waitress import create_server

    from webapp import create_app
    from webapp.workers import Workers

    settings = plant.settings
    check_port(settings.host, settings.port)
    app = create_app({"plant": plant})
    server = create_server(
        app,
        host=settings.host,
        port=settings.port,
        threads=settings.threads,
        ident="lehrbook",
        max_request_body_size=app.config["MAX_CONTENT_LENGTH"] + 1_000_000,
    )
    plant.store.sweep()  # what a crash in the middle of an upload left behind
    workers = Workers(settings)
    workers.start()
    _stop_on_terminate()
    shown = f"[{settings.host}]" if ":" in settings.host else settings.host
    ready(f"http://{shown}:{settings.port}/")
    try:
        server.run()
    except KeyboardInterrupt:
        log.info("stopping")
    finally:
        server.close()
        workers.stop()
        plant.engine.dispose()


def _stop_on_terminate() -> None:
    def stop(_number: int, _frame: object) -> NoReturn:
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, stop)

"""lehrbook serve: the plant's own database, pages and photo workers."""

import argparse
import dataclasses
import logging
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from webapp.settings import Settings


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Describe the command."""
    parser = subparsers.add_parser("serve", help="serve the plant's pages and inspect its photos")
    add_server_options(parser)


def add_server_options(parser: argparse.ArgumentParser) -> None:
    """What `serve` and `demo` have in common."""
    parser.add_argument("--host", metavar="ADDRESS", help="address to listen on (default 127.0.0.1)")
    parser.add_argument("--port", type=port_number, metavar="N", help="port to listen on (default 8470)")
    parser.add_argument("--threads", type=count, metavar="N", help="threads that answer pages (default 16)")
    parser.add_argument(
        "--vision-processes", type=count, metavar="N", help="processes that inspect photos (default 1)"
    )


def port_number(text: str) -> int:
    """A port, 1 to 65535."""
    if not text.isdigit() or not 1 <= int(text) <= 65535:
        msg = f"{text!r} is no port; expected 1 to 65535"
        raise argparse.ArgumentTypeError(msg)
    return int(text)


def count(text: str) -> int:
    """A whole number of 1 or more."""
    if not text.isdigit() or int(text) < 1:
        msg = f"{text!r} is no count; expected a whole number of 1 or more"
        raise argparse.ArgumentTypeError(msg)
    return int(text)


def run(args: argparse.Namespace) -> int:
    """Serve until interrupted."""
    from models import users
    from models.database import reading
    from webapp.plant import open_plant
    from webapp.serving import serve

    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s")
    logging.getLogger("alembic").setLevel(logging.WARNING)
    plant = open_plant(with_server_options(args), told=sys.stdout.write)
    with reading(plant.sessions) as session:
        people = len(users.list_users(session))
    if not people:
        sys.stdout.write(
            "Nobody can sign in yet. In another window: "
            f'lehrbook --home "{plant.settings.home}" user add NAME --role administrator\n'
        )

    def ready(address: str) -> None:
        sys.stdout.write(f"Lehrbook serves {plant.settings.home} at {address} (stop with Ctrl-C)\n")
        if plant.settings.host not in ("127.0.0.1", "::1", "localhost"):
            sys.stdout.write(
                "Pages and passwords travel unencrypted: on a network that others share, put a TLS proxy "
                "in front, with LEHRBOOK_SECURE_COOKIES=1 and LEHRBOOK_TRUSTED_PROXIES=1\n"
            )
        sys.stdout.flush()

    serve(plant, ready)
    return 0


def with_server_options(args: argparse.Namespace) -> "Settings":
    """The settings with what the command line said."""
    given = {name: getattr(args, name) for name in ("host", "port", "threads", "vision_processes")}
    return dataclasses.replace(args.settings, **{k: v for k, v in given.items() if v is not None})

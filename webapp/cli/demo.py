"""lehrbook demo: an invented plant in a data folder of its own, with the real pipeline and the real pages."""

import argparse
import dataclasses
import os
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

from webapp.cli.serve import add_server_options, with_server_options

if TYPE_CHECKING:
    from webapp.settings import Settings

DEFAULT_HOME = "~/.lehrbook-demo"


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Describe the command."""
    parser = subparsers.add_parser(
        "demo",
        help="serve an invented plant with three weeks of production and photos to inspect",
        description=f"Its data folder is {DEFAULT_HOME} unless --home or LEHRBOOK_HOME names another.",
    )
    parser.add_argument("--fresh", action="store_true", help="remove the demo's data and start over")
    parser.add_argument("--photos", metavar="DIR", type=Path, help="folder of the demo photos")
    parser.add_argument("--no-serve", action="store_true", help="set the plant up and stop")
    add_server_options(parser)


def run(args: argparse.Namespace) -> int:
    """Set the demo plant up where it is not, then serve it."""
    settings = _settings(args)
    from webapp import demo_plant
    from webapp.plant import open_plant
    from webapp.serving import check_port, serve

    if not args.no_serve:
        check_port(settings.host, settings.port)
    if args.fresh:
        demo_plant.start_over(settings.home)
    begun = time.monotonic()
    plant = open_plant(settings, told=sys.stdout.write)
    progress = Progress()
    worked = demo_plant.set_up(plant, lambda: demo_plant.find_photos(args.photos), progress.tell)
    progress.end()
    if worked:
        sys.stdout.write(f"The demo plant is set up ({time.monotonic() - begun:.0f} s).\n")
    if args.no_serve:
        return 0
    serve(plant, _say_ready)
    return 0


def _settings(args: argparse.Namespace) -> "Settings":
    settings = with_server_options(args)
    if args.home_given or os.environ.get("LEHRBOOK_HOME"):
        return settings
    return dataclasses.replace(settings, home=Path(DEFAULT_HOME).expanduser())


def _say_ready(address: str) -> None:
    from models.demo import sign_ins
    from webapp.security import ROLE_WORDS

    lines = [
        "",
        f"Lehrbook's demo plant Eschenfurt is at {address}",
        "Everything in it is invented. Sign in as:",
        "",
        f"  {'name':<8} {'role':<14} {'password':<20} PIN for the booth tablet",
    ]
    lines += [
        f"  {who.name:<8} {ROLE_WORDS[who.role]:<14} {who.password:<20} {who.pin or ''}" for who in sign_ins()
    ]
    lines += ["", "Stop with Ctrl-C; `lehrbook demo --fresh` starts over.", ""]
    sys.stdout.write("\n".join(lines))
    sys.stdout.flush()


class Progress:
    """A bar that redraws itself on a terminal, and plain lines elsewhere."""

    WIDTH = 24

    def __init__(self) -> None:
        self._shown = ""
        self._live = sys.stdout.isatty()

    def tell(self, share: float, text: str) -> None:
        """Show how far it is (0..1) and what is being done."""
        if text == self._shown and not self._live:
            return
        if self._live:
            filled = round(self.WIDTH * share)
            bar = "#" * filled + "." * (self.WIDTH - filled)
            sys.stdout.write(f"\r[{bar}] {100 * share:3.0f} % {text:<60.60}")
        else:
            sys.stdout.write(f"{100 * share:3.0f} % {text}\n")
        sys.stdout.flush()
        self._shown = text

    def end(self) -> None:
        """Leave the bar's line."""
        if self._live and self._shown:
            sys.stdout.write("\n")

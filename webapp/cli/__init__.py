"""The command `lehrbook`: one module a noun, each with `add_parser(subparsers)` and `run(args) -> int`.

Modules here import argparse and little else at the top, so that `--help` is quick; the work is imported
in `run`.
Exit status: 0 done, 2 bad usage or bad input (one line on standard error), 1 a fault of the program.
"""

import argparse
import importlib
import os
import sys
import traceback
from collections.abc import Sequence
from pathlib import Path
from types import ModuleType
from typing import NoReturn

# The matrices here are small: threads of the linear algebra library only wait for each other on a busy
# machine. Whoever sets the variable is obeyed.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

COMMAND_MODULES = (
    "demo",
    "serve",
    "inspect",
    "gauge",
    "grades",
    "imports",
    "trace",
    "dossier",
    "backup",
    "user",
)


class OneLineParser(argparse.ArgumentParser):
    """Says what is wrong with the usage in one line, and where help is."""

    def error(self, message: str) -> NoReturn:
        """Exit with status 2."""
        self.exit(2, f"{self.prog}: {message} (see {self.prog} --help)\n")


class _PrintVersion(argparse.Action):
    """Looks the version up only when it is asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object, **__: object) -> NoReturn:
        """Print it and exit with status 0."""
        from importlib.metadata import version

        print(f"lehrbook {version('lehrbook')}")
        parser.exit()


def build_parser() -> tuple[OneLineParser, dict[str, ModuleType]]:
    """The parser, and the module that runs each command."""
    parser = OneLineParser(
        prog="lehrbook",
        description="Finds, sizes, judges and remembers the defects of float glass.",
        allow_abbrev=False,
    )
    parser.add_argument(
        "--home", metavar="DIR", help="data folder (before or after the command; default ~/.lehrbook)"
    )
    parser.add_argument("--version", action=_PrintVersion, nargs=0, help="print the version and stop")
    subparsers = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    runs: dict[str, ModuleType] = {}
    for name in COMMAND_MODULES:
        module = importlib.import_module(f"{__name__}.{name}")
        before = set(subparsers.choices)
        module.add_parser(subparsers)
        runs.update(dict.fromkeys(set(subparsers.choices) - before, module))
    return parser, runs


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status."""
    words = list(sys.argv[1:] if argv is None else argv)
    # --home is taken out first, so that it may stand anywhere, after a command's own words too
    home_parser = OneLineParser(prog="lehrbook", add_help=False, allow_abbrev=False)
    home_parser.add_argument("--home", type=Path)
    known, rest = home_parser.parse_known_args(words)
    parser, runs = build_parser()
    args = parser.parse_args(rest)
    return _run(runs[args.command], args, known.home)


def _run(module: ModuleType, args: argparse.Namespace, home: Path | None) -> int:
    from models.errors import LehrbookError
    from vision.errors import VisionError
    from webapp.settings import load_settings

    try:
        args.settings = load_settings({"home": home})
        args.home = args.settings.home
        args.home_given = home is not None
        return int(module.run(args) or 0)
    except (LehrbookError, VisionError) as error:
        sys.stderr.write(f"lehrbook {args.command}: {' '.join(str(error).split())}\n")
        return 2
    except (FileNotFoundError, PermissionError, IsADirectoryError, NotADirectoryError) as error:
        where = f"{error.filename}: " if error.filename else ""
        sys.stderr.write(f"lehrbook {args.command}: {where}{error.strerror or error}\n")
        return 2
    except BrokenPipeError:
        # whoever read the output has seen enough; the rest goes nowhere, without a complaint at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        sys.stderr.write(f"lehrbook {args.command}: stopped\n")
        return 1
    except Exception as error:  # noqa: BLE001  the last door: a person gets a sentence, the log gets the rest
        if os.environ.get("LEHRBOOK_DEBUG"):
            traceback.print_exc()
        sys.stderr.write(
            f"lehrbook {args.command}: a fault of the program ({type(error).__name__}: {error}); "
            "run again with LEHRBOOK_DEBUG=1 in the environment for the whole trace\n"
        )
        return 1

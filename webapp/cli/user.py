"""`lehrbook user add|list|disable|enable|password|pin`."""

import argparse
import getpass
import sys

ROLES = ("inspector", "quality_lead", "claims_desk", "administrator")


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "user", help="people who may sign in", description="People who may sign in."
    )
    acts = parser.add_subparsers(dest="act", metavar="ACT", required=True)
    add = acts.add_parser("add", help="add a person")
    add.add_argument("name", help="what is typed to sign in")
    add.add_argument("--full-name", required=True, help="as printed on a dossier")
    add.add_argument("--role", required=True, choices=ROLES)
    add.add_argument("--pin", action="store_true", help="ask for a PIN for tablets too")
    acts.add_parser("list", help="list everybody")
    for act, text in (
        ("disable", "close an account; what the person did stays in the books"),
        ("enable", "open a disabled account again"),
        ("password", "give a new password, which also unlocks"),
        ("pin", "give a new PIN, which also unlocks"),
    ):
        acts.add_parser(act, help=text).add_argument("name")


def run(args: argparse.Namespace) -> int:
    """Run one act."""
    from models import audit, users
    from models.database import reading, writing
    from webapp.plant import open_plant

    plant = open_plant(args.settings)
    if args.act == "list":
        with reading(plant.sessions) as session:
            for user in users.list_users(session):
                state = (
                    "disabled" if user.disabled_at else "PIN and password" if user.pin_hash else "password"
                )
                print(f"{user.name:<20} {user.role:<14} {state:<18} {user.full_name}")
        return 0
    with reading(plant.sessions) as session:
        if args.act == "add":
            users.refuse_taken(session, args.name)
        else:
            users.find_user(session, args.name)
    # Asked for before the transaction begins: nobody waits while somebody types.
    password = _ask("password") if args.act in ("add", "password") else None
    pin = _ask("PIN") if args.act == "pin" or (args.act == "add" and args.pin) else None
    with writing(plant.sessions) as session:
        audit.set_origin(session, "command line")
        if args.act == "add":
            users.create_user(session, args.name, args.full_name, args.role, password=password, pin=pin)
        else:
            user = users.find_user(session, args.name)
            if args.act == "disable":
                users.disable_user(session, user, by=None)
            elif args.act == "enable":
                users.enable_user(session, user, by=None)
            elif password is not None:
                users.set_password(session, user, password, by=None)
            elif pin is not None:
                users.set_pin(session, user, pin, by=None)
    done = {"add": "added", "disable": "disabled", "enable": "enabled"}.get(args.act, f"{args.act} changed")
    print(f"{args.name.strip().lower()}: {done}")
    return 0


def _ask(what: str) -> str:
    """Read a secret: from the terminal, unseen and twice; else one line of standard input."""
    from models.errors import BadValue

    if not sys.stdin.isatty():
        line = sys.stdin.readline().rstrip("\r\n")
        if not line:
            raise BadValue(
                f"{what}: nothing given; type it at a terminal or give it as a line of standard input"
            )
        return line
    first = getpass.getpass(f"{what}: ")
    if getpass.getpass(f"{what} again: ") != first:
        raise BadValue(f"{what}: the two do not match; nothing was changed")
    return first

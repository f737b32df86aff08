"""Every setting of the program in one table: name, default, help, environment name.

A value comes from, in this order: what the caller passes (a command line option, a test), the environment,
the default.
"""

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from models.errors import LehrbookError


@dataclass(frozen=True, slots=True)
class Setting:
    """One row of the table; `read` turns a text of the environment into the value."""

    name: str
    default: object
    help: str
    environment: str
    read: Callable[[str], object]


def _whole(text: str) -> int:
    return int(text)


def _yes(text: str) -> bool:
    words = {"1": True, "yes": True, "true": True, "0": False, "no": False, "false": False, "": False}
    return words[text.strip().lower()]


def _folder(text: str) -> Path:
    return Path(text).expanduser()


SETTINGS: tuple[Setting, ...] = (
    Setting(
        "home",
        Path("~/.lehrbook"),
        "the data folder: photos, secret key, SQLite file",
        "LEHRBOOK_HOME",
        _folder,
    ),
    Setting(
        "database_url",
        "",
        "the database; empty means an SQLite file in the data folder",
        "LEHRBOOK_DATABASE_URL",
        str,
    ),
    Setting("host", "127.0.0.1", "the address that the server listens on", "LEHRBOOK_HOST", str),
    Setting("port", 8470, "the port that the server listens on", "LEHRBOOK_PORT", _whole),
    Setting("threads", 16, "threads that answer pages", "LEHRBOOK_THREADS", _whole),
    Setting("vision_processes", 1, "processes that inspect photos", "LEHRBOOK_VISION_PROCESSES", _whole),
    Setting(
        "watch_seconds",
        30,
        "seconds between two looks for new episodes on each line; 0 looks never",
        "LEHRBOOK_WATCH_SECONDS",
        _whole,
    ),
    Setting("photo_mb", 60, "largest photo accepted, in megabytes", "LEHRBOOK_PHOTO_MB", _whole),
    Setting("tablet_minutes", 30, "idle minutes until a PIN sign-in ends", "LEHRBOOK_TABLET_MINUTES", _whole),
    Setting(
        "desk_minutes", 480, "idle minutes until a password sign-in ends", "LEHRBOOK_DESK_MINUTES", _whole
    ),
    Setting(
        "secure_cookies",
        False,
        "send the session cookie over https only (set it where the server sits behind TLS)",
        "LEHRBOOK_SECURE_COOKIES",
        _yes,
    ),
    Setting(
        "trusted_proxies",
        0,
        "proxies in front of the server whose X-Forwarded headers are believed",
        "LEHRBOOK_TRUSTED_PROXIES",
        _whole,
    ),
)

_BY_NAME = {setting.name: setting for setting in SETTINGS}


@dataclass(frozen=True, slots=True)
class Settings:
    """The settings in force; the fields are the rows of SETTINGS."""

    home: Path
    database_url: str
    host: str
    port: int
    threads: int
    vision_processes: int
    watch_seconds: int
    photo_mb: int
    tablet_minutes: int
    desk_minutes: int
    secure_cookies: bool
    trusted_proxies: int


def load_settings(
    given: Mapping[str, Any] | None = None, environment: Mapping[str, str] | None = None
) -> Settings:
    """The settings in force.

    given : values by setting name that win over the environment; None values count as not given.
    environment : where LEHRBOOK_* names are looked up; the process's own by default.

    Raises LehrbookError for a name that is no setting and for an environment text that cannot be read.
    """
    given = {name: value for name, value in (given or {}).items() if value is not None}
    unknown = sorted(set(given) - set(_BY_NAME))
    if unknown:
        msg = f"setting {unknown[0]!r}: no such setting; expected one of {', '.join(_BY_NAME)}"
        raise LehrbookError(msg)
    source = os.environ if environment is None else environment
    values = {setting.name: _value(setting, given, source) for setting in SETTINGS}
    values["home"] = Path(values["home"]).expanduser()
    return Settings(**values)


def _value(setting: Setting, given: Mapping[str, Any], source: Mapping[str, str]) -> Any:
    if setting.name in given:
        return given[setting.name]
    text = source.get(setting.environment)
    if text is None:
        return setting.default
    try:
        return setting.read(text)
    except (KeyError, ValueError):
        kind = type(setting.default).__name__
        msg = f"environment variable {setting.environment}: {text!r} is not readable as {kind}"
        raise LehrbookError(msg) from None

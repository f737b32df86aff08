"""For contributors: write the migration that brings the newest schema to what the tables say now.

    python -m models.migrations.write "Add a place to the shift"

The draft is made against an empty SQLite database in memory. Read it, correct it, and see the
test that compares migrated databases with the tables pass on SQLite and on PostgreSQL.
"""

from __future__ import annotations

import sys

from alembic import command
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine
from sqlalchemy.pool import StaticPool

from models.migrations import alembic_config


def main(message: str) -> None:
    """Write the draft; its number follows the newest one."""
    config = alembic_config()
    number = len(list(ScriptDirectory.from_config(config).walk_revisions())) + 1
    engine = create_engine("sqlite://", poolclass=StaticPool)
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
        command.revision(config, message=message, autogenerate=True, rev_id=f"{number:04d}")


if __name__ == "__main__":
    main(sys.argv[1])

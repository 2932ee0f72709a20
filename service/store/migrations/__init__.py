"""The history of the schema, a file a step, and which step a database has reached.

``HEAD`` repeats the newest step, so that a worker can ask whether its database is current without the migration
library; a test holds it equal to the newest file.
"""

from __future__ import annotations

from typing import Final

from sqlalchemy import Connection, inspect
from sqlalchemy.sql import text

HEAD: Final = "0007"


def stamped(connection: Connection) -> str | None:
    """Return the step that the database has reached; None where it holds none of the tables."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    step: str | None = connection.scalar(text("SELECT version_num FROM alembic_version"))
    return step

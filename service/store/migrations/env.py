"""Runs the steps on the connection that :mod:`service.store.upgrade` hands over, inside its transaction."""

from __future__ import annotations

from alembic import context

from service.store.tables import workshops

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=workshops.metadata,
    render_as_batch=True,
    compare_type=True,
)
context.run_migrations()

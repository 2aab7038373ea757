"""Runs the migration steps over the connection that the caller hands in."""

from __future__ import annotations

from alembic import context
from sqlalchemy import create_engine

from registry.store.models.every import METADATA


def _run(connection: object) -> None:
    context.configure(
        connection=connection,
        target_metadata=METADATA,
        render_as_batch=connection.dialect.name == "sqlite",
    )
    with context.begin_transaction():
        context.run_migrations()


handed_in = context.config.attributes.get("connection")
if handed_in is not None:
    _run(handed_in)
else:
    # `alembic check` and `alembic revision` in a checkout name a database with -x url=...
    with create_engine(context.get_x_argument(as_dictionary=True)["url"]).connect() as own:
        _run(own)
        own.commit()

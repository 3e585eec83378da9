"""Run by Alembic: bring the file behind the given connection to the version asked for.

The connection comes with a transaction of its own, so that a migration happens as a whole
or not at all.
"""

from alembic import context
from sqlalchemy import Connection

connection = context.config.attributes["connection"]
if not isinstance(connection, Connection):
    raise TypeError("migrations run on a connection that the catalogue adapter opened")
context.configure(connection=connection, transactional_ddl=True)
with context.begin_transaction():
    context.run_migrations()

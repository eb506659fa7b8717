"""Schema versions. `upgrade` brings a database to the newest one."""

from __future__ import annotations

from importlib.resources import as_file, files

from alembic import command
from alembic.config import Config
from sqlalchemy import Connection


def upgrade(connection: Connection) -> None:
    """Run every migration that the database has not seen, in the connection's transaction."""
    with as_file(files(__name__)) as folder:
        config = Config()
        config.set_main_option("script_location", str(folder).replace("%", "%%"))
        config.attributes["connection"] = connection
        command.upgrade(config, "head")

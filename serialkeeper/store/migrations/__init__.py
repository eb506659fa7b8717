"""Schema versions. `migrate` brings a database to the newest one."""

from __future__ import annotations

from importlib.resources import as_file, files

from alembic import command
from alembic.config import Config
from sqlalchemy import Engine


def migrate(engine: Engine) -> None:
    """Run every migration that the database has not seen, in one transaction."""
    with as_file(files(__name__)) as folder:
        config = Config()
        config.set_main_option("script_location", str(folder).replace("%", "%%"))
        writing = engine.connect().execution_options(serialkeeper_write=True)
        with writing as connection, connection.begin():
            config.attributes["connection"] = connection
            command.upgrade(config, "head")

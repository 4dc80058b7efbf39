"""A real PostgreSQL server for tests, in a folder of its own, on a free port of this machine.

`ROMWRIGHT_TEST_DATABASE_URL` names another one; else it is that of Debian's `postgresql`, or one on the path.
"""

import atexit
import getpass
import os
import secrets
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import sqlalchemy as sa

_USER = "bench"
#: PostgreSQL refuses to run as root; Debian's package makes this user.
_UNPRIVILEGED = "postgres"
_QUICK = ("fsync=off", "full_page_writes=off", "shared_buffers=16MB", "max_connections=40")


def _programs() -> Path | None:
    places = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: path.parent.name)
    found = shutil.which("initdb")
    return places[-1] if places else Path(found).parent if found else None


def missing() -> str | None:
    """Return what this machine lacks, None if a server can be had."""
    if os.environ.get("ROMWRIGHT_TEST_DATABASE_URL") or _programs():
        return None
    return "needs a PostgreSQL server (Debian package postgresql)"


@cache
def server_url() -> str:
    """Start the server of this process, once; it ends with the process. Returns its URL."""
    if named := os.environ.get("ROMWRIGHT_TEST_DATABASE_URL"):
        return named
    programs = _programs()
    assert programs is not None
    folder = Path(tempfile.mkdtemp(prefix="romwright-pg-"))
    as_user: list[str] = []
    if getpass.getuser() == "root":
        shutil.chown(folder, _UNPRIVILEGED)
        as_user = ["runuser", "-u", _UNPRIVILEGED, "--"]
    data = folder / "data"
    make = [*as_user, programs / "initdb", "-D", data, "-U", _USER, "--auth=trust", "--no-sync", "-E", "UTF8"]
    subprocess.run([*make, "--locale=C"], check=True, capture_output=True, cwd=folder)
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    options = " ".join(
        f"-c {option}" for option in (*_QUICK, f"port={port}", f"unix_socket_directories={folder}")
    )
    control = [*as_user, programs / "pg_ctl", "-D", data, "-w", "-t", "60"]
    start = [*control, "-l", folder / "log", "-o", options, "start"]
    subprocess.run(start, check=True, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    atexit.register(_end, [*control, "-m", "immediate", "stop"], folder)
    return f"postgresql+psycopg://{_USER}@127.0.0.1:{port}/postgres"


def _end(stop: list[str | Path], folder: Path) -> None:
    subprocess.run(stop, check=False, cwd="/", capture_output=True)
    shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def own_schema() -> Iterator[str]:
    """Give the URL of a schema that nobody else uses, and drop it afterwards."""
    schema = f"test_{secrets.token_hex(6)}"
    admin = sa.create_engine(server_url(), isolation_level="AUTOCOMMIT")
    try:
        with admin.connect() as connection:
            connection.execute(sa.schema.CreateSchema(schema))
        own = sa.make_url(server_url()).update_query_dict({"options": f"-csearch_path={schema}"})
        yield own.render_as_string(hide_password=False)
        with admin.connect() as connection:
            connection.execute(sa.schema.DropSchema(schema, cascade=True))
    finally:
        admin.dispose()

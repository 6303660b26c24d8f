"""A small laboratory with a record: in a SQLite file, and on a PostgreSQL server where one can be started."""

from __future__ import annotations

import getpass
import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from labcalc.lab import Laboratory, load_laboratory

LAB = """
[laboratory]
name = "Harbour Laboratory"
time_zone = "Europe/Lisbon"
"""
SQLITE = 'file = "record.sqlite"'
HEADER = "Sample;Date;T (°C);KV (mm²/s);Density (kg/m³);Remark"
PASSWORD = "tern-and-plover-7"

MakeLaboratory = Callable[..., Laboratory]


def export(first: int = 0, rows: int = 3) -> str:
    """Return an export whose rows bear numbers from ``first`` on."""
    lines = (f"S{n};2026-03-02 08:{n % 60:02}:00;40;15.0{n % 9};838.90;" for n in range(first, first + rows))
    return "\n".join((HEADER, *lines, ""))


def lab_with(folder: Path, record: str = SQLITE) -> Laboratory:
    """Return a laboratory whose lab.toml, in ``folder``, names the record."""
    (folder / "lab.toml").write_text(f"{LAB}[record]\n{record}\n", encoding="utf-8")
    return load_laboratory(folder / "lab.toml")


def export_files(folder: Path, count: int, rows: int = 3) -> list[Path]:
    """Write exports of which no two have a row in common."""
    folder.mkdir(exist_ok=True)
    files = [folder / f"run_{n:03}.csv" for n in range(count)]
    for n, file in enumerate(files):
        file.write_text(export(n * rows, rows), encoding="utf-8")
    return files


def _programs() -> Path | None:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    there = shutil.which("initdb")
    return found[-1].parent if found else Path(there).parent if there else None


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    """Start a server on loopback; yield its URL without a database. The password is in PGPASSWORD meanwhile."""
    programs = _programs()
    if programs is None:
        pytest.skip("no PostgreSQL server is installed here: Debian's package postgresql has one")
    pytest.importorskip("psycopg", reason="psycopg isn't installed here: pip install 'labcalc[postgres]'")
    user = "postgres" if os.geteuid() == 0 else getpass.getuser()  # the server refuses to run as root
    with tempfile.TemporaryDirectory(prefix="labcalc-pg-", dir="/tmp") as name, socket.socket() as free:
        folder = Path(name)
        (folder / "password").write_text(PASSWORD)
        if os.geteuid() == 0:
            for path in (folder, folder / "password"):
                shutil.chown(path, user)
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
        free.close()

        def call(program: str, *words: str) -> None:
            as_user = {"user": user} if os.geteuid() == 0 else {}
            command = [programs / program, "-D", folder / "data", *words]
            subprocess.run(command, check=True, stdout=subprocess.DEVNULL, cwd=folder, **as_user)

        call("initdb", "-U", "bench", "--auth=scram-sha-256", f"--pwfile={folder / 'password'}", "--no-sync")
        options = f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories=''"
        call("pg_ctl", "-w", "-l", str(folder / "log"), "-o", options, "start")
        os.environ["PGPASSWORD"] = PASSWORD
        try:
            yield f"postgresql+psycopg://bench@127.0.0.1:{port}"
        finally:
            del os.environ["PGPASSWORD"]
            call("pg_ctl", "-m", "immediate", "stop")


@pytest.fixture(params=["sqlite", "postgresql"])
def laboratory(request: pytest.FixtureRequest, tmp_path: Path) -> Laboratory:
    """A laboratory whose record is empty."""
    if request.param == "sqlite":
        return lab_with(tmp_path)
    url = request.getfixturevalue("server")
    return lab_with(tmp_path, f'url = "{url}/{new_database(url)}"')


def new_database(url: str) -> str:
    """Create an empty database and return its name."""
    import psycopg

    with psycopg.connect(f"{url.replace('+psycopg', '')}/postgres", autocommit=True) as connection:
        count = connection.execute("SELECT count(*) FROM pg_database").fetchone()
        name = f"record_{count[0] if count else 0}"
        connection.execute(f"CREATE DATABASE {name}")
    return name

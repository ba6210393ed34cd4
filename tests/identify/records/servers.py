"""A PostgreSQL server of the tests' own: made in a temporary folder, reached by a socket in it, thrown away."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from pathlib import Path

USER = "tapwright"


def programs() -> Path | None:
    """Where the server's programs lie: on the path, or where Debian puts them."""
    found = shutil.which("pg_ctl")
    if found:
        return Path(found).resolve().parent
    folders = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda folder: int(folder.parent.name))
    return folders[-1] if folders else None


class Server:
    """A running server; it refuses to run as root, so there it runs as another user."""

    def __init__(self, bin_folder: Path) -> None:
        self._bin = bin_folder
        self._as: dict[str, object] = {}
        self.folder = Path(tempfile.mkdtemp(prefix="records-"))
        if os.geteuid() == 0:
            other = next(user for user in pwd.getpwall() if user.pw_name in ("postgres", "nobody"))
            os.chown(self.folder, other.pw_uid, other.pw_gid)
            self._as = {"user": other.pw_uid, "group": other.pw_gid, "extra_groups": []}
        self._run("initdb", "--no-sync", "--auth=trust", "--encoding=UTF8", f"--username={USER}", str(self._data))
        self.start()
        self._count = 0

    @property
    def _data(self) -> Path:
        return self.folder / "data"

    def _run(self, name: str, *words: str) -> None:
        command = [str(self._bin / name), *words]
        environment = {"PATH": os.environ.get("PATH", ""), "LC_ALL": "C.UTF-8", "HOME": str(self.folder)}
        log = self.folder / f"{name}.log"
        with log.open("ab") as out:  # a pipe would stay open in the server
            done = subprocess.run(
                command, stdout=out, stderr=out, cwd=self.folder, env=environment, check=False, timeout=60, **self._as
            )
        assert done.returncode == 0, log.read_text()

    def start(self) -> None:
        """Start it; it listens on its socket only."""
        options = f"-c listen_addresses='' -k {self.folder}"
        self._run("pg_ctl", "start", "-w", "-D", str(self._data), "-l", str(self.folder / "log"), "-o", options)

    def crash(self) -> None:
        """Stop it without a word to anybody: what is not in its log is lost."""
        self._run("pg_ctl", "stop", "-m", "immediate", "-D", str(self._data))

    def throw_away(self) -> None:
        """Stop it and delete its folder."""
        self.crash()
        shutil.rmtree(self.folder)

    def run(self, statement: str) -> None:
        """Run a statement as the server's owner."""
        import psycopg

        with psycopg.connect(f"host={self.folder} user={USER} dbname=postgres", autocommit=True) as link:
            link.execute(statement)

    def new_schema(self) -> str:
        """URL at which nothing is there yet; a schema of its own is made much faster than a database."""
        self._count += 1
        self.run(f"CREATE SCHEMA shop{self._count}")
        return f"postgresql://{USER}@/postgres?host={self.folder}&options=-csearch_path%3Dshop{self._count}"

    def new_database(self) -> str:
        """URL of a new database, whose owner prefers speed to safety."""
        self._count += 1
        self.run(f"CREATE DATABASE shop{self._count}")
        self.run(f"ALTER DATABASE shop{self._count} SET synchronous_commit = off")
        return f"postgresql://{USER}@/shop{self._count}?host={self.folder}"

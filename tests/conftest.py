"""The cast, the two databases, and which test needs what.

Ada manages, Ben is trained, Chao is a stranger from another group, Dee is staff.
"""

import glob
import os
import shutil
import subprocess
import tempfile

import pytest

os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")  # the browser's driver has its own loop

DATABASE_FIXTURES = {"db", "transactional_db", "live_server", "client", "admin_client", "lab"}


def pytest_configure(config):
    config.addinivalue_line("markers", "database: needs the database (set by itself)")


def pytest_collection_modifyitems(items):
    """A test that reaches a database is marked so; the others are pure and run once."""
    for item in items:
        fixtures = set(getattr(item, "fixturenames", ()))
        if item.get_closest_marker("django_db") or fixtures & DATABASE_FIXTURES:
            item.add_marker(pytest.mark.database)


@pytest.fixture(scope="session")
def postgresql():
    """A throw-away cluster on a socket of its own; gone after the run."""
    found = sorted(glob.glob("/usr/lib/postgresql/*/bin"))
    if not found:
        pytest.exit("PostgreSQL is missing: apt-get install postgresql", 4)
    root, who = tempfile.mkdtemp(prefix="pgt-", dir="/tmp"), []
    if os.geteuid() == 0:
        shutil.chown(root, "postgres")
        who = ["runuser", "-u", "postgres", "--"]

    def run(*words):
        subprocess.run(
            [*who, *words],
            check=True,
            cwd=root,
            stdout=subprocess.DEVNULL,
            stdin=subprocess.DEVNULL,
        )

    run(f"{found[-1]}/initdb", "-D", f"{root}/d", "-U", "postgres", "-A", "trust", "-E", "UTF8",
        "--locale=C.UTF-8", "--no-sync")  # fmt: skip
    settings = f"-c listen_addresses='' -c unix_socket_directories={root} -c fsync=off "
    settings += "-c synchronous_commit=off -c full_page_writes=off"
    run(f"{found[-1]}/pg_ctl", "-D", f"{root}/d", "-l", f"{root}/log", "-w", "-o", settings, "start")
    yield root
    run(f"{found[-1]}/pg_ctl", "-D", f"{root}/d", "-m", "immediate", "stop")
    shutil.rmtree(root, ignore_errors=True)


@pytest.fixture(scope="session")
def django_db_modify_db_settings(request, django_db_modify_db_settings_parallel_suffix):
    from django.db import connections

    if connections["default"].vendor == "postgresql":
        connections["default"].settings_dict["HOST"] = request.getfixturevalue("postgresql")


@pytest.fixture
def lab(db):
    """A small laboratory with its cast; see tests/build.py."""
    from tests import build

    return build.lab()

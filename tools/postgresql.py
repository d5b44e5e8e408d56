"""A throw-away PostgreSQL on a socket of its own, for tests and measurements."""

import glob
import os
import shutil
import subprocess
import tempfile
from contextlib import contextmanager

FAST = "-c fsync=off -c synchronous_commit=off -c full_page_writes=off"
DURABLE = "-c fsync=on -c synchronous_commit=on"


def programs():
    """The folder of the newest PostgreSQL here, or None."""
    found = glob.glob("/usr/lib/postgresql/*/bin")
    return max(found, key=lambda path: int(path.split("/")[-2]), default=None)


@contextmanager
def cluster(*, durable=False):
    """The folder of its socket; started for the block, gone after it.

    Its folder is directly under /tmp, because a socket's path may have 107 bytes only.
    """
    root = tempfile.mkdtemp(prefix="holdfast-pg-", dir="/tmp")
    if os.geteuid() == 0:  # PostgreSQL refuses to run as root
        shutil.chown(root, "postgres")
    made = ["-U", "postgres", "-A", "trust", "-E", "UTF8", "--locale=C.UTF-8", "--no-sync"]
    try:
        _run(root, "initdb", *made)
        start(root, durable=durable)
        yield root
        stop(root)
    finally:
        shutil.rmtree(root, ignore_errors=True)


def start(root, *, durable=False):
    """Start the cluster of this folder, and wait until it answers."""
    asked = f"-c listen_addresses='' -c unix_socket_directories={root} "
    asked += DURABLE if durable else FAST
    _run(root, "pg_ctl", "-l", f"{root}/log", "-w", "-o", asked, "start")


def stop(root, how="immediate"):
    """Stop it: immediate as a crash does, fast as an administrator does."""
    _run(root, "pg_ctl", "-m", how, "stop")


def _run(root, program, *words):
    who = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
    command = [*who, f"{programs()}/{program}", "-D", f"{root}/data", *words]
    quiet = {"stdout": subprocess.DEVNULL, "stdin": subprocess.DEVNULL}
    subprocess.run(command, check=True, cwd=root, **quiet)

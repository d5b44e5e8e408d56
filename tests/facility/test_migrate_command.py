"""migrate makes the folder of its SQLite file, so that nobody has to before the first start."""

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_given_no_folder_for_the_database_when_migrated_then_it_is_made(tmp_path):
    file = tmp_path / "not" / "yet" / "here.sqlite3"
    environment = os.environ | {
        "SECRET_KEY": "x", "HTTPS": "off", "DATABASE_URL": f"sqlite:///{file}",
        "DJANGO_SETTINGS_MODULE": "facility.settings",
    }  # fmt: skip

    done = subprocess.run(
        [sys.executable, "manage.py", "migrate", "facility", "0001", "--verbosity", "0"],
        cwd=ROOT, env=environment, capture_output=True, text=True,
    )  # fmt: skip

    assert done.returncode == 0, done.stderr[-500:]
    assert file.exists()

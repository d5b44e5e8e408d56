"""A server and a database of their own that stop, crash or are killed; only in make soak."""

import json
import os
import secrets
import signal
import socket
import subprocess
import sys
import threading
import time
import uuid
from pathlib import Path
from urllib.error import HTTPError, URLError
from urllib.request import Request, urlopen

import psycopg
import pytest

from tools import postgresql

pytestmark = pytest.mark.soak
ROOT = Path(__file__).parents[2]
FURNISH = """
import json
from tests import build
from bookings import run
from django.test import Client
from facility import tablets
client, lab = Client(), build.lab()
session = run.sign_on(instrument=lab.instrument, by=lab.ben)
tablet, token = tablets.pair(instrument=lab.instrument, name="one", by=lab.dee)
sign_on = tablets.sign_on(person=lab.ben, tablet=tablet, by_pin=True)
client.force_login(lab.ben)
cookie = client.cookies["sessionid"].value
print(json.dumps({"cookie": cookie, "session": session.pk, "sign_on": str(sign_on.pk), "token": token}))
"""
COUNT = """
import json
from facility import verify
from facility.models import Entry, KeptItem
notes = Entry.objects.filter(kind="note").values_list("sent_id", flat=True)
print(json.dumps({"notes": [str(n) for n in notes], "kept": KeptItem.objects.count(),
    "broken": [str(b) for b in verify.verify().broken]}))
"""


class House:
    """A cluster, a furnished laboratory in it, and a server that can be killed and begun again."""

    def __init__(self, cluster, folder):
        self.cluster, self.folder = cluster, folder
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.env = os.environ | {
            "DATABASE_URL": f"postgres://postgres@/postgres?host={cluster}",
            "DJANGO_SETTINGS_MODULE": "tests.bookings.held_settings",
            "HTTPS": "off",
            "SECRET_KEY": secrets.token_urlsafe(64),
            "STATIC_ROOT": str(folder),
            "LOG_LEVEL": "CRITICAL",
        }
        self._manage("migrate", "-v0")
        self._manage("collectstatic", "--noinput", "-v0")
        self.lab = json.loads(self.shell(FURNISH))
        self.begin()

    def _manage(self, *words):
        command = [sys.executable, "manage.py", *words]
        done = subprocess.run(
            command, env=self.env, cwd=ROOT, check=True, stdout=subprocess.PIPE, text=True
        )
        return done.stdout

    def shell(self, code):
        return self._manage("shell", "--verbosity", "0", "-c", code)

    def begin(self):
        gunicorn = Path(sys.executable).parent / "gunicorn"
        words = [gunicorn, "facility.wsgi", "--bind", f"127.0.0.1:{self.port}", "--threads", "4"]
        words += ["--no-control-socket", "--log-level", "critical"]
        self.server = subprocess.Popen(words, cwd=ROOT, env=self.env, start_new_session=True)
        wait_until(lambda: self.get("/health/") == (200, None))

    def kill(self):
        """Master and worker at once, as when the machine loses its power."""
        os.killpg(self.server.pid, signal.SIGKILL)
        self.server.wait(timeout=20)

    def get(self, path):
        """(status, Retry-After) of a page that Ben opens; None where no answer came."""
        cookies = {"Cookie": f"sessionid={self.lab['cookie']}"}
        try:
            asked = Request(f"http://127.0.0.1:{self.port}{path}", headers=cookies)
            with urlopen(asked, timeout=20) as answer:
                return answer.status, None
        except HTTPError as answer:
            return answer.code, answer.headers["Retry-After"]
        except URLError:
            return None

    def item(self):
        return {
            "id": str(uuid.uuid4()), "session": self.lab["session"], "kind": "note",
            "sign_on": self.lab["sign_on"], "at": "", "fields": {"text": "B7 looks well"},
        }  # fmt: skip

    def send(self, item, **headers):
        """(status, fates, Retry-After) of an item; None where no answer came."""
        headers |= {"Authorization": f"Bearer {self.lab['token']}"}
        headers |= {"Content-Type": "application/json"}
        body = json.dumps({"items": [item], "clock": ""}).encode()
        asked = Request(f"http://127.0.0.1:{self.port}/tablet/items/", body, headers)
        try:
            with urlopen(asked, timeout=50) as answer:
                rows = json.load(answer)["items"]
                return answer.status, [row["status"] for row in rows], None
        except HTTPError as answer:
            return answer.code, [], answer.headers["Retry-After"]
        except OSError:
            return None

    def send_unanswered(self, item, **headers):
        """Send it beside the test, which then sees to it that no answer comes."""
        got = []
        sender = threading.Thread(target=lambda: got.append(self.send(item, **headers)))
        sender.start()
        return sender, got

    def stored(self):
        return json.loads(self.shell(COUNT))


def wait_until(happens, seconds=30):
    until = time.monotonic() + seconds
    while not happens():
        assert time.monotonic() < until
        time.sleep(0.05)


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    with postgresql.cluster(durable=True) as cluster:
        made = House(cluster, tmp_path_factory.mktemp("static"))
        yield made
        made.kill()


@pytest.mark.parametrize("how", ["fast", "immediate"])
def test_given_a_database_that_stops_and_comes_back_when_asked_then_503_and_later_stored_once(
    house, how
):
    before, item = house.stored(), house.item()
    assert house.send(item) == (200, ["stored"], None)

    postgresql.stop(house.cluster, how)
    second = house.item()
    away = [house.send(item), house.send(second)]
    pages = [house.get("/health/"), house.get("/records/"), house.get("/")]
    postgresql.start(house.cluster, durable=True)

    assert away == [(503, [], "5")] * 2
    assert pages == [(503, "5")] * 3
    assert house.get("/records/") == (200, None)
    assert house.send(item) == (200, ["repeated"], None)
    assert house.send(second) == (200, ["stored"], None)
    assert house.send(second) == (200, ["repeated"], None)
    after = house.stored()
    assert sorted(after["notes"]) == sorted([*before["notes"], item["id"], second["id"]])
    assert (after["kept"], after["broken"]) == (0, [])


def test_given_a_server_killed_while_it_writes_when_the_item_comes_again_then_it_is_stored_once(
    house,
):
    before, item = house.stored(), house.item()
    at = f"host={house.cluster} user=postgres dbname=postgres"
    with psycopg.connect(at) as holding, psycopg.connect(at, autocommit=True) as watching:
        holding.execute("SELECT 1 FROM facility_log FOR UPDATE")
        sender, got = house.send_unanswered(item)
        waits = "SELECT count(*) FROM pg_stat_activity WHERE wait_event_type = 'Lock'"
        wait_until(lambda: watching.execute(waits).fetchone()[0])
        house.kill()
        sender.join(timeout=60)
    house.begin()

    assert got == [None]
    assert house.send(item)[1] in (["stored"], ["repeated"])
    assert house.send(item)[1] == ["repeated"]
    after = house.stored()
    assert sorted(after["notes"]) == sorted([*before["notes"], item["id"]])
    assert (after["kept"], after["broken"]) == (0, [])


def test_given_a_server_killed_after_the_commit_when_the_item_comes_again_then_it_is_stored_once(
    house, tmp_path
):
    before, item, held = house.stored(), house.item(), tmp_path / "held"
    sender, got = house.send_unanswered(item, **{"X-Hold": str(held)})
    wait_until(held.exists)
    house.kill()
    sender.join(timeout=60)
    house.begin()

    assert got == [None]
    assert house.send(item) == (200, ["repeated"], None)
    after = house.stored()
    assert sorted(after["notes"]) == sorted([*before["notes"], item["id"]])
    assert (after["kept"], after["broken"]) == (0, [])

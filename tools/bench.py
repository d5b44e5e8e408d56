"""make bench: what Holdfast costs as a ratio to what its own stack costs anyway, in one run.

Machines differ, ratios less so: recording an entry is set against an empty authenticated POST
through the same server, on the same database, by turns. Writes docs/benchmarks.md.
"""

import http.client
import os
import platform
import secrets
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import time
import uuid
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from urllib.parse import urlencode

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the server and the commands have it
ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from tools import bench_pure, postgresql  # noqa: E402

ROUNDS = 300  # of each request, by turns, after WARM ones that are not counted
WARM = 30
ENTRIES = 10_000
LOADS_A_YEAR, HOLDERS = 400, 14

HEAD = """# Benchmarks

Made by `make bench`: one gunicorn worker of four threads, one client that keeps its connection,
medians of {rounds} requests taken by turns, with the database's promises to the disk kept.
{cores} cores, Python {python}, Django {django}.
"""
ROWS = """
## {name}

| what | time | ratio to the empty POST | aim |
| --- | --- | --- | --- |
{rows}
"""


def main():
    """Measure each database in a process of its own, then write the page."""
    if len(sys.argv) == 2:
        print(measured(sys.argv[1]), end="")
        return
    parts = [of_database("SQLite", "sqlite:///{folder}/bench.sqlite3")]
    if postgresql.programs():
        with postgresql.cluster(durable=True) as at:
            parts.append(of_database("PostgreSQL", f"postgres://postgres@/postgres?host={at}"))
    else:
        print("PostgreSQL is missing: measured on SQLite only.")
    parts.append(bench_pure.section())
    page = HEAD.format(**machine()) + "".join(parts)
    (ROOT / "docs").mkdir(exist_ok=True)
    (ROOT / "docs" / "benchmarks.md").write_text(page)
    print(page)


def of_database(name, url):
    """The section of one database, measured by this file in another process."""
    folder = tempfile.mkdtemp(prefix="holdfast-bench-")
    os.mkdir(f"{folder}/static")
    settings = {
        "DATABASE_URL": url.format(folder=folder),
        "HTTPS": "off",
        "SECRET_KEY": secrets.token_urlsafe(64),
        "DJANGO_SETTINGS_MODULE": "tools.bench_settings",
        "STATIC_ROOT": f"{folder}/static",
        "LOG_LEVEL": "ERROR",
        "PYTHONPATH": str(ROOT),
    }
    command = [sys.executable, __file__, name]
    try:
        done = subprocess.run(
            command, env=os.environ | settings, check=True, stdout=subprocess.PIPE, text=True
        )
        return done.stdout
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def measured(name):
    """The section of the database that the environment names."""
    import django
    from django.core.management import call_command

    django.setup()
    call_command("migrate", verbosity=0)
    lab = furnished()
    with served() as port:
        rows = recording(lab, Browser(port, lab.ben))
        rows += reading(lab, Browser(port, lab.dee))
        rows += tracing(lab, Browser(port, lab.dee))
    return ROWS.format(name=name, rows="\n".join([*rows, verifying(lab)]))


def furnished():
    """A lab with an open session of Ben's."""
    from bookings import run
    from tests import build

    lab = build.lab()
    lab.session = run.sign_on(instrument=lab.instrument, by=lab.ben)
    return lab


@contextmanager
def served():
    """The port of a server of our own, for the block."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    gunicorn = Path(sys.executable).parent / "gunicorn"
    command = [gunicorn, "facility.wsgi", "--bind", f"127.0.0.1:{port}", "--threads", "4"]
    server = subprocess.Popen([*command, "--no-control-socket", "--log-level", "warning"], cwd=ROOT)
    try:
        for _ in range(100):
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.1)
        yield port
    finally:
        server.terminate()
        server.wait(timeout=20)


class Browser:
    """One person's connection, kept open."""

    def __init__(self, port, person):
        from django.conf import settings
        from django.test import Client

        client = Client()
        client.force_login(person)
        token = secrets.token_hex(16)
        cookies = {settings.SESSION_COOKIE_NAME: client.cookies["sessionid"].value}
        cookies["csrftoken"] = token
        self.connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
        self.headers = {
            "Cookie": "; ".join(f"{name}={value}" for name, value in cookies.items()),
            "X-CSRFToken": token,
            "Content-Type": "application/x-www-form-urlencoded",
        }

    def post(self, path, fields):
        """Seconds that the answer took; anything but 200 or 302 to where we were stops the run."""
        return self.ask("POST", path, urlencode(fields))

    def ask(self, method, path, body=None):
        """Seconds that an answer took."""
        start = time.perf_counter()
        self.connection.request(method, path, body, self.headers)
        response = self.connection.getresponse()
        response.read()
        spent = time.perf_counter() - start
        led_away = "sign-in" in (response.getheader("Location") or "")
        if response.status not in (200, 302) or led_away:
            sys.exit(f"{path} answered {response.status}; nothing was measured.")
        return spent


def recording(lab, browser):
    """An entry, a note and a pressure, each against the empty POST, by turns."""
    from django.urls import reverse

    session = lab.session.pk
    note = reverse("bookings:write_note", args=[session])
    pressure = reverse("bookings:write_pressure", args=[session, "quayside-intro"])
    asked = [
        ("empty authenticated POST", "", "/bench/empty/", {}),
        ("entry recorded, same POST", "1.5", f"/bench/entry/{lab.session.log_id}/", {}),
        ("note in a session: form, entry, redirect", "", note, {"text": "all well"}),
        ("pressure in a session: form, reading, redirect", "", pressure, {"pressure": "1.2e-6"}),
    ]
    times = {words: [] for words, *_ in asked}
    for n in range(WARM + ROUNDS):
        for words, _, path, fields in asked:
            sent = str(uuid.uuid4())
            spent = browser.post(path, {"id": sent, "sent_id": sent, **fields})
            if n >= WARM:
                times[words].append(spent)
    ms = {words: statistics.median(spent) * 1000 for words, spent in times.items()}
    base = ms[asked[0][0]]
    return [
        f"| {words} | {ms[words]:.2f} ms | {ms[words] / base:.2f} | {aim} |"
        for words, aim, *_ in asked
    ]


def reading(lab, browser):
    """The weekly review of nine lines as staff read it, against an empty page, by turns."""
    from bookings import review, reviewing, watchers
    from bookings.lines import HEADINGS, Line

    lines = [
        Line(f"matter {n}", list(HEADINGS)[n % 7], f"Matter {n} stands.", evidence=(("n", str(n)),))
        for n in range(9)
    ]
    watchers.sources = lambda: [(lambda *_: lines, ())]
    monday = review.newest_monday()
    reviewing.gather(instrument=lab.instrument, monday=monday)
    asked = {"empty page": "/bench/page/", "review": reviewing.address_of(lab.instrument, monday)}
    times = {words: [] for words in asked}
    for n in range(WARM + ROUNDS):
        for words, path in asked.items():
            spent = browser.ask("GET", path)
            if n >= WARM:
                times[words].append(spent)
    ms = {words: statistics.median(spent) * 1000 for words, spent in times.items()}
    ratio = ms["review"] / ms["empty page"]
    return [
        f"| empty page, signed in | {ms['empty page']:.2f} ms | | |",
        f"| weekly review of nine lines | {ms['review']:.2f} ms | {ratio:.2f} of the empty page | 3 |",
    ]


def tracing(lab, browser):
    """A trace in the newest three months, with one year and then ten years of loads behind it."""
    from django.urls import reverse
    from django.utils import timezone

    lab.carriers = [lab.holder, *(holder_of(lab, n) for n in range(HOLDERS - 1))]
    lab.sample = a_sample(lab)
    on = f"{timezone.localdate() - timedelta(days=60)}"
    path = f"{reverse('bookings:trace')}?element=Sn&on={on}"
    rows, first = [], 0
    for years in (1, 10):
        a_past(lab, LOADS_A_YEAR * first, LOADS_A_YEAR * years)
        browser.connection.close()  # the server let go of it meanwhile; the next request opens it
        first, times = years, {"/bench/page/": [], path: []}
        for n in range(WARM + ROUNDS // 3):
            for asked, spent in times.items():
                took = browser.ask("GET", asked)
                if n >= WARM:
                    spent.append(took)
        empty, trace = (statistics.median(spent) * 1000 for spent in times.values())
        if years == 1:
            young, aim, against = trace / empty, "", ""
        else:
            against = f", {trace / empty / young:.2f} of one year's"
            aim = "1.1 of one year's"
        said = f"tracing an element, {years} year{'s' * (years > 1)} of loads"
        rows.append(
            f"| {said} | {trace:.2f} ms | {trace / empty:.2f} of the empty page{against} | {aim} |"
        )
    return rows


def holder_of(lab, number):
    """One holder more."""
    from tests import build

    return build.holder(f"T{number + 1}", by=lab.ada)


def a_sample(lab):
    """A sample that declares the element that is traced."""
    from tests import build

    return build.sample("Tin oxide", owner=lab.ben, composition="SnO2")


def a_past(lab, first, last):
    """Loads `first` to `last`, counted back from now, each with a mount and a walk to the bench."""
    from django.utils import timezone

    from bookings.models import Load
    from facility.models import Log, Place
    from samples.models import Mount, Whereabouts

    now, between = timezone.now(), timedelta(days=365) / LOADS_A_YEAR
    bench = Place.objects.filter(kind=Place.Kind.BENCH).first()
    numbers = range(first, last)
    logs = Log.objects.bulk_create(Log(kind="load", instrument=lab.instrument) for _ in numbers)
    loads, mounts, walks = [], [], []
    for n, log in zip(numbers, logs, strict=True):
        at, holder = now - between * (n + 1), lab.carriers[n % HOLDERS]
        out = at + between * 0.8
        loads.append(
            Load(
                instrument=lab.instrument, holder=holder, log=log, loaded_at=at, taken_out_at=out,
                loaded_by=lab.ben, layout={"holder": {}, "mounts": []},
            )
        )  # fmt: skip
        mounts.append(
            Mount(
                holder=holder, sample=lab.sample, position=1, since=at - timedelta(hours=1),
                until=out, thickness_mm=0.2, by=lab.ben,
            )
        )  # fmt: skip
        if bench:
            walks.append(
                Whereabouts(
                    holder=holder, place=bench, since=at - timedelta(hours=2),
                    until=at - timedelta(hours=1), by=lab.ben,
                )
            )  # fmt: skip
    Load.objects.bulk_create(loads)
    Mount.objects.bulk_create(mounts)
    Whereabouts.objects.bulk_create(walks)


def verifying(lab):
    """Ten thousand entries of one log recomputed."""
    from django.db import transaction

    from facility import log
    from facility.verify import verify

    with transaction.atomic():
        for n in range(lab.session.log.entries.count(), ENTRIES):
            log.write(log=lab.session.log, kind="note", by=lab.ben, data={"says": f"line {n}"})
    start = time.perf_counter()
    verdict = verify(log=lab.session.log)
    spent = time.perf_counter() - start
    if verdict.broken or verdict.entries != ENTRIES:
        sys.exit(f"The log of {verdict.entries} entries does not hold: {verdict.broken[:3]}")
    return f"| {ENTRIES:,} entries verified | {spent:.2f} s | | 2 s |"


def machine():
    """What was measured on."""
    import django

    return {
        "cores": len(os.sched_getaffinity(0)),
        "python": platform.python_version(),
        "django": django.get_version(),
        "rounds": ROUNDS,
    }


if __name__ == "__main__":
    main()

"""Every step of a shipped sheet as its session page shows it, into var/steps/.

On the tablet in both lights, and on the phone; the looks that are due at sign-on come first.

python tools/step_pictures.py [electron_microscope]: on a database and a server of its own, taken
by nobody's hand: each step is recorded as a tablet without network would, so none is skipped.
Contact sheets of twelve steps each stand beside the pictures.
"""

import io
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from urllib.request import urlopen

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from tools.pictures import FLAGS, SCREENS, environment  # noqa: E402

OUT = ROOT / "var" / "steps"
PORT = 8764
MOST_STEPS = 90
ACROSS, SHEET_OF, THUMB = 3, 12, (590, 410)
PHONES_ACROSS, PHONE_THUMB = 6, (312, 675)
VIEWS = (("light", "tablet", "light"), ("dark", "tablet", "dark"), ("phone", "phone", "light"))
FALLING = {"read_rough_gauge": "9e-4", "below_threshold": "9e-7", "read_rough_gauge_out": "9e-4"}


def furnish(name):
    """An open session on the sheet, with a holder at hand."""
    from django.utils import timezone

    from bookings import pump, run
    from facility.models import Gauge, RunSheet
    from samples import mount
    from tests import build

    lab = build.lab()
    document = json.loads((ROOT / "facility" / "sheets" / f"{name}.json").read_text())
    lab.instrument.sheet = RunSheet.objects.create(
        name=document["name"], instrument=lab.instrument, version=2, document=document,
        published_at=timezone.now(), published_by=lab.dee,
    )  # fmt: skip
    lab.instrument.save()
    film = build.sample("Cu-Ni film 07", owner=lab.ben, form="film", composition="CuNi")
    mount.mount(holder=lab.holder, sample=film, by=lab.ben, mounting="carbon tape")
    lab.session = run.sign_on(instrument=lab.instrument, by=lab.ben)
    main = Gauge.objects.select_related("chamber").get(code="quayside-main")
    pump.type_pressure(gauge=main, by=lab.ben, text="1.5e-9")
    return lab


def look_around(lab, sheet):
    """Confirm every look that is due."""
    from bookings import devices, steps

    due = steps.looks_due(sheet, devices.states_of(lab.instrument, sheet))
    steps.confirm_looks(session=lab.session, by=lab.ben, step_ids=[step.id for step in due])


def take_step(lab, step):
    """Record a step, or the reading that it waits for."""
    from bookings import awaited, steps
    from facility.models import Gauge

    if text := FALLING.get(step.id):
        gauge = Gauge.objects.select_related("chamber").get(code="quayside-intro")
        awaited.write_pressure(session=lab.session, by=lab.ben, gauge=gauge, text=text)
        lab.session.refresh_from_db(fields=["last_step"])
        if lab.session.last_step == step.id:
            return  # the pressure took it
    holder = lab.holder if "holder" in (step.asks or ()) else None
    steps.take_step(session=lab.session, by=lab.ben, step_id=step.id, holder=holder, offline=True)


def walk(lab, browser, cookie):
    """Open the page of each step in both lights, then record the step."""
    from bookings import devices

    sheet = devices.sheet_of(lab.session)
    address = f"http://127.0.0.1:{PORT}"
    shots = {}
    for name, screen, light in VIEWS:
        context = browser.new_context(color_scheme=light, **SCREENS[screen])
        context.add_cookies([{"name": "sessionid", "value": cookie, "url": address}])
        shots[name] = (context.new_page(), [])

    def photograph(title):
        for name, (page, taken) in shots.items():
            page.goto(f"{address}/sessions/{lab.session.pk}/?unfold")
            page.wait_for_timeout(150)
            picture = page.screenshot()
            (OUT / f"{title}-{name}.png").write_bytes(picture)
            taken.append(picture)

    photograph("00-looks")
    look_around(lab, sheet)
    chosen = [step for step in sheet.steps if step.kind == "step"][:MOST_STEPS]
    for number, step in enumerate(chosen, 1):
        photograph(f"{number:02}-{step.id}")
        take_step(lab, step)
    return {name: taken for name, (_, taken) in shots.items()}


def contact_sheets(name, taken):
    """Twelve pictures a sheet, so that all are looked at in a few minutes."""
    from PIL import Image

    for view, pictures in taken.items():
        across, size = (ACROSS, THUMB) if view != "phone" else (PHONES_ACROSS, PHONE_THUMB)
        for first in range(0, len(pictures), SHEET_OF):
            some = pictures[first : first + SHEET_OF]
            high = -(-len(some) // across)
            sheet = Image.new("RGB", (across * size[0], high * size[1]), "grey")
            for n, picture in enumerate(some):
                small = Image.open(io.BytesIO(picture)).convert("RGB").resize(size)
                sheet.paste(small, (n % across * size[0], n // across * size[1]))
            sheet.save(OUT / f"sheet-{name}-{view}-{first // SHEET_OF + 1}.png")


def main():
    name = sys.argv[1] if sys.argv[1:] else "photoelectron"
    OUT.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="holdfast-steps-") as folder:
        os.environ |= environment(folder) | {
            "DJANGO_SETTINGS_MODULE": "facility.settings",
            "DJANGO_ALLOW_ASYNC_UNSAFE": "true",  # the browser's driver has its own loop
        }
        import django

        django.setup()
        from django.core.management import call_command
        from django.test import Client
        from playwright.sync_api import sync_playwright

        call_command("migrate", verbosity=0)
        call_command("collectstatic", interactive=False, verbosity=0)
        lab, client = furnish(name), Client()
        client.force_login(lab.ben)
        server = subprocess.Popen(
            [f"{sys.prefix}/bin/gunicorn", "facility.wsgi", "--bind", f"127.0.0.1:{PORT}",
             "--threads", "4", "--no-control-socket", "--log-level", "warning"],
            cwd=ROOT,
        )  # fmt: skip
        try:
            for _ in range(100):
                try:
                    urlopen(f"http://127.0.0.1:{PORT}/health/", timeout=2).close()
                    break
                except OSError:
                    time.sleep(0.2)
            with sync_playwright() as driver:
                browser = driver.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS)
                taken = walk(lab, browser, client.cookies["sessionid"].value)
                browser.close()
            contact_sheets(name, taken)
            print(f"{sum(len(rows) for rows in taken.values())} pictures in {OUT}")
        finally:
            server.terminate()
            server.wait()


if __name__ == "__main__":
    main()

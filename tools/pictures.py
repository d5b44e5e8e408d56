"""make pictures: the guide's pictures of the demo, taken in Chromium on a server of their own.

Named pictures only: python tools/pictures.py holder-paper chambers-tablet
"""

import io
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from urllib.request import urlopen

ROOT = Path(__file__).resolve().parent.parent
OUT = ROOT / "docs" / "guide" / "pictures"
PORT = int(os.environ.get("PICTURES_PORT", "8765"))
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
SCREENS = {
    "tablet": {"viewport": {"width": 1180, "height": 820}, "has_touch": True},
    "phone": {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True},
    "desk": {"viewport": {"width": 1440, "height": 900}},
    "paper": {"viewport": {"width": 703, "height": 1016}},  # A4 within its margins, 96 dots an inch
}
COLOURS = 128  # of a picture: enough for pages of few colours, and a third of the size
# name of the picture, who looks, screen, light, address (or what finds it)
PICTURES = [
    ("today-tablet", "ben", "tablet", "light", "/"),
    ("today-tablet-dim", "ben", "tablet", "dark", "/"),
    ("today-phone", "ben", "phone", "light", "/"),
    ("today-staff", "dee", "desk", "light", "/"),
    ("holders-tablet", "ben", "tablet", "light", "/holders/"),
    ("holder-tablet", "ben", "tablet", "light", "holder"),
    ("holder-phone", "ben", "phone", "light", "holder"),
    ("label-tablet", "ben", "tablet", "light", "label"),
    ("session-tablet", "ben", "tablet", "light", "session"),
    ("session-tablet-dim", "ben", "tablet", "dark", "session"),
    ("session-phone", "ben", "phone", "light", "session"),
    ("load-desk", "ben", "desk", "light", "load"),
    ("records-tablet", "ben", "tablet", "light", "/records/"),
    ("bookings-tablet", "ben", "tablet", "light", "/bookings/"),
    ("bookings-phone", "ben", "phone", "light", "/bookings/"),
    ("day-tablet", "ben", "tablet", "light", "day"),
    ("plan-tablet", "ben", "tablet", "light", "plan"),
    ("hours-tablet", "ada", "tablet", "light", "/hours/"),
    ("training-tablet", "dee", "tablet", "light", "training"),
    ("fault-phone", "ben", "phone", "light", "/instruments/quayside/fault/"),
    ("flags-desk", "dee", "desk", "light", "/flags/"),
    ("review-desk", "dee", "desk", "light", "/review/"),
    ("review-tablet", "dee", "tablet", "light", "/review/"),
    ("board-tablet", "dee", "tablet", "light", "board"),
    ("review-paper", "dee", "paper", "light", "/review/"),
    ("incidents-desk", "fay", "desk", "light", "/incidents/"),
    ("trace-desk", "dee", "desk", "light", "/tracing/?element=Sn&before=90"),
    ("instrument-tablet", "dee", "tablet", "light", "/instruments/quayside/"),
    ("health-tablet", "dee", "tablet", "light", "/instruments/quayside/health/"),
    ("check-desk", "dee", "desk", "light", "/checks/kinds/1/"),
    ("stores-tablet", "dee", "tablet", "light", "/stores/"),
    ("part-tablet", "dee", "tablet", "light", "/parts/1/"),
    ("chambers-tablet", "dee", "tablet", "light", "/instruments/quayside/chambers/"),
    ("arrange-tablet", "ben", "tablet", "light", "arrange"),
    ("holder-paper", "ben", "paper", "light", "holder"),
    ("label-paper", "ben", "paper", "light", "label"),
    ("hazards-paper", "fay", "paper", "light", "/hazards/"),
    ("record-paper", "ben", "paper", "light", "load"),
]


def environment(folder):
    """A demo of its own, so that no picture depends on what somebody clicked."""
    return os.environ | {
        "DATABASE_URL": f"sqlite:///{folder}/pictures.sqlite3",
        "MEDIA_ROOT": f"{folder}/media",
        "STATIC_ROOT": f"{folder}/static",
        "SECRET_KEY": "for pictures only",
        "HTTPS": "off",
        "DEMO": "on",
        "PUBLIC_URL": "https://holdfast.example.org",
    }


def addresses(env):
    """Where the open session, its load's holder and a finished load stand in this demo."""
    code = (
        "from bookings import board;from bookings.models import *;"
        "from facility.models import Instrument,Person,Training;"
        "from datetime import timedelta;from django.utils import timezone;"
        "b=board.renew(instrument=Instrument.objects.get(slug='quayside'),"
        "by=Person.objects.get(username='dee'));"
        "s=Session.objects.filter(closed_at=None).first();"
        "m=Flag.objects.waiting().exclude(holder=None).filter(severity='stop').first();"
        "l=Load.objects.exclude(taken_out_at=None).filter(loaded_by__username='ben').first();"
        "c=m.holder.code;"
        "t=Training.objects.filter(granted_at=None).last();"
        "d=timezone.localdate()+timedelta(days=1);"
        "print('|'.join([f'/sessions/{s.pk}/',f'/holders/{c}/',f'/holders/{c}/label/',"
        "f'/records/loads/{l.pk}/',f'/holders/{c}/arrange/',"
        "f'/board/{b}/',f'/trainings/{t.pk}/',f'/bookings/days/{d}/',"
        "f'/bookings/plan/?instrument=quayside&measure_at={d}T12:00&holder={c}']))"
    )
    said = subprocess.run(
        [sys.executable, "manage.py", "shell", "--verbosity", "0", "-c", code],
        env=env, cwd=ROOT, check=True, capture_output=True, text=True,
    ).stdout.strip()  # fmt: skip
    names = ("session", "holder", "label", "load", "arrange", "board", "training", "day", "plan")
    return dict(zip(names, said.split("|"), strict=True))


def take(env):
    """Every picture of PICTURES, one browser a person and screen."""
    import django
    from PIL import Image
    from playwright.sync_api import sync_playwright

    os.environ |= env | {"DJANGO_SETTINGS_MODULE": "facility.settings"}
    django.setup()
    from bookings.demo.cast import PASSWORD

    known, base = addresses(env), f"http://127.0.0.1:{PORT}"
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS)
        for name, who, screen, light, address in PICTURES:
            if sys.argv[1:] and name not in sys.argv[1:]:
                continue
            context = browser.new_context(base_url=base, color_scheme=light, **SCREENS[screen])
            page = context.new_page()
            page.goto("/sign-in/")
            page.fill("input[name=username]", who)
            page.fill("input[name=password]", PASSWORD)
            page.click("main button.press")
            page.goto(known.get(address, address))
            if screen == "paper":
                page.emulate_media(media="print")
            page.wait_for_timeout(400)
            if screen == "paper":
                page.emulate_media(media="print")
            picture = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
            picture.quantize(COLOURS).save(OUT / f"{name}.png", optimize=True)
            context.close()
            print(name)
        browser.close()


def main():
    OUT.mkdir(parents=True, exist_ok=True)
    sys.path.insert(0, str(ROOT))
    with tempfile.TemporaryDirectory(prefix="holdfast-pictures-") as folder:
        env = environment(folder)
        for words in (
            ["migrate", "-v0"],
            ["demo"],
            ["tick"],
            ["collectstatic", "--noinput", "-v0"],
        ):
            subprocess.run([sys.executable, "manage.py", *words], env=env, cwd=ROOT, check=True)
        server = subprocess.Popen(
            [f"{sys.prefix}/bin/gunicorn", "facility.wsgi", "--bind", f"127.0.0.1:{PORT}",
             "--threads", "4", "--no-control-socket", "--log-level", "warning"],
            env=env, cwd=ROOT,
        )  # fmt: skip
        try:
            for _ in range(100):
                try:
                    urlopen(f"http://127.0.0.1:{PORT}/health/", timeout=2).close()
                    break
                except OSError:
                    time.sleep(0.2)
            take(env)
        finally:
            server.terminate()
            server.wait()


if __name__ == "__main__":
    main()

"""The cast, the two databases, the browser, and which test needs what.

Ada manages, Ben is trained, Chao is a stranger from another group, Dee is staff.
"""

import os
from types import SimpleNamespace

import pytest

from tools import postgresql

os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")  # the browser's driver has its own loop

DATABASE_FIXTURES = {"db", "transactional_db", "live_server", "django_db_setup", "lab"}
SCREENS = {
    "tablet": {
        "viewport": {"width": 1180, "height": 820},
        "has_touch": True,
        "is_mobile": True,
        "device_scale_factor": 2,
    },
    "upright": {
        "viewport": {"width": 820, "height": 1180},
        "has_touch": True,
        "is_mobile": True,
        "device_scale_factor": 2,
    },
    "phone": {
        "viewport": {"width": 390, "height": 844},
        "has_touch": True,
        "is_mobile": True,
        "device_scale_factor": 2,
    },
    "desk": {"viewport": {"width": 1440, "height": 900}},
}
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
# Collects what the content security policy refused, before any script of the page runs.
CSP_LISTENER = """
window.refusedByPolicy = [];
document.addEventListener("securitypolicyviolation", (event) => {
  window.refusedByPolicy.push(`${event.violatedDirective} ${event.blockedURI} ${event.sourceFile}`);
});
"""


def pytest_configure(config):
    config.addinivalue_line("markers", "database: needs the database (set by itself)")


def pytest_collection_modifyitems(items):
    """A test that reaches a database is marked so; the others are pure and run once."""
    for item in items:
        fixtures = set(getattr(item, "fixturenames", ()))
        if item.get_closest_marker("django_db") or fixtures & DATABASE_FIXTURES:
            item.add_marker(pytest.mark.database)


@pytest.fixture(scope="session")
def postgresql_socket():
    """The socket of a throw-away cluster; with DURABLE=1 it keeps its promises to the disk."""
    if postgresql.programs() is None:
        pytest.exit("PostgreSQL is missing: apt-get install postgresql", 4)
    with postgresql.cluster(durable=os.environ.get("DURABLE") == "1") as socket:
        yield socket


@pytest.fixture(scope="session")
def django_db_modify_db_settings(request, django_db_modify_db_settings_parallel_suffix):
    from django.db import connections

    if connections["default"].vendor == "postgresql":
        socket = request.getfixturevalue("postgresql_socket")
        connections["default"].settings_dict["HOST"] = socket


@pytest.fixture(scope="session")
def django_db_setup(django_test_environment, django_db_blocker, django_db_modify_db_settings):
    """The test database, for whatever fixture asks for it.

    The plugin's own makes one only where a test of the run is marked; a module's fixture that
    runs before would then write into the database of the settings.
    """
    from django.test.utils import setup_databases, teardown_databases

    with django_db_blocker.unblock():
        made = setup_databases(verbosity=0, interactive=False, serialized_aliases=set())
    yield
    with django_db_blocker.unblock():
        teardown_databases(made, verbosity=0)


@pytest.fixture
def lab(db):
    """A small laboratory with its cast; see tests/build.py."""
    from tests import build

    return build.lab()


# The browser


@pytest.fixture(scope="session")
def chromium():
    """Debian's Chromium, driven by Playwright, which downloads nothing."""
    from playwright.sync_api import sync_playwright

    if not os.path.exists("/usr/bin/chromium"):
        pytest.exit("Chromium is missing: apt-get install chromium fonts-dejavu-core", 4)
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture
def screen(chromium, live_server):
    """`screen("tablet", light="dark")` opens a page there; the policy refused nothing in the end.

    A test that provokes a refusal, or an answer of 4xx that the console tells, clears
    `page.complaints` after it has looked.
    """
    opened = []

    def open_screen(name="tablet", *, light="light", **more):
        context = chromium.new_context(
            base_url=live_server.url, color_scheme=light, **{**SCREENS[name], **more}
        )
        context.set_default_timeout(10_000)
        context.add_init_script(CSP_LISTENER)
        page = context.new_page()
        page.complaints = []
        page.on("pageerror", lambda problem: page.complaints.append(str(problem)))
        page.on(
            "console",
            lambda said: page.complaints.append(said.text) if said.type == "error" else None,
        )
        opened.append(SimpleNamespace(page=page, context=context))
        return page

    yield open_screen
    for screen in opened:
        refused = []
        if not screen.page.is_closed():
            refused = screen.page.evaluate("window.refusedByPolicy || []")
        screen.context.close()
        assert screen.page.complaints + refused == []


@pytest.fixture
def sign_in(live_server):
    """`sign_in(page, lab.ben)` signs in as a person would, by name and password."""
    from tests import build

    def by_name_and_password(page, person, password=build.PASSWORD):
        page.goto("/sign-in/")
        page.fill("input[name=username]", person.username)
        page.fill("input[name=password]", password)
        page.get_by_role("button", name="Sign in").click()
        page.wait_for_url(lambda url: "/sign-in/" not in url)

    return by_name_and_password


@pytest.fixture
def accessible():
    """`accessible(page)` runs axe on the page as it stands; nothing serious or critical is found."""
    from axe_playwright_python.sync_playwright import Axe

    def nothing_serious(page):
        found = Axe().run(page).response["violations"]
        grave = [
            f"{rule['id']} ({rule['impact']}): {node['target']} {node['failureSummary']}"
            for rule in found
            if rule["impact"] in ("serious", "critical")
            for node in rule["nodes"]
        ]
        assert grave == []

    return nothing_serious

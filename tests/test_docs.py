"""Nothing that can be set or called is missing from the documents, and their links lead somewhere."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
COMMANDS = sorted(
    path.stem for path in ROOT.glob("*/management/commands/*.py") if path.stem != "__init__"
)
READERS = re.compile(r"\benv(?:_bool|_list)?\(\s*\"([A-Z_]+)\"")
SHELL = re.compile(r"\$\{([A-Z_]+):-")
PAGES = sorted({ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").rglob("*.md")})


def variables():
    """Every environment variable that the settings or the scripts read."""
    found = set(READERS.findall((ROOT / "facility" / "settings.py").read_text()))
    for script in (ROOT / "tools").glob("*.sh"):
        found.update(SHELL.findall(script.read_text()))
    return sorted(found)


@pytest.fixture(scope="module")
def developers():
    return (ROOT / "DEVELOPERS.md").read_text()


def test_given_settings_and_scripts_when_read_then_variables_and_commands_are_found():
    assert {"SECRET_KEY", "DATABASE_URL", "HTTPS", "PORT", "ALLOW_SKIPS"} <= set(variables())
    assert {"verify_log", "flush"} <= set(COMMANDS)


@pytest.mark.parametrize("name", variables())
def test_given_an_environment_variable_when_looked_up_then_developers_find_it(developers, name):
    assert f"`{name}`" in developers


@pytest.mark.parametrize("name", COMMANDS)
def test_given_a_command_when_looked_up_then_developers_find_it(developers, name):
    assert re.search(rf"\b{name}\b", developers)


@pytest.mark.parametrize("page", PAGES, ids=lambda path: str(path.relative_to(ROOT)))
def test_given_a_page_when_its_links_are_followed_then_each_leads_to_a_file(page):
    links = re.findall(r"\]\(([^)#\s]+)", page.read_text())
    ours = [link for link in links if "://" not in link and not link.startswith("mailto:")]

    assert [link for link in ours if not (page.parent / link).exists()] == []


def test_given_decision_records_when_read_then_each_has_its_five_parts_on_one_screen():
    records = sorted((ROOT / "docs" / "decisions").glob("*.md"))

    assert len(records) >= 4
    for number, record in enumerate(records, 1):
        text = record.read_text()
        assert record.name.startswith(f"{number:04}-")
        assert text.startswith(f"# {number}. ")
        for part in ("Question", "Decision", "Not taken", "Costs", "Undo when"):
            assert re.search(rf"^(\*\*)?{part}\b", text, re.MULTILINE), f"{record.name}: {part}"
        assert len(text.splitlines()) <= 40

"""The figures of the method pages show the numbers that lie beside them."""

import shutil
from pathlib import Path

import pytest

from tools import figures

KEPT = Path(__file__).parent.parent / "docs" / "figures"


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    folder = tmp_path_factory.mktemp("figures")
    shutil.copy(KEPT / "measured.csv", folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(figures, "OUT", folder)
        figures.main()
    return folder


@pytest.mark.parametrize("name", sorted(path.name for path in KEPT.glob("*.svg")))
def test_given_the_measured_numbers_when_drawn_again_then_the_figure_is_the_one_kept(drawn, name):
    assert (drawn / name).read_text(encoding="utf-8") == (KEPT / name).read_text(encoding="utf-8")


def test_given_the_figures_when_counted_then_each_stands_on_a_method_page(drawn):
    pages = "".join(page.read_text() for page in KEPT.parent.glob("method-*.md"))

    names = {path.name for path in drawn.glob("*.svg")}
    assert len(names) == 5
    assert all(f"(figures/{name})" in pages for name in names)

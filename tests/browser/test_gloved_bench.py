"""The gloved task: a known holder, six registered samples; taps and seconds are counted, no keyboard."""

import time

import pytest

from samples.models import Mount

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

TAPS_AT_MOST, SECONDS_AT_MOST = 20, 90
SAMPLES = [
    ("TiN coating 01", "film", {"composition": "TiN", "wants": "Ti 2p"}),
    ("TiN coating 02", "film", {"composition": "TiN", "wants": "Ti 2p"}),
    ("Sol-gel silica on steel 03", "film", {"composition": "SiO2", "wants": "O 1s"}),
    ("Limestone core, harbour wall 04", "bulk", {"composition": "CaCO3", "wants": "Ca 2p"}),
    ("Anatase A3", "powder", {"composition": "TiO2", "wants": "Ti 2p"}),
    ("Ceria–zirconia 02", "powder", {"composition": "Ce0.9Zr0.1O2", "wants": "Ce 3d"}),
]


@pytest.fixture
def cast(transactional_db):
    from tests import build

    lab = build.lab()
    for title, form, more in reversed(SAMPLES):
        build.sample(title, owner=lab.ben, form=form, width_mm=3.0, height_mm=3.0, **more)
    return lab


class Gloves:
    """Taps on a page, counted; a key press is a failure. Targets under a glove are 44 px at least."""

    def __init__(self, page):
        self.page, self.taps = page, 0
        page.add_init_script("addEventListener('keydown', () => sessionStorage.setItem('key', 1))")

    def tap(self, found):
        box = found.bounding_box()
        assert box["height"] >= 44, box
        assert box["width"] >= 44, box
        self.taps += 1
        found.tap()
        self.page.wait_for_load_state()


def test_given_six_samples_and_gloves_when_mounted_then_twenty_taps_and_ninety_seconds_suffice(
    cast, screen, sign_in, accessible
):
    page = screen("tablet")
    sign_in(page, cast.ben)
    gloves = Gloves(page)
    page.goto(f"/holders/{cast.holder.code}/")
    started = time.monotonic()

    gloves.tap(page.get_by_role("link", name="Mount a sample").first)
    for number, (title, form, _) in enumerate(SAMPLES, 1):
        if number > 1:  # the first position is chosen already
            gloves.tap(page.get_by_role("link", name=f"position {number}, free"))
        gloves.tap(page.get_by_role("button", name=title).first)
        page.get_by_text(f"{title} is on position {number}.").wait_for()
        if form == "powder":
            gloves.tap(page.get_by_role("button", name="Tapped off, upside down"))
            page.get_by_role("button", name="Tapped off, upside down").wait_for(state="detached")
    accessible(page)
    gloves.tap(page.get_by_role("link", name="Done, to the bench steps"))
    gloves.tap(page.get_by_role("button", name="Prepared as usual"))
    gloves.tap(page.get_by_role("button", name="Passes 1 mm"))
    page.get_by_text("Passes under the 1 mm gauge, which counts.").wait_for()
    seconds = time.monotonic() - started

    print(f"{gloves.taps} taps, {seconds:.1f} s of the tool's own time")
    assert Mount.objects.standing().count() == len(SAMPLES)
    assert {row.position for row in Mount.objects.standing()} == set(range(1, 7))
    assert gloves.taps <= TAPS_AT_MOST
    assert seconds <= SECONDS_AT_MOST
    assert page.evaluate("sessionStorage.getItem('key')") is None
    assert "stop" not in page.locator("#findings header").inner_text()
    accessible(page)


def test_given_a_sample_when_dragged_and_moved_by_keys_then_gap_and_findings_follow_and_it_is_kept(
    cast, screen, sign_in
):
    from samples import mount
    from samples.models import Sample

    for n, x in ((0, -5.0), (1, 5.0)):
        sample = Sample.objects.get(title=SAMPLES[n][0])
        mount.mount(holder=cast.holder, sample=sample, by=cast.ben, x_mm=x, y_mm=0.0)
    page = screen("desk")
    sign_in(page, cast.ben)
    page.goto(f"/holders/{cast.holder.code}/")
    box = page.locator('g[data-mount="p1"]').bounding_box()
    other = page.locator('g[data-mount="p2"]').bounding_box()
    x, y = box["x"] + box["width"] / 2 + 18, box["y"] + box["height"] / 2 + 18

    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 0.55 * (other["x"] - box["x"]), y, steps=6)
    says = page.locator("[data-lay-says]").inner_text()
    page.mouse.up()
    page.get_by_text("Findings if you keep it").wait_for()

    assert "nearest gap 1." in says
    assert "XCN-01" in page.locator("#findings").inner_text()
    assert Mount.objects.get(position=1).x_mm == -5.0  # nothing is kept yet

    page.locator('g[data-mount="p1"]').focus()
    for _ in range(4):
        page.keyboard.press("ArrowUp")
    page.get_by_role("button", name="Keep it so").click()
    page.wait_for_load_state()

    kept = Mount.objects.get(position=1)
    assert kept.x_mm == pytest.approx(0.5, abs=0.6)
    assert kept.y_mm == pytest.approx(2.0, abs=0.6)


def test_given_a_hand_scanner_when_it_types_and_ends_with_enter_then_the_holder_opens(
    cast, screen, sign_in
):
    page = screen("tablet")
    sign_in(page, cast.ben)
    page.goto("/holders/")

    page.keyboard.type(cast.holder.code, delay=2)  # the field has the focus by itself
    page.keyboard.press("Enter")

    page.wait_for_url(f"**/holders/{cast.holder.code}/")


FRAMES = """
() => {
  window.frames_ = []; let last = performance.now()
  const tick = now => { window.frames_.push(now - last); last = now; window.going = requestAnimationFrame(tick) }
  requestAnimationFrame(tick)
}
"""


def test_given_twelve_samples_and_a_slow_tablet_when_dragged_then_thirty_frames_a_second_are_drawn(
    cast, screen, sign_in
):
    from samples import mount
    from tests import build

    for n in range(12):
        sample = build.sample(
            f"Coupon {n}", owner=cast.ben, form="bulk", composition="Fe", wants="Fe 2p",
            width_mm=2.5, height_mm=2.5,
        )  # fmt: skip
        x, y = -7.5 + 5 * (n % 4), -5 + 5 * (n // 4)
        mount.mount(holder=cast.holder, sample=sample, by=cast.ben, x_mm=x, y_mm=y)
    page = screen("desk")
    sign_in(page, cast.ben)
    page.goto(f"/holders/{cast.holder.code}/")
    slow = page.context.new_cdp_session(page)
    slow.send("Emulation.setCPUThrottlingRate", {"rate": 4})
    box = page.locator('g[data-mount="p6"]').bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.evaluate(FRAMES)

    page.mouse.move(x + 60, y + 40, steps=60)
    page.mouse.move(x - 20, y - 30, steps=60)

    times = sorted(
        page.evaluate("() => { cancelAnimationFrame(window.going); return window.frames_ }")
    )
    slow.send("Emulation.setCPUThrottlingRate", {"rate": 1})
    page.wait_for_timeout(1500)  # what was asked while it was slow is answered
    with page.expect_response("**/findings/**") as answered:
        page.mouse.move(x + 10, y + 10)
        rested = time.monotonic()
    answered.value.finished()
    waited = 1000 * (time.monotonic() - rested)
    page.mouse.up()

    usual, slowest = times[len(times) // 2], times[int(len(times) * 0.95)]
    print(f"{len(times)} frames, {1000 / usual:.0f} a second, 95 % within {slowest:.0f} ms")
    print(f"findings {waited:.0f} ms after the finger rests")
    assert "nearest gap" in page.locator("[data-lay-says]").inner_text()
    assert len(times) > 30
    assert usual <= 1000 / 30
    assert waited <= 1000  # aim 300 ms; a shared machine may be slower

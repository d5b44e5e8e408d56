"""What a bottle holds, when to order, what a room keeps: against frozen values and worked examples."""

from datetime import UTC, datetime, timedelta

import pytest

from facility import gas_watch, stocking
from facility.vacuum import cylinders, oxygen
from tests.published.test_vacuum_oracles import oracles

DENSITIES = {
    (name, temperature, round(pressure)): value
    for name, temperature, pressure, value in oracles("density")
}
STORE_K = 288.15  # 15 °C, at which suppliers count, and 1 bar
FULL = 20_000_000


@pytest.mark.parametrize(
    ("gas", "cubic_metres"),
    # let out at 15 °C and 1 bar by CoolProp's densities: 223.2 and 356.0 kg/m³ over 1.170 and 1.669
    [("nitrogen", 9.5), ("argon", 10.7)],
)
def test_a_bottle_of_50_litres_at_200_bar_holds_what_coolprop_says(gas, cubic_metres):
    full, out = DENSITIES[gas, STORE_K, FULL], DENSITIES[gas, STORE_K, 100_000]

    mass = cylinders.content(gas, 0.050, 200e5, STORE_K)
    volume = cylinders.free_volume(gas, mass)

    assert mass == pytest.approx(0.050 * full, rel=4e-4)
    assert volume == pytest.approx(0.050 * full / out, rel=6e-4)
    assert volume == pytest.approx(cubic_metres, abs=0.1)


def test_the_dial_of_such_a_bottle_gives_the_same_content():
    dial = gas_watch.Dial(
        datetime(2026, 1, 5, tzinfo=UTC), cylinders.from_dial(200e5 - cylinders.ATMOSPHERE), STORE_K
    )

    mass = gas_watch.content_kg("nitrogen", 0.050, dial)

    assert mass == pytest.approx(0.050 * DENSITIES["nitrogen", STORE_K, FULL], rel=4e-4)


@pytest.mark.parametrize(
    ("given", "safety", "point"),
    [
        # a carpet shop: 30 yards a day, s 5, ten days, 95 % (z = 1.65): the question in
        # https://flylib.com/books/en/3.287.1.225/1/, "Reorder Point with Variable Demand";
        # its answer, 26.1 and 326.1, from memory
        ((30, 5, 10, 0), 26.1, 326.1),
        # a warehouse: five a day without scatter, three days, s 2, 95 %: the question in
        # https://brainmass.com/business/purchases-inventory-and-cogs/
        # quantitative-analysis-inventory-control-models-468949; its answer, s 10 over the lead
        # time and 1.65 of it, from memory
        ((5, 0, 3, 2), 16.5, 31.5),
    ],
)
def test_the_reorder_point_is_that_of_worked_examples(given, safety, point):
    found = stocking.reorder_point(*given)

    assert found == pytest.approx(point, abs=0.05)
    assert found - given[0] * given[2] == pytest.approx(safety, abs=0.05)


def test_ten_cubic_metres_of_nitrogen_in_sixty_leave_17_4_percent_of_oxygen():
    # 20.9 (1 - 10/60), own calculation; no source beyond the definition of a share
    assert oxygen.oxygen_left(10, 60) == pytest.approx(17.4, abs=0.05)
    assert oxygen.worst_oxygen(10, 60).severity == "staff"


def test_a_room_with_one_full_bottle_of_nitrogen_is_counted_at_room_temperature():
    mass = cylinders.content("nitrogen", 0.050, 200e5, STORE_K)
    out = DENSITIES["nitrogen", STORE_K, 100_000] * STORE_K / 293.15 * 1.01325  # ideal this near

    volume = gas_watch.room_gas([("nitrogen", mass)])

    assert volume == pytest.approx(0.050 * DENSITIES["nitrogen", STORE_K, FULL] / out, rel=1e-3)
    assert oxygen.oxygen_left(volume, 60) == pytest.approx(17.6, abs=0.1)


def test_62_bar_gone_in_a_week_are_a_loss_and_16_bar_of_booked_vents_are_none():
    # rule INV-02 by the ideal law: 62 bar of 50 L are 3.1 m³ at 1 bar; 16 bar are 0.8 m³
    monday = datetime(2026, 1, 5, tzinfo=UTC)
    before = gas_watch.Dial(monday, 200e5)

    def alarms(after, used):
        dial = gas_watch.Dial(monday + timedelta(days=7), after)
        uses = [gas_watch.Use(monday + timedelta(days=2), used)]
        return gas_watch.alarms([before, dial], uses, 0.050, "nitrogen")

    assert [round(row.drop / 1e5) for row in alarms(138e5, 0.0)] == [62]
    assert alarms(184e5, 0.8 * 1.17) == []

"""Best known packings of equal discs in a disc, as radius of the outer over that of the inner.

Source: R. L. Graham, B. D. Lubachevsky, K. J. Nurmela, P. R. J. Östergård, Dense packings of
congruent circles in a circle, Discrete Mathematics 181 (1998) 139-154.
"""

import pytest

from samples import geometry
from samples.arrangement import Impossible, arrange
from samples.layout import read_layout

RATIOS = {1: 1, 2: 2, 3: 2.1547, 4: 2.4142, 5: 2.7013, 6: 3, 7: 3, 8: 3.3048, 9: 3.6131, 10: 3.8130}
SPARE = 1.03
MIN_GAP = 0.5


def layout(count, ratio, disc_mm, holder="disc", edge_margin=2.0):
    """`count` discs on a holder so large that (R + gap/2) / (r + gap/2) is `ratio`."""
    usable = ratio * (disc_mm / 2 + MIN_GAP / 2) - MIN_GAP / 2
    diameter = 2 * (usable + edge_margin)
    footprint = {"shape": "disc", "diameter_mm": disc_mm}
    return read_layout(
        {
            "holder": {"shape": holder, "diameter_mm": diameter, "edge_margin_mm": edge_margin},
            "rules": {"min_gap_mm": MIN_GAP},
            "mounts": [{"id": f"p{n}", "footprint": footprint} for n in range(count)],
        },
        placed=False,
    )


@pytest.mark.parametrize("disc_mm", [3.0, 6.0])
@pytest.mark.parametrize(("count", "ratio"), RATIOS.items())
def test_given_three_per_cent_to_spare_over_the_best_packing_when_arranged_then_all_fit(
    count, ratio, disc_mm
):
    given = layout(count, SPARE * ratio, disc_mm)

    found = arrange(given)

    assert not isinstance(found, Impossible), found.says
    assert geometry.outside(found) == []
    assert geometry.overlaps(found) == []
    assert geometry.narrow_gaps(found) == []


@pytest.mark.parametrize("count", [3, 7, 10])
def test_given_three_per_cent_too_little_when_arranged_then_the_best_packing_is_not_beaten(count):
    assert isinstance(arrange(layout(count, RATIOS[count] / SPARE, 5.0)), Impossible)


@pytest.mark.parametrize("seed", range(20))
def test_given_any_seed_when_ten_discs_are_arranged_then_all_fit(seed):
    found = arrange(layout(10, SPARE * RATIOS[10], 4.0), seed=seed)

    assert not isinstance(found, Impossible)
    assert geometry.narrow_gaps(found) == []

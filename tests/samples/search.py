"""A second, independent search for places on a holder: throw at random, then shake what is tight.

It shares nothing with the product's way (least squares on many layouts at once): one layout, one
sample moved at a time, distances by shapely. `python -m tests.samples.search` writes
arrangements.csv, what it found for 200 random sets, for the tests to compare with.
"""

import csv
import math
import random
import sys
from pathlib import Path

import numpy as np
import shapely

FOUND = Path(__file__).parent / "arrangements.csv"
MIN_GAP_MM = 0.5
SETS, RESTARTS, MOVES = 200, 8, 4000


def random_set(number):
    """The layout document of set `number`: 2 to 12 discs and rectangles, roomy to tight; two of
    them a powder and a film."""
    rng = random.Random(1000 + number)
    count = rng.randint(2, 12)
    if rng.random() < 0.75:
        holder = {"shape": "disc", "diameter_mm": 25.4, "edge_margin_mm": 2.0}
        area = math.pi * 10.7**2
    else:
        width, height = rng.uniform(15, 60), rng.uniform(12, 30)
        holder = {"shape": "rectangle", "width_mm": width, "height_mm": height, "edge_margin_mm": 1}
        area = (width - 2) * (height - 2)
    each = area * rng.uniform(0.08, 0.6) / count
    mounts = []
    for n in range(count):
        size = each * rng.uniform(0.4, 1.6)
        if rng.random() < 0.5:
            footprint = {"shape": "disc", "diameter_mm": 2 * math.sqrt(size / math.pi)}
        else:
            longer = rng.uniform(1, 2.5)
            footprint = {
                "shape": "rectangle",
                "width_mm": math.sqrt(size * longer),
                "height_mm": math.sqrt(size / longer),
            }
        mounts.append({"id": f"p{n}", "footprint": footprint})
    powder, film = rng.sample(range(count), 2)
    mounts[powder]["form"], mounts[film]["form"] = "powder", "film"
    return {"holder": holder, "rules": {"min_gap_mm": MIN_GAP_MM}, "mounts": mounts}


class Bench:
    """Cores (points or rectangles) with radii on an area, and how good a layout of them is."""

    def __init__(self, document, rng):
        self.rng = rng
        prints = [mount["footprint"] for mount in document["mounts"]]
        self.radii = np.array([each.get("diameter_mm", 0) / 2 for each in prints])
        self.halves = [
            (each.get("width_mm", 0) / 2, each.get("height_mm", 0) / 2) for each in prints
        ]
        holder, margin = document["holder"], document["holder"]["edge_margin_mm"]
        self.round = holder["shape"] == "disc"
        if self.round:
            self.half = (holder["diameter_mm"] / 2 - margin,) * 2
        else:
            self.half = holder["width_mm"] / 2 - margin, holder["height_mm"] / 2 - margin
        forms = [mount.get("form") for mount in document["mounts"]]
        self.pair = forms.index("powder"), forms.index("film")

    def core(self, n, x, y, turn):
        half_width, half_height = self.halves[n]
        if not half_width:
            return shapely.Point(x, y)
        cos, sin = math.cos(turn), math.sin(turn)
        return shapely.Polygon(
            [
                (x + u * half_width * cos - v * half_height * sin,
                 y + u * half_width * sin + v * half_height * cos)
                for u, v in ((-1, -1), (1, -1), (1, 1), (-1, 1))
            ]
        )  # fmt: skip

    def past(self, n, core):
        """How far a sample is past the edge of the area; 0 inside."""
        points = shapely.get_coordinates(core)
        if self.round:
            return max(0.0, np.hypot(*points.T).max() + self.radii[n] - self.half[0])
        return max(0.0, (np.abs(points) - self.half).max() + self.radii[n])

    def room(self, n, core, cores):
        """Gaps from sample n to all others, below zero where they overlap; to itself: much."""
        gaps = shapely.distance(core, cores) - self.radii - self.radii[n]
        for k in np.flatnonzero(gaps <= -self.radii - self.radii[n] + 1e-12):  # cores overlap
            if k != n:
                gaps[k] -= math.sqrt(core.intersection(cores[k]).area) + 1e-3
        gaps[n] = np.inf
        return gaps

    def throw(self):
        return [
            (
                self.rng.uniform(-1, 1) * self.half[0] * 0.8,
                self.rng.uniform(-1, 1) * self.half[1] * 0.8,
                self.rng.uniform(0, math.pi),
            )
            for _ in self.halves
        ]


def shaken(bench, least=None):
    """The largest value that shaking one random layout reaches.

    Without `least` the value is the smallest gap. With it the value is the distance of the risky
    pair while no gap is below `least`, or below zero where that was not reached.
    """
    spots = bench.throw()
    cores = np.array([bench.core(n, *spot) for n, spot in enumerate(spots)])
    gaps = np.array([bench.room(n, core, cores) for n, core in enumerate(cores)])
    past = np.array([bench.past(n, core) for n, core in enumerate(cores)])
    step = max(bench.half)
    a, b = bench.pair

    def value(gaps, past):
        smallest, out = gaps.min(), past.max()
        if least is None:
            if out > 0:
                return -100.0 - out, smallest
            return smallest, gaps[gaps < np.inf].clip(max=smallest + 1).sum()
        short = max(0.0, least - smallest) + out
        return (gaps[a, b] if short == 0 else -short), 0.0

    best = value(gaps, past)
    for move in range(MOVES):
        far = step * math.exp(-7.0 * move / MOVES)
        if bench.rng.random() < 0.7 or least is not None:
            n = bench.rng.randrange(len(spots))
        else:
            n = int(np.unravel_index(gaps.argmin(), gaps.shape)[bench.rng.randrange(2)])
        x, y, turn = spots[n]
        spot = (
            x + bench.rng.gauss(0, far),
            y + bench.rng.gauss(0, far),
            turn + bench.rng.gauss(0, 0.3 * far),
        )
        core = bench.core(n, *spot)
        new_past, new_gaps = past.copy(), gaps.copy()
        new_past[n] = bench.past(n, core)
        new_gaps[n] = new_gaps[:, n] = bench.room(n, core, cores)
        new = value(new_gaps, new_past)
        if new >= best:
            best, gaps, past = new, new_gaps, new_past
            spots[n], cores[n] = spot, core
    return float(best[0])


def found(number):
    """Smallest gap [mm], and best distance of the risky pair with MIN_GAP_MM kept, of a set."""
    bench = Bench(random_set(number), random.Random(number))
    gap = max(shaken(bench) for _ in range(RESTARTS))
    pair = max(shaken(bench, MIN_GAP_MM) for _ in range(RESTARTS)) if gap >= MIN_GAP_MM else -1.0
    return round(gap, 4), round(pair, 4)


def stored():
    """Set number, smallest gap and pair distance of each row of arrangements.csv."""
    with FOUND.open(encoding="utf-8", newline="") as lines:
        return [
            (int(row["set"]), float(row["gap_mm"]), float(row["pair_mm"]))
            for row in csv.DictReader(lines)
        ]


if __name__ == "__main__":
    with FOUND.open("w", encoding="utf-8", newline="") as lines:
        writer = csv.writer(lines, lineterminator="\n")
        writer.writerow(["set", "gap_mm", "pair_mm"])
        for number in range(int(sys.argv[1]) if len(sys.argv) > 1 else SETS):
            writer.writerow([number, *found(number)])
            lines.flush()

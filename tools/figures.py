"""Draws the figures of the method pages from docs/figures/measured.csv and the open records.

.venv/bin/python -m tools.figures        (a second; `tools.measure` writes the CSV)
"""

import csv
import itertools
import math
from pathlib import Path
from xml.sax.saxutils import escape

from facility.chart.axes import log_axis, time_axis
from facility.chart.paper import Line, Scale, Size, Word, path_of

ROOT = Path(__file__).parent.parent
OUT = ROOT / "docs" / "figures"
RECORDS = ROOT / "tests" / "published" / "open_records.csv"
PAPER = Size("figure", 780, 360, left=64, right=150, top=20, bottom=52)
MBAR = 100.0
TURBO_MBAR = 2e-5  # the threshold at which the open records are asked
LATE_S = (7200, 60000)  # where the slope of an open record is fitted
TOP_MBAR = 1e-4  # a pump-down is drawn from here down

# The colours of static/css/tokens.css by day: a picture on another page has no style sheet.
STYLE = """
rect.paper{fill:#f7f4ea}text{font:13.5px 'DejaVu Sans',sans-serif;fill:#535a5b}
.said{fill:#1b2833;font-weight:700}.calm-word{fill:#1d6c5c}.warn-word{fill:#855600}
path{fill:none}.grid{stroke:#d3cdba}.axis{stroke:#1b2833}.curve{stroke:#1b2833;stroke-width:2.25}
.second{stroke:#1b2833;stroke-width:1.5;stroke-dasharray:2 5;stroke-linecap:round}
.other{stroke:#857f6a;stroke-width:1.75}.threshold{stroke:#1d6c5c;stroke-width:2;
stroke-dasharray:9 4}.limit{stroke:#855600;stroke-width:1.5;stroke-dasharray:9 4}
.band{fill:#d8e7db}.bracket{stroke:#1d6c5c;stroke-width:3}
.ready{fill:#1d6c5c;stroke:#f7f4ea;stroke-width:2}.dot{fill:#1b2833}
.odd{fill:#855600}.open{fill:#f7f4ea;stroke:#1b2833;stroke-width:1.5}
"""


def figure(name, says, paths, words, size=PAPER):
    """Writes one SVG; `says` is read out where the picture cannot be seen."""
    box = f"0 0 {size.width} {size.height}"
    drawn = [f'<path class="{line.kind}" d="{line.d}"/>' for line in paths if line.d]
    drawn += [
        f'<text class="{word.kind}" x="{word.x:.1f}" y="{word.y:.1f}" '
        f'text-anchor="{word.anchor}">{escape(word.text)}</text>'
        for word in words
    ]
    text = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}" role="img">'
        f"<title>{escape(says)}</title><style>{STYLE}</style>"
        f'<rect class="paper" width="{size.width}" height="{size.height}"/>\n'
        + "\n".join(drawn)
        + "\n</svg>\n"
    )
    (OUT / f"{name}.svg").write_text(text, encoding="utf-8")


def disc(x, y, r=3.5):
    return f"M{x - r:.1f} {y:.1f}a{r} {r} 0 1 0 {2 * r} 0a{r} {r} 0 1 0 -{2 * r} 0Z"


def diamond(x, y, r=7):
    return f"M{x:.1f} {y - r:.1f}l{r} {r}l-{r} {r}l-{r} -{r}Z"


def dash(scale, value, size=PAPER):
    return f"M{size.left:g} {scale(value):.1f}H{size.end:g}"


def foot(size, text):
    return Word(text, (size.left + size.end) / 2, size.height - 10, anchor="middle")


def pump_down(rows, made):
    """The readings of one run, and what was said at four moments, each on a line of its own."""
    size = Size("figure", 780, 480, left=64, right=150, top=20, bottom=52)
    above = Size("above", 780, 320, left=64, right=150, top=20, bottom=20)
    truth = next(row for row in rows if row["of"] == "truth")
    true_s, threshold = float(truth["at"]), float(truth["value"]) / MBAR
    readings = [
        (float(row["at"]), float(row["value"]) / MBAR)
        for row in rows
        if row["of"] == "reading" and row["value"] != "nan"
    ]
    until = 1.15 * max(float(row["high"] or 0) for row in rows)
    seen = [(at, p) for at, p in readings if at < until and p < TOP_MBAR]
    x = Scale(0, until, size.left, size.end)
    y, paths, words = log_axis(above, threshold / 3, TOP_MBAR, "", "")
    ticks = [(m * 60, f"{m}") for m in range(10, int(until / 60), 10)]
    frame, named = time_axis(size, x, ticks, "0")
    true_x = x(true_s)
    paths += [
        *frame,
        Line("threshold", dash(y, threshold, above)),
        Line("limit", f"M{true_x:.1f} {above.top:g}V{size.foot:g}"),
        Line("curve", path_of([(x(at), y(p)) for at, p in seen])),
    ]
    words += [
        *named,
        Word("mbar", size.left + 60, above.top + 14),
        Word("threshold", size.end + 8, y(threshold) + 4, "calm-word"),
        Word(f"true: {true_s / 60:.1f} min", true_x + 8, above.top + 14, "warn-word"),
        foot(size, "minutes of pumping"),
    ]
    for place, row in enumerate(row for row in rows if row["of"] == "forecast"):
        height = above.height + 14 + place * 26
        ready, low, high = (x(float(row[key])) for key in ("value", "low", "high"))
        asked = x(float(row["at"]) * 60)
        paths += [
            Line("second", f"M{asked:.1f} {height}H{low:.1f}"),
            Line("band", f"M{low:.1f} {height - 9}H{high:.1f}v18H{low:.1f}Z"),
            Line("bracket", f"M{low:.1f} {height - 9}v18M{high:.1f} {height - 9}v18"),
            Line("dot", disc(asked, height)),
            Line("ready", diamond(ready, height)),
        ]
        said = f"at {row['at']} min: {float(row['value']) / 60:.1f}"
        words.append(Word(said, size.end + 8, height + 5, "said"))
    says = f"One simulated pump-down and its forecasts at 5, 10, 20 and 30 min ({made})"
    figure("pump-down", says, paths, words, size)


def error_by_moment(rows, made):
    """Median |ln error| of the time remaining against the moment of the question."""
    moments = ["5 min", "10 min", "20 min", "30 min"]
    shares = ["25%", "50%", "75%"]
    y, paths, words = log_axis(PAPER, 0.02, 20, "", "median |ln error| of the time remaining")
    columns = {at: PAPER.left + 50 + 70 * n for n, at in enumerate(moments)}
    columns |= {at: PAPER.left + 350 + 70 * n for n, at in enumerate(shares)}
    paths.append(Line("axis", f"M{PAPER.left:g} {PAPER.top:g}V{PAPER.foot:g}H{PAPER.end:g}"))
    words += [Word(at, x, PAPER.foot + 20, anchor="middle") for at, x in columns.items()]
    words.append(foot(PAPER, "asked after so many minutes; after this share of the true time"))
    ends = []
    for name in dict.fromkeys(row["of"] for row in rows):
        values = {row["at"]: float(row["value"]) for row in rows if row["of"] == name}
        own = name == "Holdfast"
        for part in (moments, shares):
            places = [(columns[at], y(values[at])) for at in part]
            paths.append(Line("curve" if own else "other", path_of(places)))
            paths += [Line("dot" if own else "open", disc(*place)) for place in places]
        ends.append([y(values["75%"]), name, "said" if own else "axis-word"])
    ends.sort()
    for before, after in itertools.pairwise(ends):
        after[0] = max(after[0], before[0] + 17)
    words += [Word(name, columns["75%"] + 12, at + 4, kind) for at, name, kind in ends]
    figure("error", f"Error of the time remaining, five forecasters ({made})", paths, words)


def reliability(rows, made):
    """How often the interval of 80 % held, by form, with two standard errors."""
    size = Size("figure", 780, 320, left=150, right=60, top=20, bottom=52)
    x = Scale(0.5, 1.0, size.left, size.end)
    ticks = [(n / 10, f"{10 * n} %") for n in range(6, 11)]
    paths, words = time_axis(size, x, ticks, "50 %")
    paths.append(Line("threshold", f"M{x(0.8):.1f} {size.top:g}V{size.foot:g}"))
    words.append(Word("said: 80 %", x(0.8) + 8, size.top + 8, "calm-word"))
    words.append(foot(size, "questions whose true time lay inside the interval of 80 %"))
    for place, row in enumerate(rows):
        height = size.top + 34 + place * 31
        at, low, high = (float(row[key]) for key in ("value", "low", "high"))
        paths += [
            Line("curve", f"M{x(low):.1f} {height}H{x(min(high, 1)):.1f}"),
            Line("dot", disc(x(at), height, 5)),
        ]
        words.append(Word(row["of"], size.left - 10, height + 5, anchor="end"))
        words.append(Word(f"{at:.2f}", size.end + 12, height + 5, "said"))
    figure("reliability", f"Said against actual coverage, by form ({made})", paths, words, size)


def open_records():
    """log p against log t of six channels, with the slope of each after two hours."""
    with RECORDS.open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    size = Size("figure", 780, 420, left=64, right=210, top=20, bottom=52)
    y, paths, words = log_axis(size, 2e-6, 3e4, "mbar", "")
    x = Scale(10, 1e5, size.left, size.end, log=True)
    ticks = [(10**n, text) for n, text in ((2, "100 s"), (3, "1000 s"), (4, "10⁴ s"), (5, "10⁵ s"))]
    frame, named = time_axis(size, x, ticks, "10 s")
    paths += [
        *frame,
        Line("threshold", dash(y, TURBO_MBAR, size)),
        Line("limit", dash(y, 1000, size)),
    ]
    words += [
        *named,
        foot(size, "since the record began, log scale"),
        Word("1000 mbar: a clamp, no reading", size.end - 8, y(1000) + 18, "warn-word", "end"),
        Word("2 × 10⁻⁵ mbar", size.left + 8, y(TURBO_MBAR) - 6, "calm-word"),
    ]
    ends = []
    for record in dict.fromkeys(row["record"] for row in rows):
        for channel in ("CH2", "CH3"):
            points = [
                (float(row["t_s"]), float(row[channel]))
                for row in rows
                if row["record"] == record and float(row["t_s"]) >= x.low
            ]
            pumped = [(at, p) for at, p in points if p < 999]
            gassy = "WAAM" in record
            paths += [
                Line("other" if gassy else "curve", path_of([(x(a), y(p)) for a, p in pumped])),
                *(Line("odd", disc(x(a), y(p))) for a, p in points if p > 999),
            ]
            day = "gassy" if gassy else f"{record[8:10]}-{record[10:12]}"
            name = f"{day} {channel}: slope {slope(pumped):.2f}".replace("slope -", "slope −")
            at_end = [p for at, p in pumped if at < LATE_S[1]][-1]
            ends.append([y(at_end), name])
    ends.sort()
    for before, after in itertools.pairwise(ends):
        after[0] = max(after[0], before[0] + 17)
    words += [Word(name, size.end + 14, at - 60) for at, name in ends]
    figure("open-records", "Three open records, two channels each", paths, words, size)


def slope(points):
    """d ln p / d ln t after two hours, by least squares."""
    late = [(math.log(at), math.log(p)) for at, p in points if LATE_S[0] < at < LATE_S[1]]
    mean_x = sum(a for a, _ in late) / len(late)
    mean_y = sum(b for _, b in late) / len(late)
    across = sum((a - mean_x) ** 2 for a, _ in late)
    return sum((a - mean_x) * (b - mean_y) for a, b in late) / across


def unusual(rows, made):
    """The score of every run less the limit, ordinary runs and each fault on a line of its own."""
    names = ["none", *sorted({row["of"] for row in rows if row["of"] != "none"})]
    size = Size("figure", 780, 80 + 34 * len(names), left=150, right=130, top=20, bottom=52)
    x = Scale(-6, 14, size.left, size.end)
    ticks = [(n, f"{n}".replace("-", "−")) for n in range(-4, 15, 2)]
    paths, words = time_axis(size, x, ticks, "−6")
    paths.append(Line("limit", f"M{x(0):.1f} {size.top:g}V{size.foot:g}"))
    words.append(Word("limit", x(0) + 6, size.top + 2, "warn-word"))
    words.append(foot(size, "score less the instrument's limit (beyond the ends: drawn at them)"))
    for place, name in enumerate(names):
        height = size.top + 22 + place * 34
        scores = [float(row["value"]) for row in rows if row["of"] == name]
        for n, score in enumerate(scores):
            at = x(min(max(score, x.low), x.high))
            aside = (n * 0.618 % 1 - 0.5) * 22  # spread over the line, the same each time
            kind = "dot" if name == "none" else "odd"
            paths.append(Line(kind, disc(at, height + aside, 2)))
        above = sum(score > 0 for score in scores)
        named = "ordinary" if name == "none" else name.replace("_", " ")
        words.append(Word(named, size.left - 10, height + 5, anchor="end"))
        words.append(Word(f"{above} of {len(scores)}", size.end + 12, height + 5, "said"))
    figure("unusual", f"Scores of ordinary and faulty runs ({made})", paths, words, size)


def main():
    with (OUT / "measured.csv").open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    by_figure = {name: [row for row in rows if row["figure"] == name] for name in
                 dict.fromkeys(row["figure"] for row in rows)}  # fmt: skip
    (made,) = by_figure["made"]
    made = f"seeds {made['of']}, {made['at']}"
    pump_down(by_figure["run"], made)
    error_by_moment(by_figure["error"], made)
    reliability(by_figure["covers"], made)
    open_records()
    unusual(by_figure["score"], made)


if __name__ == "__main__":
    main()

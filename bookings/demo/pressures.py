"""What the gauges of the demo show, and how people write it down."""

import math

from bookings.demo import curves, planted
from bookings.demo.chronicle import seconds
from facility.vacuum import units

NOISE = 0.03
SLIPPED = 0.012  # of typed readings, by one decade
LOGGED_ROWS = 110
FACTORS = {"rough": 1.25, "fine": 0.92, "logger": 1.08}  # what each gauge shows over what is there
STYLES = {
    "1.2e-6": lambda m, e: f"{m}e{e}",
    "1.2E-06": lambda m, e: f"{m}E{e:+03d}",
    "1,2E-06": lambda m, e: f"{m.replace('.', ',')}E{e:+03d}",
    "1.2 x 10^-6": lambda m, e: f"{m} x 10^{e}",
    "1.2 × 10⁻⁶": lambda m, e: f"{m} × 10{str(e).translate(RAISED)}",
}
RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


class Pressures:
    """Curves of pump-downs as they start, and readings of them."""

    def __init__(self, story):
        self.story, self.chronicle, self.rng = story, story.chronicle, story.rng
        self.moods = {}  # what an instrument keeps from run to run, in ln

    def draw_curve(self, desk, pumpdown):
        """The curve of a pump-down that starts, with what is planted on it."""
        slug, moment = desk.instrument.slug, pumpdown.started_at
        mood = 0.5 * self.moods.get(slug, 0.0) + self.rng.gauss(0, 0.04)
        self.moods[slug] = mood
        curve = curves.draw(
            curves.typical(pumpdown.threshold_pa, desk.made.typical_s),
            self.rng,
            form=pumpdown.form,
            samples=pumpdown.samples or 0,
            vent_min=pumpdown.vent_minutes or curves.USUAL_VENT_MIN,
            day_of_year=moment.timetuple().tm_yday,
            mood=mood,
        )
        found = planted.effects(self.story.planted, slug, moment)
        wet = desk.inside and desk.inside.wet
        if pumpdown.load:
            rows = [*found.rows, *([wet] if wet else [])]
            for row in rows:
                row.pumpdowns.append(pumpdown)
                row.loads.append(pumpdown.load)
        pumpdown.gauge_factor = found.gauge
        return curves.replace(
            curve,
            wet=wet.size if wet else 0.0,
            raised=found.raised,
            floor_pa=found.leak * pumpdown.threshold_pa,
        )

    def log_readings(self, desk, pumpdown, until):
        """The logger's rows of a pump-down, thinned as they grow old."""
        lasted = (until - pumpdown.started_at).total_seconds()
        rows = LOGGED_ROWS if pumpdown.load else LOGGED_ROWS // 4
        seen, gauge = set(), desk.gauges["logger"]
        for n in range(rows):
            t_s = round(10 * (max(lasted, 20) / 10) ** (n / (rows - 1)) / 10) * 10
            if t_s in seen or t_s > lasted:
                continue
            seen.add(t_s)
            at = pumpdown.started_at + seconds(t_s)
            pascal = pumpdown.curve.pressure_pa(t_s) * FACTORS["logger"] * self.noise(0.015)
            text = f"{units.from_pascal(pascal, gauge.unit):.2e}"
            self.chronicle.read(gauge, text, at=at, recorded=at + seconds(1))

    def noise(self, spread=NOISE):
        return math.exp(self.rng.gauss(0, spread))

    def spelled(self, pascal, unit, person, *, slip=0):
        """A pressure with two digits as this person writes it."""
        mantissa, exponent = units.show(pascal, unit)
        return STYLES[person.someone.style](mantissa, exponent + slip)

    def shown(self, desk, pumpdown, gauge, moment, spread=NOISE):
        """What a gauge of the introduction chamber shows, in pascal."""
        t_s = (moment - pumpdown.started_at).total_seconds()
        factor = FACTORS[gauge] * (pumpdown.gauge_factor if gauge == "fine" else 1.0)
        return pumpdown.curve.pressure_pa(t_s) * factor * self.noise(spread)

    def read(self, sitting, gauge, *, slips=True):
        """Type what a gauge of the introduction chamber shows; returns what was meant, in pascal."""
        desk = sitting.desk
        pascal = self.shown(desk, desk.running, gauge, sitting.t)
        slips = slips and pascal > 1.1 * desk.instrument.threshold_pa  # the last one is looked at
        slip = self.rng.choice((-1, 1)) if slips and self.rng.random() < SLIPPED else 0
        text = self.spelled(pascal, desk.gauges[gauge].unit, sitting.by, slip=slip)
        row = sitting.pressure(gauge, text, whole_minute=sitting.whole_minutes)
        return pascal if slip else row.pressure_pa

    def read_other(self, sitting, gauge, pascal):
        """Type what another gauge shows."""
        text = self.spelled(pascal * self.noise(), sitting.desk.gauges[gauge].unit, sitting.by)
        sitting.pressure(gauge, text)

"""The sheet for the wall: every mark, word and component of the house with sample values."""

import math
from datetime import UTC, datetime

from django import forms
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET

from facility import chart
from facility.access import policy
from facility.findings import Finding
from facility.templatetags.lab import pressure

WHERE = ("empty", "mounted", "introduction", "main", "needs-cleaning", "quarantined")
DOES = ("ready", "pumping", "in-use", "fault", "closed", "unknown")
SERIOUS = ("note", "warn", "staff", "stop")
STEPS = ("done", "open", "gap", "happened", "waiting", "yours")
FORMS = (
    ("film", "film"),
    ("bulk", "bulk"),
    ("crystal", "single crystal"),
    ("powder", "powder"),
    ("porous", "porous powder"),
    ("pellet", "pellet"),
    ("fibre", "fibre"),
    ("electrode", "electrode"),
    ("residue", "residue"),
)
THRESHOLD_PA = 2e-4


class SampleForm(forms.Form):
    """Fields of every kind, one of them asking for something."""

    start = forms.DateTimeField(
        help_text="such as 2026-03-02 09:00",
        error_messages={"required": "Enter when the booking starts."},
    )
    place = forms.ChoiceField(choices=[("main", "main chamber"), ("lock", "introduction chamber")])
    powder = forms.ChoiceField(
        label="Loose powder was",
        choices=[
            ("tapped", "tapped off, inverted"),
            ("pressed", "pressed"),
            ("none", "none there"),
        ],
        widget=forms.RadioSelect,
    )
    usual = forms.BooleanField(label="Prepared as usual", required=False)
    note = forms.CharField(widget=forms.Textarea, required=False)


@require_GET
@policy("page.everyone")
def marks(request):
    """GET shows the sheet; it names no person, no sample and no instrument of this house."""
    return render(request, "facility/marks.html", sample_context())


def sample_context():
    """Values for every component, made up here and nowhere kept."""
    now = timezone.now()
    run = _sample_run()
    form = SampleForm(
        {"start": "", "place": "main", "powder": "tapped", "note": "Damp when it came."}
    )
    form.is_valid()
    return {
        "where": WHERE,
        "does": DOES,
        "serious": SERIOUS,
        "steps": STEPS,
        "forms": FORMS,
        "now": now,
        "form": form,
        "figure": pressure(1.3e-3, "mbar"),
        "main": {
            "figure": pressure(7.4e-8, "mbar"),
            "gauge": "ion gauge",
            "words": ["load height", "sources in standby"],
        },
        "lock": {"figure": pressure(1.3e-3, "mbar"), "gauge": "gauge on", "holder": "HCR7N2MF"},
        "pascal": 1.3e-3,
        "threshold_pa": THRESHOLD_PA,
        "conditions": [
            {"is_met": True, "word": "gate valve shut"},
            {"is_met": True, "word": "pump at full speed"},
            {"is_met": False, "word": "not yet: pressure 6.5 times too high"},
        ],
        "powers": range(-2, -10, -1),
        "drawings": chart.pressure_chart(run),
        "closer": chart.last_decades(run),
        "rows": chart.rows(run),
        "control": chart.control_chart(_sample_checks(), centre=0.0, low=-0.1, high=0.1, unit="eV"),
        "evidence": chart.evidence(_sample_checks(), centre=0.0, low=-0.1, high=0.1, unit="eV"),
        "week": chart.pump_downs_in_a_row(_sample_week()),
        "day": _sample_day(),
        "findings": SAMPLE_FINDINGS,
        "over": run.readings[-1],
    }


SAMPLE_FINDINGS = (
    Finding(
        rule="PWD-01",
        about=("p2",),
        severity="stop",
        says="Position 2: loose powder not shaken off",
        do="Tap it inverted at the extraction, press again, then tick step 4.",
        source="grains reach valve seat and turbo pump",
    ),
    Finding(
        rule="OUT-01",
        about=("p3",),
        severity="staff",
        value=23,
        limit=20,
        unit="Pa L",
        says="Position 3 brings about 23 Pa L of water",
        do="Pump overnight first, or use less powder.",
        source="water 0.125 nm² a molecule",
    ),
    Finding(
        rule="XCN-01",
        about=("p2", "p5"),
        severity="warn",
        value=1.7,
        limit=3,
        unit="mm",
        says="Powder 2 lies 1.7 mm from film 5",
        do="Arrange again, or give film 5 its own holder.",
    ),
    Finding(
        rule="HGT-01",
        about=("p1",),
        severity="note",
        says="Tallest point 2.10 mm, on coupon 1",
        do="Focus at Z 17.90. Never raise the stage above Z 24.40.",
    ),
)


def _curve(at_s, slow=1.0):
    """An invented pump-down [Pa]: the volume in the first minutes, then water from the walls."""
    return 1e5 * math.exp(-at_s / 12) + slow * 3.1e-3 * (at_s / 540 + 0.05) ** -0.95


def _band(times):
    return chart.Band(times, [_curve(t) * 0.62 for t in times], [_curve(t) * 1.75 for t in times])


def _sample_run():
    start = datetime(2026, 11, 12, 17, 2, tzinfo=UTC)
    readings = [chart.Reading(t, _curve(t)) for t in range(20, 540, 20)]
    readings += [chart.Reading(t, _curve(t), source="manual", url=f"#at-{t}") for t in (300, 540)]
    ahead = [(t, _curve(t) * 0.9) for t in range(540, 2900, 60)]
    return chart.PumpDown(
        readings=readings,
        clock=chart.clock_of(start),
        unit="mbar",
        threshold_pa=THRESHOLD_PA,
        band=_band([10 * 1.06**n for n in range(108)]),
        forecast=chart.Forecast(2880, 1980, 4380, ahead),
        until_s=5500,
        ticks=chart.clock_ticks(start, 5500),
        what="introduction chamber",
    )


def _sample_checks():
    offs = (-0.01, 0.02, 0.0, 0.03, -0.02, 0.01, 0.04, 0.02, 0.06, 0.08, 0.09, 0.14)
    return [
        chart.Point(
            off, f"week {n + 35}", f"week {n + 35}, {off:+.2f} eV", f"#check-{n}", off > 0.1
        )
        for n, off in enumerate(offs)
    ]


def _sample_week():
    starts = ("Mon 08:20", "Mon 13:05", "Tue 08:11", "Tue 19:20", "Wed 09:02")
    starts += ("Thu 07:58", "Thu 17:02", "Fri 08:45", "Fri 14:20")
    times = list(range(60, 3600, 60))
    return [
        chart.SmallRun(
            [(t, _curve(t, 3.1 if n == 3 else 1.0)) for t in times], start, _band(times), n == 3
        )
        for n, start in enumerate(starts)
    ]


def _sample_day():
    first = [
        chart.Slip(6, 9.5, "past", "Corrosion group", "measured 5"),
        chart.Slip(16.5, 21, "yours", "Yours", "until 21:00", "#yours"),
        chart.Slip(21, 32, "booked", "Coatings group", "overnight"),
    ]
    second = [chart.Slip(8, 11, "closed", "Closed", "filament degas")]
    says = "Two instruments on one day; yours is 16:30 to 21:00"
    return chart.day_line([first, second], now=17.2, now_word="17:11", says=says)

"""The flag of a pump-down that is unlike this instrument's others."""

from django.db import transaction
from django.utils import timezone

from bookings.models import Flag

WHAT_TO_DO = {
    "leak": "Isolate the introduction chamber and read its rise for ten minutes: a steady rise is a leak.",
    "outgassing": "Nothing is broken: give it time, or pump such loads overnight. A fresh reading below the threshold is enough.",
    "slow_pump": "Look at pump speed, backing pressure and valve; a rise test tells it from a leak.",
    "gauge": "Compare with the other gauge; look when it was last cleaned.",
}


def whole_sentences(text, most):
    """As many whole sentences as fit into `most` characters.

    >>> whole_sentences("It is slow. It may also leak; a rise test tells.", 30)
    'It is slow.'
    """
    while len(text) > most and ". " in text:
        text = text.rpartition(". ")[0] + "."
    return text[:most]


@transaction.atomic
def raise_for_pumpdown(*, pumpdown, found):
    """One flag for an unusual pump-down; it clears by itself where it turns out as usual."""
    key = f"pump-down|{pumpdown.pk}"
    standing = Flag.objects.filter(key=key).first()
    if found is None or not found.unusual:
        if standing and not standing.answer and not standing.cleared_at:
            standing.cleared_at = timezone.now()
            standing.save(update_fields=["cleared_at"])
        return None
    if standing:
        return standing
    instrument = pumpdown.chamber.instrument
    return Flag.objects.create(
        key=key,
        rule="PMP-01",
        severity="warn",
        says=whole_sentences(
            f"{instrument}: {found.says}", Flag._meta.get_field("says").max_length
        ),
        do=WHAT_TO_DO.get(found.cause, "Look at the curve."),
        source="against this instrument's own past pump-downs",
        evidence={
            "pumpdown": pumpdown.pk,
            "score": round(float(found.score), 2),
            "cause": found.cause,
            "second_cause": found.second_cause,
        },
        instrument=instrument,
        holder=pumpdown.load.holder if pumpdown.load else None,
        load=pumpdown.load,
        raised_at=timezone.now(),
    )

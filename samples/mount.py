"""Verbs of the bench: describe a sample, mount it, take it off, say how loose powder was removed."""

from django.db import transaction
from django.utils import timezone

from facility.errors import Refused
from facility.models import Person, Place
from samples import bench
from samples.codes import new_code
from samples.models import Cleaning, Holder, Mount, Sample, Whereabouts


@transaction.atomic
def describe(*, by, sent_id=None, **fields):
    """A new sample of `by`, or the one that the same `sent_id` made before."""
    if sent_id and (before := Sample.objects.filter(sent_id=sent_id).first()):
        return before
    return Sample.objects.create(
        code=_unused_code("S", Sample),
        owner=by,
        group=by.group,
        declared_at=timezone.now(),
        sent_id=sent_id,
        **fields,
    )


def _unused_code(kind, model):
    """A code nobody has; the chance of drawing a used one is small and not zero."""
    while True:
        code = new_code(kind)
        if not model.objects.filter(code=code).exists():
            return code


@transaction.atomic
def mount(
    *,
    holder,
    sample,
    by,
    position=None,
    x_mm=None,
    y_mm=None,
    rotation_deg=0.0,
    mounting="copper tape",
    thickness_mm=None,
    loose_powder="",
    stack=(),
    sent_id=None,
):
    """Put `sample` on `holder`, or raise Refused with what stands in the way.

    Without x and y the sample goes to the free spot farthest from its neighbours.
    """
    holder = Holder.objects.select_for_update().get(pk=holder.pk)  # one pair of hands at a time
    if sent_id and (before := Mount.objects.filter(sent_id=sent_id).first()):
        return before
    _refuse_while_not_at_hand(holder)
    if standing := sample.mounts.standing().select_related("holder").first():
        raise Refused(
            f"{sample} is on holder {standing.holder}, position {standing.position}. "
            "Take it off there first."
        )
    if sample.gone_at:
        raise Refused(f"{sample} is recorded as {sample.gone_how or 'gone'}. Describe it anew.")
    taken = set(holder.mounts.standing().values_list("position", flat=True))
    if position in taken:
        raise Refused(f"Position {position} of {holder} is taken. Choose another number.")
    if x_mm is None or y_mm is None:
        x_mm, y_mm = bench.free_spot(holder, sample)
    return Mount.objects.create(
        holder=holder,
        sample=sample,
        position=position or next(n for n in range(1, 1000) if n not in taken),
        since=timezone.now(),
        x_mm=x_mm,
        y_mm=y_mm,
        rotation_deg=rotation_deg,
        mounting=mounting,
        stack=list(stack),
        thickness_mm=sample.thickness_mm if thickness_mm is None else thickness_mm,
        loose_powder=loose_powder,
        by=by,
        sent_id=sent_id,
    )


@transaction.atomic
def take_off(*, mount, by):
    """End a mount; a second press changes nothing."""
    holder = Holder.objects.select_for_update().get(pk=mount.holder_id)
    mount = Mount.objects.select_for_update().get(pk=mount.pk)
    if mount.until:
        return mount
    _refuse_while_not_at_hand(holder)
    mount.until, mount.taken_off_by = timezone.now(), by
    mount.save(update_fields=["until", "taken_off_by"])
    return mount


@transaction.atomic
def say_loose_powder(*, mount, by, how):
    """Record how loose powder was removed from a mount that still stands."""
    if how not in Mount.Loose.values or not how:
        raise Refused("Say how the loose powder was removed: tapped, pressed, blown, or not yet.")
    mount = Mount.objects.select_for_update().select_related("holder").get(pk=mount.pk)
    if mount.until:
        raise Refused(f"{mount.sample} is no longer on {mount.holder}.")
    mount.loose_powder = how
    mount.save(update_fields=["loose_powder"])
    return mount


@transaction.atomic
def clean(*, holder, by, method, blank="", sent_id=None):
    """Record that a holder was cleaned."""
    if sent_id and (before := Cleaning.objects.filter(sent_id=sent_id).first()):
        return before
    if not method.strip():
        raise Refused("Say how the holder was cleaned, such as: isopropanol, wiped, then baked.")
    return Cleaning.objects.create(
        holder=holder, at=timezone.now(), method=method, blank=blank, by=by, sent_id=sent_id
    )


@transaction.atomic
def move(*, holder, place, by, moment=None):
    """Bring a holder to a place: it leaves the one where it was at the same moment."""
    moment = moment or timezone.now()
    place = Place.objects.select_for_update().get(pk=place.pk)
    here = Whereabouts.objects.now().filter(holder=holder).first()
    if here and here.place_id == place.pk:
        return here
    others = Whereabouts.objects.now().filter(place=place, holder__isnull=False)
    others = list(others.select_related("holder"))
    if len(others) >= place.capacity:
        raise Refused(
            f"{place} is taken by {', '.join(str(row.holder) for row in others)}. "
            "Record first where that went."
        )
    if here:
        here.until = max(moment, here.since)
        here.save(update_fields=["until"])
        moment = here.until
    return Whereabouts.objects.create(holder=holder, place=place, since=moment, by=by)


def _refuse_while_not_at_hand(holder):
    """Nothing is mounted on or taken off a holder that is retired or in vacuum."""
    if holder.retired_at:
        raise Refused(f"Holder {holder} is retired. Take another one.")
    here = Whereabouts.objects.now().filter(holder=holder).select_related("place").first()
    if here and here.place.kind in Place.IN_VACUUM:
        raise Refused(f"Holder {holder} is in vacuum: {here.place}. Take it out first.")


def hand_over(*, samples, to: Person):
    """Give samples to another owner, who must be in the house."""
    if not to.is_active:
        raise Refused(f"{to} has left. Choose somebody who is here.")
    return Sample.objects.filter(pk__in=[sample.pk for sample in samples]).update(
        owner=to, group=to.group
    )

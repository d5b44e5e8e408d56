"""Verbs of the bench: mount a sample, move it, take it off, say how loose powder was removed."""

import math

from django.db import transaction
from django.utils import timezone

from facility import stock
from facility.errors import Refused
from facility.models import Person, Place
from samples import bench
from samples.models import Holder, Mount, Sample, Whereabouts


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
    _refuse_while_not_at_hand(holder, going_on=True)
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
    now = timezone.now()
    for here in Whereabouts.objects.now().filter(sample=sample):  # where its holder is, it is
        here.until = max(now, here.since)
        here.save(update_fields=["until"])
    row = Mount.objects.create(
        holder=holder,
        sample=sample,
        position=position or next(n for n in range(1, 1000) if n not in taken),
        since=now,
        x_mm=x_mm,
        y_mm=y_mm,
        rotation_deg=rotation_deg,
        mounting=mounting,
        stack=list(stack),
        thickness_mm=sample.thickness_mm if thickness_mm is None else thickness_mm,
        loose_powder=loose_powder,
        lot=stock.lot_for(mounting),
        by=by,
        sent_id=sent_id,
    )
    stock.use_for_mount(
        mounting=mounting,
        area_mm2=footprint_mm2(sample),
        cause=f"mount|{row.pk}",
        by=by,
        says=f"position {row.position} of {holder}",
    )
    return row


def footprint_mm2(sample):
    """The area that tape has to cover under a sample [mm²]."""
    if sample.shape == sample.Shape.DISC:
        return math.pi * sample.diameter_mm**2 / 4
    return sample.width_mm * sample.height_mm


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
    here = Whereabouts.objects.now().filter(holder=holder).select_related("place").first()
    if here and not Whereabouts.objects.now().filter(sample=mount.sample_id).exists():
        Whereabouts.objects.create(sample=mount.sample, place=here.place, since=mount.until, by=by)
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
def lay(*, holder, places, by):
    """Move mounts on their holder: `places` is {mount's key: (x, y, rotation)}.

    At the bench a mount moves where it is; one that was in vacuum since it was mounted ends, and a
    new one begins, so that the past keeps its drawing.
    """
    holder = Holder.objects.select_for_update().get(pk=holder.pk)
    _refuse_while_not_at_hand(holder)
    standing = {
        row.pk: row for row in Mount.objects.select_for_update().filter(holder=holder, until=None)
    }
    if strange := places.keys() - standing.keys():
        raise Refused(
            f"{len(strange)} of these samples are no longer on {holder}. Look at it again."
        )
    now, moved = timezone.now(), []
    been = Whereabouts.objects.filter(holder=holder, place__kind__in=Place.IN_VACUUM)
    last_in_vacuum = been.order_by("-since").values_list("since", flat=True).first()
    for key, (x_mm, y_mm, rotation_deg) in places.items():
        row = standing[key]
        if (
            not all(map(math.isfinite, (x_mm, y_mm, rotation_deg)))
            or max(abs(x_mm), abs(y_mm)) > 500
        ):
            raise Refused(f"Position {row.position} cannot lie at {x_mm:g}, {y_mm:g} mm.")
        if (row.x_mm, row.y_mm, row.rotation_deg) == (x_mm, y_mm, rotation_deg):
            continue
        if last_in_vacuum and last_in_vacuum > row.since:
            Mount.objects.filter(pk=row.pk).update(until=now, taken_off_by=by)
            row.pk, row.since, row.by, row.sent_id, row._state.adding = None, now, by, None, True
        row.x_mm, row.y_mm, row.rotation_deg, row.moved_at = x_mm, y_mm, rotation_deg, now
        row.save()
        moved.append(row)
    return moved


@transaction.atomic
def measure(*, mount, by, thickness_mm):
    """Write down how thick a mounted sample was measured to be."""
    mount = Mount.objects.select_for_update().select_related("holder").get(pk=mount.pk)
    if mount.until:
        raise Refused(f"{mount.sample} is no longer on {mount.holder}.")
    mount.thickness_mm, mount.moved_at = thickness_mm, timezone.now()
    mount.save(update_fields=["thickness_mm", "moved_at"])
    return mount


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


def refuse_in_vacuum(holder):
    """Raise Refused while a holder is in vacuum: a session's steps bring it out."""
    here = Whereabouts.objects.now().filter(holder=holder).select_related("place").first()
    if here and here.place.is_in_vacuum:
        raise Refused(f"Holder {holder} is in vacuum: {here.place}. A session takes it out.")


def _refuse_while_not_at_hand(holder, *, going_on=False):
    """Nothing is mounted on or taken off a holder that is retired or in vacuum."""
    if holder.retired_at:
        raise Refused(f"Holder {holder} is retired. Take another one.")
    if holder.quarantined_why and going_on:
        raise Refused(
            f"Holder {holder} is quarantined: {holder.quarantined_why}. Take another one; staff "
            "release it."
        )
    here = Whereabouts.objects.now().filter(holder=holder).select_related("place").first()
    if here and here.place.kind in Place.IN_VACUUM:
        raise Refused(f"Holder {holder} is in vacuum: {here.place}. Take it out first.")


@transaction.atomic
def put(*, sample, place, by):
    """Bring a sample that lies on no holder to a place."""
    on = sample.mounts.standing().select_related("holder").first()
    if on:
        raise Refused(f"{sample} is on holder {on.holder}. Take it off there first.")
    if place.is_in_vacuum:
        raise Refused(f"A sample goes into {place} on a holder. Mount it first.")
    now = timezone.now()
    here = Whereabouts.objects.select_for_update().filter(sample=sample, until=None).first()
    if here and here.place_id == place.pk:
        return here
    if here:
        here.until = max(now, here.since)
        here.save(update_fields=["until"])
    return Whereabouts.objects.create(sample=sample, place=place, since=now, by=by)


def hand_over(*, samples, to: Person):
    """Give samples to another owner, who must be in the house."""
    if not to.is_active:
        raise Refused(f"{to} has left. Choose somebody who is here.")
    return Sample.objects.filter(pk__in=[sample.pk for sample in samples]).update(
        owner=to, group=to.group
    )

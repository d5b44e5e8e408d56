"""Owners of a shared holder are told once a day when somebody of another group changes it."""

from django.urls import reverse
from django.utils import timezone

from bookings import tell


def tell_owners(holder, by, mounts):
    """A message for each owner of `mounts` who is not in the actor's group; never names the other group."""
    day = timezone.localdate()
    for owner in {mount.sample.owner for mount in mounts}:
        same_group = owner.group_id is not None and owner.group_id == by.group_id
        if owner == by or same_group or not owner.is_active:
            continue
        who = "staff" if by.is_house_staff else "somebody of another group"
        mine = sorted(m.position for m in mounts if m.sample.owner_id == owner.pk)
        where = ", ".join(map(str, mine))
        tell.tell(
            person=owner,
            key=f"holder {holder.pk} changed {day}",
            says=f"Holder {holder}, which carries your samples (position {where}), was changed by {who}.",
            url=reverse("bookings:holder", args=[holder.code]),
        )

"""Tables of time without a verb of their own, for superusers."""

from django.contrib import admin

from bookings.models import GroupQuota
from facility.admin import SuperusersOnly


@admin.register(GroupQuota)
class GroupQuotaAdmin(SuperusersOnly):
    """Hours a week of one group that differ from the usual."""

    list_display = ["instrument", "group", "hours"]

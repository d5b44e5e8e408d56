"""Holder types and holders, for superusers; a holder's code is drawn, never typed."""

from django.contrib import admin

from facility.admin import SuperusersOnly
from samples.codes import new_code
from samples.models import Holder, HolderType


@admin.register(HolderType)
class HolderTypeAdmin(SuperusersOnly):
    list_display = ["name", "shape", "max_thickness_mm"]


@admin.register(Holder)
class HolderAdmin(SuperusersOnly):
    list_display = ["short_name", "code", "type", "retired_at"]
    exclude = ["code"]

    def save_model(self, request, obj, form, change):
        """A new holder gets a code that nobody has."""
        while not obj.code:
            code = new_code("H")
            if not Holder.objects.filter(code=code).exists():
                obj.code = code
        super().save_model(request, obj, form, change)

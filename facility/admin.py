"""Tables without a verb of their own, for superusers: how an instrument is set up."""

from django.contrib import admin
from django.contrib.auth import models as django_auth

from facility import log
from facility.models import (
    Chamber,
    Gauge,
    Group,
    Instrument,
    Level,
    Person,
    Place,
    Project,
    TrainingStep,
)

admin.site.unregister(django_auth.Group)  # rights follow facility.access; our groups are others


class SuperusersOnly(admin.ModelAdmin):
    """What stands here is set up once; nothing of it is deleted, because the log names it."""

    def has_module_permission(self, request):
        return request.user.is_superuser

    has_view_permission = has_add_permission = has_change_permission = (
        lambda self, request, obj=None: request.user.is_superuser
    )

    def has_delete_permission(self, request, obj=None):
        return False


@admin.register(Instrument)
class InstrumentAdmin(SuperusersOnly):
    list_display = ["name", "what", "word"]
    prepopulated_fields = {"slug": ["name"]}
    exclude = ["log", "last_step", "sheet", "word", "word_why", "muted"]

    def save_model(self, request, obj, form, change):
        """A new instrument begins with its log."""
        super().save_model(request, obj, form, change)
        if obj.log_id is None:
            log.open_instrument_log(instrument=obj, by=request.user)


@admin.register(Chamber)
class ChamberAdmin(SuperusersOnly):
    list_display = ["instrument", "kind", "volume_l"]


@admin.register(Gauge)
class GaugeAdmin(SuperusersOnly):
    list_display = ["code", "name", "chamber", "principle", "unit"]


@admin.register(Place)
class PlaceAdmin(SuperusersOnly):
    list_display = ["name", "kind", "instrument", "capacity"]


@admin.register(Group)
class GroupAdmin(SuperusersOnly):
    list_display = ["name"]


@admin.register(Person)
class PersonAdmin(SuperusersOnly):
    """Who is here; passwords are set by an invitation's link, levels by training."""

    list_display = ["full_name", "username", "role", "group", "is_active"]
    search_fields = ["full_name", "username"]
    fields = ["full_name", "username", "email", "phone", "role", "group", "is_active"]

    def has_add_permission(self, request):
        return False


@admin.register(Project)
class ProjectAdmin(SuperusersOnly):
    list_display = ["name", "group", "closed_at"]


@admin.register(Level)
class LevelAdmin(SuperusersOnly):
    list_display = ["instrument", "number", "may_book", "opens_at", "shuts_at", "unused_days"]


@admin.register(TrainingStep)
class TrainingStepAdmin(SuperusersOnly):
    list_display = ["instrument", "level", "number", "words", "retired_at"]

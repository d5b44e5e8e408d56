"""The lab itself."""

from django.apps import AppConfig
from django.db.models.signals import post_migrate


class FacilityConfig(AppConfig):
    name = "facility"

    def ready(self):
        from facility import guards, system_checks  # noqa: F401  (checks register themselves)

        guards.append_only("facility_entry", except_redaction=True)
        guards.append_only("facility_limit")
        guards.append_only("facility_runsheet")
        guards.append_only("facility_stockuse")
        guards.append_only("facility_dialreading")
        guards.append_only("facility_gasuse")
        guards.growing("facility_log")
        post_migrate.connect(guards.after_migrate, dispatch_uid="holdfast-guards")

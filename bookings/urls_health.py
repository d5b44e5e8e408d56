"""Addresses of instrument health, checks, parts and upkeep; part of bookings/urls.py."""

from django.urls import path

from bookings.views import checks, jobs, keeping, upkeep

health_patterns = [
    path("house/health/", upkeep.health_of_all, name="health_of_all"),
    path("house/lost/", upkeep.note_loss, name="note_loss"),
    path("instruments/<slug:slug>/health/", upkeep.health_page, name="health"),
    path("instruments/<slug:slug>/changed/", upkeep.note_event, name="note_event"),
    path("instruments/<slug:slug>/checks/new/", checks.keep_check_kind, name="keep_check_kind"),
    path("checks/kinds/<int:pk>/", checks.check_kind, name="check_kind"),
    path("checks/kinds/<int:pk>/enter/", checks.enter_check, name="enter_check"),
    path("checks/<int:pk>/", checks.check, name="check"),
    path("checks/<int:pk>/strike/", checks.strike_check, name="strike_check"),
    path("checks/<int:pk>/read/", checks.read_rise, name="read_rise"),
    path("parts/<int:pk>/", upkeep.part, name="part"),
    path("parts/<int:pk>/change/", upkeep.change_part, name="change_part"),
    path("instruments/<slug:slug>/jobs/begin/", jobs.begin_job, name="begin_job"),
    path("jobs/<int:pk>/", jobs.job, name="job"),
    path("jobs/<int:pk>/read/", jobs.read_job, name="read_job"),
    path("jobs/<int:pk>/end/", jobs.end_job, name="end_job"),
    path("instruments/<slug:slug>/parts/new/", keeping.keep_part, name="keep_part"),
    path("instruments/<slug:slug>/upkeep/new/", keeping.keep_task, name="keep_task"),
    path("upkeep/<int:pk>/end/", keeping.end_task, name="end_task"),
    path("upkeep/<int:pk>/done/", upkeep.do_upkeep, name="do_upkeep"),
]

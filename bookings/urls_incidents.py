"""Addresses of incidents and near misses, of what follows from them, and of tracing."""

from django.urls import path

from bookings.views import helps, incidents, tracing

incident_patterns = [
    path("incidents/", incidents.incidents, name="incidents"),
    path("incidents/new/", incidents.report_incident, name="report_incident"),
    path("incidents/<int:pk>/", incidents.incident, name="incident"),
    path("incidents/<int:pk>/word/", incidents.add_word, name="add_word"),
    path("incidents/<int:pk>/change/", incidents.change_incident, name="change_incident"),
    path("incidents/<int:pk>/follow-up/", incidents.add_follow_up, name="add_follow_up"),
    path("incidents/<int:pk>/close/", incidents.close_incident, name="close_incident"),
    path("incidents/<int:pk>/open-again/", incidents.reopen_incident, name="reopen_incident"),
    path("incidents/<int:pk>/redact/", incidents.redact_incident, name="redact_incident"),
    path("follow-ups/", incidents.follow_ups, name="follow_ups"),
    path("follow-ups/<int:pk>/done/", incidents.finish_follow_up, name="finish_follow_up"),
    path("does-it-help/", helps.does_it_help, name="does_it_help"),
    path("does-it-help.csv", helps.does_it_help_csv, name="does_it_help_csv"),
    path("tracing/", tracing.trace, name="trace"),
    path("tracing/loads/<int:pk>/", tracing.look_for, name="look_for"),
]

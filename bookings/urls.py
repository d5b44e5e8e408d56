"""Addresses of what happens on the instruments, grouped by place in the contents."""

from django.urls import path

from bookings.urls_bench import bench_patterns
from bookings.views import (
    flags,
    instruments,
    records,
    said,
    sessions,
    tablet,
    time,
    today,
)

app_name = "bookings"
urlpatterns = [
    # /
    path("", today.today, name="today"),
    *bench_patterns,
    # /sessions/
    path("sessions/", sessions.sessions, name="sessions"),
    path("sessions/<int:pk>/", sessions.session, name="session"),
    path("sessions/<int:pk>/join/", sessions.join, name="join"),
    path("sessions/<int:pk>/step/", sessions.take_step, name="take_step"),
    path("sessions/<int:pk>/looks/", sessions.confirm_looks, name="confirm_looks"),
    path("sessions/<int:pk>/anyway/", sessions.anyway, name="anyway"),
    path("sessions/<int:pk>/sign-off/", sessions.sign_off, name="sign_off"),
    path(
        "sessions/<int:pk>/pressure/<slug:gauge_code>/",
        said.write_pressure,
        name="write_pressure",
    ),
    path("sessions/<int:pk>/note/", said.write_note, name="write_note"),
    path("sessions/<int:pk>/fault/", said.report_fault, name="report_fault"),
    path("sessions/<int:pk>/faults/<int:fault_pk>/end/", said.end_fault, name="end_fault"),
    path("sessions/<int:pk>/setting/", said.write_setting, name="write_setting"),
    path("sessions/<int:pk>/measurement/", said.write_measurement, name="write_measurement"),
    path("sessions/<int:pk>/photograph/", said.add_photograph, name="add_photograph"),
    path("sessions/<int:pk>/left-running/", said.leave_running, name="leave_running"),
    path("pump-downs/<int:pk>/curve/", instruments.pumpdown_curve, name="pumpdown_curve"),
    path("instruments/<slug:slug>/", instruments.instrument, name="instrument"),
    # /tablet/
    path("worker.js", tablet.worker, name="worker"),
    path("tablet/items/", tablet.items, name="tablet_items"),
    path("tablet/sign-on/", tablet.sign_on_by_pin, name="sign_on_by_pin"),
    path("tablets/", tablet.tablet_list, name="tablet_list"),
    path("tablets/<int:pk>/end/", tablet.end_tablet, name="end_tablet"),
    path("pin/", tablet.choose_pin, name="choose_pin"),
    # /records/
    path("records/", records.records, name="records"),
    path("records/sessions/<int:pk>/", records.session_record, name="session_record"),
    path("records/loads/<int:pk>/", records.load, name="load"),
    # /bookings/
    path("bookings/", time.bookings, name="bookings"),
    path("bookings/new/", time.book_time, name="book_time"),
    path("bookings/<int:pk>/cancel/", time.cancel_booking, name="cancel_booking"),
    # /flags/
    path("flags/", flags.flags, name="flags"),
    path("flags/<int:pk>/answer/", flags.answer_flag, name="answer_flag"),
]

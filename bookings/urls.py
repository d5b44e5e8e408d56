"""Addresses of what happens on the instruments, grouped by place in the contents."""

from django.urls import path

from bookings.views import (
    flags,
    holders,
    instruments,
    records,
    said,
    samples,
    sessions,
    tablet,
    time,
    today,
)

app_name = "bookings"
urlpatterns = [
    # /
    path("", today.today, name="today"),
    path("scan/", today.scan, name="scan"),
    # /H/CODE and /S/CODE: what labels carry, in upper case
    path("H/<str:code>", holders.scanned_holder, name="scanned_holder"),
    path("S/<str:code>", samples.scanned_sample, name="scanned_sample"),
    # /holders/
    path("holders/", holders.holders, name="holders"),
    path("holders/<str:code>/", holders.holder, name="holder"),
    path("holders/<str:code>/mount/", holders.mount_sample, name="mount_sample"),
    path("holders/<str:code>/mounts/<int:pk>/take-off/", holders.take_off, name="take_off"),
    path(
        "holders/<str:code>/mounts/<int:pk>/loose-powder/",
        holders.say_loose_powder,
        name="say_loose_powder",
    ),
    path("holders/<str:code>/label/", holders.label, name="label"),
    path("holders/<str:code>/label.png", holders.label_png, name="label_png"),
    # /samples/
    path("samples/", samples.samples, name="samples"),
    path("samples/describe/", samples.describe_sample, name="describe_sample"),
    path("samples/<str:code>/", samples.sample, name="sample"),
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

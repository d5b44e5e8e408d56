"""Addresses of what happens on the instruments, grouped by place in the contents."""

from django.urls import path

from bookings.urls_bench import bench_patterns
from bookings.urls_health import health_patterns
from bookings.urls_incidents import incident_patterns
from bookings.urls_review import review_patterns
from bookings.urls_sheets import sheet_patterns
from bookings.urls_stores import store_patterns
from bookings.views import (
    faults,
    flags,
    house,
    instruments,
    people,
    plans,
    records,
    said,
    sessions,
    tablet,
    time,
    today,
    training,
    usage,
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
    path("instruments/<slug:slug>/fault/", faults.report_fault_here, name="report_fault_here"),
    path(
        "instruments/<slug:slug>/faults/<int:fault_pk>/end/",
        faults.end_fault_here,
        name="end_fault_here",
    ),
    # /house/
    path("house/", house.house, name="house"),
    path("set-aside/", house.set_aside, name="set_aside"),
    path("set-aside/<int:pk>/seen/", house.see_set_aside, name="see_set_aside"),
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
    path("bookings/days/<str:day>/", time.day, name="day"),
    path("bookings/new/", time.book_time, name="book_time"),
    path("bookings/plan/", plans.plan_load, name="plan_load"),
    path("bookings/close/", plans.close_time, name="close_time"),
    path("bookings/import/", plans.import_calendar, name="import_calendar"),
    path("bookings/calendars/", plans.calendars, name="calendars"),
    path("bookings/wait/", plans.wait, name="wait"),
    path("bookings/wait/<int:pk>/leave/", plans.leave_waiting, name="leave_waiting"),
    path("bookings/offers/<int:pk>/", plans.offer, name="offer"),
    path("bookings/<int:pk>/", time.booking, name="booking"),
    path("bookings/<int:pk>/move/", time.move_booking, name="move_booking"),
    path("bookings/<int:pk>/cancel/", time.cancel_booking, name="cancel_booking"),
    path("bookings/<int:pk>/open-again/", plans.open_again, name="open_again"),
    path("calendars/<str:token>.ics", plans.feed_file, name="feed_file"),
    path("instruments/<slug:slug>/rules/", plans.booking_rules, name="booking_rules"),
    path("instruments/<slug:slug>/rules/change/", plans.change_rules, name="change_rules"),
    path("instruments/<slug:slug>/duty/<str:day>/take/", time.take_duty, name="take_duty"),
    path(
        "instruments/<slug:slug>/duty/<str:day>/give-back/",
        time.give_back_duty,
        name="give_back_duty",
    ),
    path("instruments/<slug:slug>/word/", usage.say_word, name="say_word"),
    # /people/ and what they may do
    path("people/", people.people, name="people"),
    path("people/invite/", people.invite_person, name="invite_person"),
    path("people/<int:pk>/", people.person, name="person"),
    path("people/<int:pk>/new-link/", people.new_link, name="new_link"),
    path("people/<int:pk>/visits/", people.arrange_visit, name="arrange_visit"),
    path("people/<int:pk>/hand-over/", people.hand_over, name="hand_over"),
    path("people/<int:pk>/leave/", people.leave, name="leave"),
    path("people/<int:pk>/train/", training.begin_training, name="begin_training"),
    path("visits/<int:pk>/", people.visit, name="visit"),
    path("visits/<int:pk>/shown/", people.induct, name="induct"),
    path("visits/<int:pk>/close/", people.close_visit, name="close_visit"),
    path("trainings/<int:pk>/", training.training, name="training"),
    path("trainings/<int:pk>/observe/", training.observe, name="observe"),
    path("trainings/<int:pk>/grant/", training.grant, name="grant"),
    path("qualifications/<int:pk>/end/", training.end_qualification, name="end_qualification"),
    path("groups/<int:pk>/", usage.group, name="group"),
    path("hours/", usage.hours, name="hours"),
    path("hours.csv", usage.hours_csv, name="hours_csv"),
    path("messages/read/", usage.read_messages, name="read_messages"),
    # /review/ and /board/
    *review_patterns,
    # /flags/
    path("flags/", flags.flags, name="flags"),
    path("flags/mute/", flags.mute_rule, name="mute_rule"),
    path("flags/<int:pk>/answer/", flags.answer_flag, name="answer_flag"),
    # /incidents/, /follow-ups/ and tracing
    *incident_patterns,
    # /sheets/ and late entries
    *sheet_patterns,
    # /health/, /checks/, /parts/, /upkeep/
    *health_patterns,
    # /stores/, /consumables/, /lots/, /bottles/, /rooms/
    *store_patterns,
]

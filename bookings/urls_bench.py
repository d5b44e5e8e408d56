"""Addresses of the bench: scanning, holders, mounting, samples, labels, where things are."""

from django.urls import path

from bookings.views import (
    asking,
    chambers,
    holders,
    labels,
    lots,
    mounting,
    places,
    samples,
    scanning,
)

bench_patterns = [
    path("scan/", scanning.scan, name="scan"),
    path("scan/picture/", scanning.scan_picture, name="scan_picture"),
    # /H/CODE, /S/CODE and /C/CODE: what labels carry, in upper case
    path("H/<str:code>", holders.scanned_holder, name="scanned_holder"),
    path("S/<str:code>", samples.scanned_sample, name="scanned_sample"),
    path("C/<str:code>", lots.scanned_lot, name="scanned_lot"),
    # /holders/
    path("holders/", holders.holders, name="holders"),
    path("holders/<str:code>/", holders.holder, name="holder"),
    path("holders/<str:code>/findings/", holders.holder_findings, name="holder_findings"),
    path("holders/<str:code>/clean/", holders.clean_holder, name="clean_holder"),
    path("holders/<str:code>/note/", holders.note_holder, name="note_holder"),
    path("holders/<str:code>/quarantine/", holders.quarantine_holder, name="quarantine_holder"),
    path("holders/<str:code>/release/", holders.release_holder, name="release_holder"),
    path("holders/<str:code>/photograph/", holders.photograph_holder, name="photograph_holder"),
    path("holders/<str:code>/move/", holders.move_holder, name="move_holder"),
    # mounting
    path("holders/<str:code>/mount/", mounting.mount_sample, name="mount_sample"),
    path("holders/<str:code>/mount/again/", samples.mount_again, name="mount_again"),
    path("holders/<str:code>/arrange/", mounting.arrange, name="arrange"),
    path("holders/<str:code>/lay/", mounting.lay_mounts, name="lay_mounts"),
    path("holders/<str:code>/step/", mounting.bench_step, name="bench_step"),
    path("holders/<str:code>/take-all-off/", mounting.take_all_off, name="take_all_off"),
    path("holders/<str:code>/mounts/<int:pk>/take-off/", mounting.take_off, name="take_off"),
    path(
        "holders/<str:code>/mounts/<int:pk>/loose-powder/",
        mounting.say_loose_powder,
        name="say_loose_powder",
    ),
    path(
        "holders/<str:code>/mounts/<int:pk>/measure/", mounting.measure_mount, name="measure_mount"
    ),
    path("holders/<str:code>/mounts/<int:pk>/place/", mounting.place_mount, name="place_mount"),
    # labels
    path("labels/", labels.label_sheet, name="label_sheet"),
    path("holders/<str:code>/label/", labels.label, name="label"),
    path("holders/<str:code>/label.png", labels.label_png, name="label_png"),
    path("holders/<str:code>/engraving.svg", labels.engraving, name="engraving"),
    path("samples/<str:code>/label.png", labels.sample_label_png, name="sample_label_png"),
    # /samples/
    path("samples/", samples.samples, name="samples"),
    path("samples/describe/", samples.describe_sample, name="describe_sample"),
    path("samples/describe-many/", samples.describe_many, name="describe_many"),
    path("samples/<str:code>/", samples.sample, name="sample"),
    path("samples/<str:code>/correct/", samples.correct_sample, name="correct_sample"),
    path("samples/<str:code>/put/", samples.put_sample, name="put_sample"),
    path("samples/<str:code>/gone/", samples.send_away, name="send_away"),
    path("samples/<str:code>/permit/", samples.permit_sample, name="permit_sample"),
    # what the chambers remember
    path("instruments/<slug:slug>/chambers/", chambers.chambers, name="chambers"),
    path("instruments/<slug:slug>/chambers/clean/", chambers.clean_chamber, name="clean_chamber"),
    # where things are
    path("in-vacuum/", places.in_vacuum, name="in_vacuum"),
    path("hazards/", places.hazards, name="hazards"),
    # asking staff who are not there
    path("flags/<int:pk>/ask/", asking.ask_by_link, name="ask_by_link"),
    path("answer/<str:token>/", asking.answer_by_link, name="answer_by_link"),
]

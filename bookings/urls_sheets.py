"""Addresses of run sheets and of late entries; part of bookings/urls.py."""

from django.urls import path

from bookings.views import drafts, late, sheets

sheet_patterns = [
    path("sheets/", sheets.sheets, name="sheets"),
    path("sheets/<int:pk>/", sheets.sheet, name="sheet"),
    path("sheets/<int:pk>/rehearse/", sheets.rehearse, name="rehearse"),
    path("sheets/<int:pk>/paper/", sheets.sheet_paper, name="sheet_paper"),
    path("sheets/compare/<slug:slug>/", sheets.compare_sheets, name="compare_sheets"),
    path("sheets/drafts/<slug:slug>/", drafts.draft, name="draft"),
    path("sheets/drafts/<slug:slug>/begin/", drafts.begin_draft, name="begin_draft"),
    path("sheets/drafts/<slug:slug>/step/", drafts.draft_step, name="draft_step"),
    path("sheets/drafts/<slug:slug>/device/", drafts.draft_device, name="draft_device"),
    path("sheets/drafts/<slug:slug>/hazard/", drafts.draft_hazard, name="draft_hazard"),
    path("sheets/drafts/<slug:slug>/about/", drafts.draft_about, name="draft_about"),
    path("sheets/drafts/<slug:slug>/text/", drafts.draft_text, name="draft_text"),
    path("sheets/drafts/<slug:slug>/change/", drafts.change_draft, name="change_draft"),
    path("sheets/drafts/<slug:slug>/prove/", drafts.prove_draft, name="prove_draft"),
    path("sheets/drafts/<slug:slug>/publish/", drafts.publish_draft, name="publish_draft"),
    path("sessions/<int:pk>/late/", late.late_entries, name="late_entries"),
]

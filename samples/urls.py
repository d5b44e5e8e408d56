"""Addresses of the rules' limits."""

from django.urls import path

from samples import views

app_name = "samples"
urlpatterns = [
    path("limits/", views.rule_limits, name="limits"),
    path("limits/set/", views.set_limit, name="set_limit"),
]

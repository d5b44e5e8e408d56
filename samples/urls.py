"""Addresses of samples and labels."""

from django.urls import path

from samples import views

app_name = "samples"
urlpatterns = [
    path("labels/", views.labels, name="labels"),
]

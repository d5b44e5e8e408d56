"""The addresses of the house and three of the benchmark: an empty POST, an entry, an empty page."""

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import include, path

from facility import log
from facility.models import Log


def empty(request):
    """What the stack costs anyway: middleware, session, person, CSRF."""
    return HttpResponse(request.user.pk, status=200)


def entry(request, pk):
    """The same and an entry in the log."""
    written = log.write(
        log=Log(pk=pk), kind="note", by=request.user, data={"p": 1.2e-6}, sent_id=request.POST["id"]
    )
    return HttpResponse(written.n, status=200)


def page(request):
    """What any page costs: session, person, and the running head around nothing."""
    return render(request, "base.html")


urlpatterns = [
    path("bench/page/", page),
    path("bench/empty/", empty),
    path("bench/entry/<int:pk>/", entry),
    path("", include("facility.urls")),
]

"""What every page shows: the contents as words, who is here, and what must be said on top."""

from django.conf import settings
from django.urls import NoReverseMatch, reverse

CONTENTS = (
    ("Today", "bookings:today"),
    ("Holders", "bookings:holders"),
    ("Session", "bookings:sessions"),
    ("Bookings", "bookings:bookings"),
    ("Records", "bookings:records"),
    ("Labels", "bookings:label_sheet"),
    ("Review", "bookings:newest_review"),
    ("House", "bookings:house"),
)
FOR_HOUSE_STAFF = {"Review"}
NOT_FOR_VISITORS = {"Session", "Records", "Labels"}


def everywhere(request):
    """The context that base.html needs on every page; opens no database."""
    person = getattr(request, "user", None)
    here = bool(person and person.is_authenticated)
    return {
        "contents": _contents(request.path, person) if here else [],
        "who": _who(person) if here else None,
        "sign_in_url": _url("facility:sign_in"),
        "sign_out_url": _url("facility:sign_out"),
        "https_off": not settings.HTTPS,
        "public_url_missing": not settings.PUBLIC_URL,
        "invented_data": getattr(settings, "DEMO", False),
    }


def _contents(path, person):
    """Words with their addresses; the one whose address the path goes furthest along is current."""
    listed = [
        {"word": word, "url": url, "current": False}
        for word, name in CONTENTS
        if (url := _url(name)) and _may_open(word, person)
    ]
    along = [entry for entry in listed if _is_along(path, entry["url"])]
    if along:
        max(along, key=lambda entry: len(entry["url"]))["current"] = True
    return listed


def _is_along(path, url):
    return path == url if url == "/" else path.startswith(url)


def _may_open(word, person):
    if word in NOT_FOR_VISITORS and getattr(person, "role", "") == "visitor":
        return False
    return word not in FOR_HOUSE_STAFF or getattr(person, "is_house_staff", True)


def _who(person):
    role = getattr(person, "get_role_display", str)()
    return {"name": str(person), "role": role}


def _url(name):
    try:
        return reverse(name)
    except NoReverseMatch:
        return ""

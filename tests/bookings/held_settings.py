"""Settings of a server whose answers can be held back, so that it can be killed before they go."""

import time
from pathlib import Path

from facility.settings import *  # noqa: F403
from facility.settings import MIDDLEWARE

MIDDLEWARE = ["tests.bookings.held_settings.hold_answers", *MIDDLEWARE]


def hold_answers(get_response):
    """An answer to a request with X-Hold waits for a minute; the file it names tells that it does."""

    def answer(request):
        response = get_response(request)
        if name := request.headers.get("X-Hold"):
            Path(name).touch()
            time.sleep(60)
        return response

    return answer

"""The wall board: a screen in the corridor behind a private address, and where staff renew it."""

from django.contrib import messages
from django.http import Http404
from django.utils import timezone
from django.views.decorators.debug import sensitive_variables
from django.views.decorators.http import require_GET

from bookings import board as verbs
from facility import htmx, publicly
from facility.access import policy
from facility.models import Instrument


@policy("board.keep")
def boards(request):
    """GET lists which instruments have a board; POST renews or ends the address of one."""
    shown, chosen = "", None
    if request.method == "POST":
        asked = request.POST.get("instrument", "")
        chosen = next((row for row in Instrument.objects.all() if row.slug == asked), None)
        if chosen is None:
            messages.warning(request, "Choose the instrument whose board you want.")
        elif request.POST.get("answer") == "end":
            verbs.end(instrument=chosen, by=request.user)
        else:
            token = verbs.renew(instrument=chosen, by=request.user)
            shown = publicly.address(request, "bookings:board", token)
    standing = verbs.standing()
    rows = [{"instrument": row, "board": standing.get(row.pk)} for row in Instrument.objects.all()]
    context = {"rows": rows, "address": shown, "chosen": chosen}
    return htmx.page(request, "bookings/boards.html", context)


@sensitive_variables("token")
@require_GET
@policy("page.public")
def board(request, token):
    """The board; htmx asks again each half minute and hears 204 while nothing changed."""
    now = timezone.now()
    found = verbs.behind(token, now)
    if found is None:
        raise Http404
    news = verbs.news(found, now)
    if request.GET.get("seen") == news:
        return htmx.no_news()
    said = verbs.now_on(found.instrument, now)
    context = {"instrument": found.instrument, "said": said, "news": news, "now": now}
    answer = htmx.page(request, "bookings/board.html#now", context)
    answer.headers["Cache-Control"] = "private, no-store"
    answer.headers["Referrer-Policy"] = "no-referrer"
    return answer


board.login_required = False

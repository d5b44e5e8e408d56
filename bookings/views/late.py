"""Late entries: a paper sheet typed after the fact, line by line, with its photograph."""

import uuid

from django.contrib import messages
from django.utils import timezone
from django.utils.dateparse import parse_date

from bookings import devices, late, record_words, say
from bookings.views.sessions import require_part, session_of
from facility import photos
from facility.access import policy
from facility.errors import Refused
from facility.htmx import page, see

ROWS = 8  # empty lines on the page
MOST = 60  # lines of one post; a paper has about as many
LETTERS = {"time": 20, "what": 40, "value": 1000}


@policy("session.see")
def late_entries(request, pk):
    """GET shows lines to fill in; POST writes the good ones down and shows the others again."""
    row = session_of(request, pk)
    require_part(request, row)
    if request.method == "GET":
        return page(request, "bookings/late.html", _context(row))
    day = parse_day(request.POST.get("day", ""))
    if day is None:
        return _again(request, row, _sent(request.POST), says="Write the day, such as 2026-03-02.")
    lines = _sent(request.POST)
    written, bad = late.write_lines(session=row, by=request.user, day=day, lines=lines)
    photo = _photograph(request, row)
    if not lines and photo == "":
        return _again(request, row, [], says="Fill in a line, or choose a photograph.")
    if bad or photo not in ("", "stored"):
        return _again(request, row, [b.line for b in bad], bad, written=written, says=photo)
    parts = [f"{written} line{'' if written == 1 else 's'}"] if lines else []
    parts += ["the photograph of the paper"] if photo else []
    is_ = "is" if len(parts) == 1 and (photo or written == 1) else "are"
    messages.success(request, f"{' and '.join(parts).capitalize()} {is_} written down.")
    return see(request, "bookings:late_entries", row.pk)


def parse_day(text):
    """The day of a paper sheet, None where there is none in the text."""
    try:
        return parse_date(text.strip())
    except ValueError:
        return None


def _sent(post):
    """The lines that say something, as typed; each keeps the id under which it is stored once."""
    lines = []
    for number in range(1, MOST + 1):
        time, what, value = (post.get(f"{key}-{number}", "")[:n] for key, n in LETTERS.items())
        if time.strip() or value.strip():
            sent = _uuid(post.get(f"sent-{number}", ""))
            lines.append(late.Line(number, time, what, value, sent))
    return lines


def _uuid(text):
    try:
        return uuid.UUID(text)
    except ValueError:
        return uuid.uuid4()


def _photograph(request, row):
    """Store the picture of the paper: "stored", an empty text without one, else what to do."""
    file = request.FILES.get("photograph")
    if file is None:
        return ""
    try:
        photo = photos.take(file=file, by=request.user)
        say.photograph(
            session=row,
            by=request.user,
            photo=photo,
            says="The paper sheet",
            sent_id=_uuid(request.POST.get("photo_sent", "")),
        )
    except Refused as refusal:
        return str(refusal)
    return "stored"


def _again(request, row, lines, bad=(), *, written=0, says=""):
    context = _context(row, lines, bad, written=written, says=says, day=request.POST.get("day"))
    return page(request, "bookings/late.html", context, status=422)


def _context(session, lines=(), bad=(), *, written=0, says="", day=None):
    why = {row.line.number: row.why for row in bad}
    rows = [{"line": line, "why": why.get(line.number, "")} for line in lines]
    taken = {line.number for line in lines}
    free = [number for number in range(1, MOST + 1) if number not in taken]
    for number in free[: max(ROWS - len(rows), 3)]:
        line = late.Line(number, "", late.STEP, "", uuid.uuid4())
        rows.append({"line": line, "why": ""})
    rows.sort(key=lambda row: row["line"].number)
    try:
        listed = late.listed(devices.sheet_of(session))
    except Refused:
        listed = []
    gauges = late.gauges_of(session.instrument)
    return {
        "session": session,
        "instrument": session.instrument,
        "rows": rows,
        "bad": bad,
        "written": written,
        "says": says,
        "day": day or f"{timezone.localtime(session.opened_at):%Y-%m-%d}",
        "kinds": [(late.STEP, "step number"), (late.NOTE, "note")]
        + [(f"{late.PRESSURE}{row.code}", f"pressure, {row.name}") for row in gauges],
        "listed": listed,
        "photo_sent": uuid.uuid4(),
        "entries": [record_words.line_of(row) for row in late.entries_of(session)],
        "readings": late.readings_of(session, gauges),
    }

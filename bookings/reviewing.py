"""Verbs of the weekly review: gather it when its week ended, answer its lines, sign it."""

import hashlib
from datetime import timedelta

from django.db import transaction
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone

from bookings import flag as flags
from bookings import review, tell
from bookings.models import Flag, Matter, Review
from facility import access, log
from facility.errors import Refused
from facility.models import Entry, Instrument

EARLY = timedelta(hours=6)  # Monday 06:00, so that the letter waits when staff come; own choice
KIND = "review signed"


def address_of(instrument, monday):
    return reverse("bookings:review", args=[instrument.slug, review.name_of(monday)])


def _hold(instrument):
    return Instrument.objects.select_for_update().get(pk=instrument.pk)


@transaction.atomic
def gather(*, instrument, monday, now=None, anew=False):
    """Keep what a week brought, as it is known now; returns the review. Signed ones stay."""
    now = now or timezone.now()
    instrument = _hold(instrument)
    row, _ = Review.objects.get_or_create(instrument=instrument, monday=monday)
    if row.signed_at or (row.gathered_at and not anew):
        return row
    week = review.week_of(monday)
    if week.end > now:
        raise Refused(
            f"Week {monday:%V} runs until {tell.moment(week.end)}. Its review is answered then; "
            "flags can be answered before."
        )
    found = review.gather(instrument, week)
    row.gathered, row.gathered_at = found.document(), now
    row.save(update_fields=["gathered", "gathered_at"])
    return row


def gather_due(now):
    """On Monday morning each review is gathered and staff are told once; for tick."""
    monday, count = review.newest_monday(now), 0
    if now < review.week_of(monday).end + EARLY:
        return 0
    for instrument in Instrument.objects.order_by("pk").select_related("log"):
        told = Review.objects.filter(instrument=instrument, monday=monday).exclude(told_at=None)
        if told.exists() or not _was_here(instrument, monday):
            continue
        row = gather(instrument=instrument, monday=monday, now=now)
        page = review.page_of(instrument, monday)
        _keep_open(page)
        tell.tell_staff(
            key=f"review|{instrument.pk}|{monday}",
            says=f"{instrument}, week {monday:%V}: {_needs(page)} The review waits to be signed.",
            url=address_of(instrument, monday),
        )
        Review.objects.filter(pk=row.pk).update(told_at=now)
        count += 1
    return count


def _was_here(instrument, monday):
    """Whether the instrument's log had begun before that week ended."""
    first = Entry.objects.filter(log=instrument.log_id, n=1).first()
    return first is not None and first.happened_at < review.week_of(monday).end


def _needs(page):
    count = page.open_count
    if not count:
        return "nothing needs a person."
    return "1 thing needs a person." if count == 1 else f"{count} things need a person."


def _keep_open(page):
    """Open lines stand until somebody answers, also where the next week does not say them."""
    Matter.objects.bulk_create(
        [_matter(page, item) for item in page.items if item.is_open and not item.known],
        ignore_conflicts=True,
    )


def _matter(page, item):
    return Matter(
        instrument=page.instrument,
        monday=page.monday,
        key=item.line.key,
        heading=item.line.heading,
        severity=item.line.severity,
        line=review.plain(item.line),
        asked=item.asks,
    )


# Answering


def _open_page(instrument, monday):
    """The page of a week that may still be answered, its instrument held."""
    instrument = _hold(instrument)
    row = gather(instrument=instrument, monday=monday)
    if row.signed_at:
        raise Refused(
            f"{row.signed_by} signed week {monday:%V} on {tell.moment(row.signed_at)}. What is "
            "still open stands in the next week's review."
        )
    return review.page_of(instrument, monday)


@transaction.atomic
def answer(*, instrument, monday, key, by, answer, sentence="", watch_until=None):
    """Answer a line: seen, fixed, watched until, not real; its flag is answered with it.

    Where the flag is another's to answer, or nobody's, the line can still be seen or watched: the
    flag then goes on waiting.
    """
    page = _open_page(instrument, monday)
    item = page.item(key)
    sentence = " ".join(sentence.split())[:300]
    if item.answer:
        if (item.answered_by, item.sentence) == (str(by), sentence):
            return page
        raise Refused(
            f"{item.answered_by} answered this {item.answer}, {tell.moment(item.answered_at)}."
        )
    _refuse_unless_whole(item, answer, sentence, watch_until)
    _answer_flag(item, by, answer, sentence, watch_until)
    row = _matter(page, item)
    said = {
        "answer": answer,
        "sentence": sentence,
        "watch_until": watch_until if answer == Flag.Answer.WATCHED else None,
        "answered_by": by,
        "answered_at": timezone.now(),
    }
    # what stood open since earlier weeks is answered with it, so that it rolls on no further
    Matter.objects.filter(instrument=page.instrument, key=key, answer="", monday__lt=monday).update(
        **said
    )
    Matter.objects.update_or_create(
        instrument=page.instrument,
        monday=monday,
        key=key,
        defaults={
            "heading": row.heading,
            "severity": row.severity,
            "line": row.line,
            "asked": row.asked,
            **said,
        },
    )
    return page


def _refuse_unless_whole(item, answer, sentence, watch_until):
    if answer not in Flag.Answer.values:
        raise Refused("Press one of: seen, fixed, watch until, not real.")
    if item.needs_sentence and not sentence:
        why = "what is to be done" if item.asks else "what you found or did"
        raise Refused(f"Write {why} in a sentence: the next person reads it.")
    if answer == Flag.Answer.WATCHED and (not watch_until or watch_until <= timezone.localdate()):
        raise Refused("Say until which day this is watched; it must be after today.")


def _answer_flag(item, by, answer, sentence, watch_until):
    flag = item.flag
    if flag is None or flag.answer or flag.cleared_at:
        _refuse_unless_staff(by)
        return
    try:
        flags.refuse_unless_may_answer(flag, by)
    except Refused:
        if answer not in (Flag.Answer.SEEN, Flag.Answer.WATCHED):
            raise
        _refuse_unless_staff(by)
        return
    flags.answer(flag=flag, by=by, answer=answer, sentence=sentence, watch_until=watch_until)


def _refuse_unless_staff(by):
    if not access.may(by, "flag.answer"):
        raise Refused("Staff answer this line. Ask them, or write to them what you know.")


@transaction.atomic
def see_the_rest(*, instrument, monday, by):
    """Seen: every open line for which no sentence is due. Returns how many."""
    access.require(by, "flag.answer")
    page = _open_page(instrument, monday)
    due = [
        item
        for item in page.items
        if item.is_open and not item.needs_sentence and not item.known
    ]  # fmt: skip
    for item in due:
        answer(
            instrument=instrument,
            monday=monday,
            key=item.line.key,
            by=by,
            answer=Flag.Answer.SEEN,
        )
    return len(due)


# Signing


@transaction.atomic
def sign(*, instrument, monday, by, sentence=""):
    """Freeze the review as it reads now into the instrument's log; whoever comes second is told.

    The caller has asked for the password (facility/sign_in.py).
    """
    access.require(by, "review.sign")
    instrument = _hold(instrument)
    row = gather(instrument=instrument, monday=monday)
    if row.signed_at:
        if row.signed_by_id == by.pk:
            return row
        raise Refused(
            f"{row.signed_by} signed week {monday:%V} before you, {tell.moment(row.signed_at)}. "
            "Nothing is left to sign."
        )
    page = review.page_of(instrument, monday)
    if page.blocking:
        raise Refused(blocking_words(page))
    row.sentence = " ".join(sentence.split())[:300]
    row.signed_at, row.signed_by = timezone.now(), by
    frozen = freeze(page, row)
    row.sha256 = hashlib.sha256(frozen.encode()).hexdigest()
    row.entry = log.write(
        log=instrument.log,
        kind=KIND,
        by=by,
        data={
            "week": review.name_of(monday),
            "sha256": row.sha256,
            "says": row.sentence,
            "review": frozen,
        },
    )
    row.save(update_fields=["sentence", "signed_at", "signed_by", "entry", "sha256"])
    _keep_open(page)
    return row


def blocking_words(page):
    """What keeps a week from being signed."""
    count = page.blocking
    if not page.is_over:
        return f"This week runs until {tell.moment(page.week.end)}."
    if count == 1:
        return "One line is open that needs a sentence before the week can be signed."
    return f"{count} lines are open that need a sentence each before the week can be signed."


def freeze(page, row):
    """Both sheets as text, the same bytes for good."""
    words = {"page": page, "review": row, "head": page.instrument.log.head, "frozen": True}
    return render_to_string("bookings/review_sheets.html", words)


def frozen_text(row):
    """What was signed, from the log; empty where it was redacted."""
    return log.contents(row.entry).get("review", "")


def moment_of(row):
    """When a review was signed, in words."""
    return tell.moment(row.signed_at)

"""Print the weekly review of each instrument, or of one, in words."""

import json
import sys

from django.core.management.base import BaseCommand

from bookings import review, reviewing
from bookings.lines import HEADINGS
from facility.errors import Refused
from facility.findings import rank
from facility.models import Instrument

WORDS = {"note": "note", "warn": "warn", "staff": "ask staff", "stop": "stop"}


class Command(BaseCommand):
    help = (
        "Print the weekly review: what needs a person, gravest first under its heading, and what "
        "the next seven days bring. Reads only; exit 0, or 2 where it was not understood."
    )

    def add_arguments(self, parser):
        parser.add_argument("--instrument", metavar="SLUG", help="one instrument (default: all)")
        parser.add_argument(
            "--week", metavar="2026-W46", help="default: the newest week that is not signed"
        )
        parser.add_argument("--json", action="store_true", help="one JSON document, nothing else")

    def handle(self, *, instrument, week, **options):
        rows = list(Instrument.objects.select_related("log"))
        chosen = [row for row in rows if instrument is None or row.slug == instrument]
        if not chosen:
            known = ", ".join(row.slug for row in rows) or "none is set up"
            self._refuse(f"There is no instrument {instrument!r}; there are: {known}.")
        try:
            monday = review.monday_of(week) if week is not None else None
            if monday and monday > review.newest_monday() + review.A_WEEK:
                raise Refused(f"{week} has not begun. The newest week that is over is "
                              f"{review.name_of(review.newest_monday())}.")  # fmt: skip
        except Refused as refusal:
            self._refuse(str(refusal))
        pages = [review.page_of(row, monday or review.waiting_monday(row)) for row in chosen]
        if options["json"]:
            self.stdout.write(json.dumps({"reviews": [_document(page) for page in pages]}))
        else:
            for page in pages:
                self._say(page)

    def _refuse(self, sentence):
        self.stderr.write(sentence)
        sys.exit(2)

    def _say(self, page):
        write = self.stdout.write
        write(f"{page.instrument}, week {page.week.number}: {page.says}, {page.gathered.numbers}")
        write(f"{page.fit_word.capitalize()}. {page.gathered.fit[1]}")
        write(_signed(page))
        for key, heading in HEADINGS.items():
            items = [item for item in page.first if item.line.heading == key]
            if items:
                write(f"\n{heading}")
            for item in items:
                self._say_item(item)
        if page.rest:
            write(f"\nand {len(page.rest)} more")
        for item in sorted(page.rest, key=lambda one: -rank(one.line.severity)):
            self._say_item(item)
        if page.fine:
            write(f"\n{page.fine}")
        write(f"\nThe next seven days, {page.ahead_says}")
        for row in page.gathered.coming or [{"day": "", "what": "", "says": "Nothing is known."}]:
            write(f"  {row['day']:<11} {row['what']:<10} {row['says']}".rstrip())
        write(f"Head of the instrument's log: {page.instrument.log.head}\n")

    def _say_item(self, item):
        line, write = item.line, self.stdout.write
        write(f"  {WORDS[line.severity]}: {line.says}")
        for label, text in line.evidence:
            write(f"      {label}: {text}")
        if item.answer:
            write(f"      {item.answered_by}: {item.answer}. {item.sentence}".rstrip())
        elif line.do:
            write(f"      {line.do}")
        if item.before:
            write(f"      Last time: {item.before}")


def _signed(page):
    row = page.review
    if row is not None and row.signed_at:
        return f"Signed by {row.signed_by}, {reviewing.moment_of(row)}; SHA-256 {row.sha256}"
    if not page.is_over:
        return "Not over yet."
    return reviewing.blocking_words(page) if page.blocking else "Not signed yet."


def _document(page):
    row = page.review
    return {
        "instrument": page.instrument.slug,
        "week": review.name_of(page.monday),
        "from": page.week.start.isoformat(),
        "until": page.week.end.isoformat(),
        "hours": review.hours_of(page.week),
        "fit": {"word": page.fit_word, "says": page.gathered.fit[1]},
        "numbers": page.gathered.numbers,
        "signed": bool(row and row.signed_at),
        "sha256": row.sha256 if row and row.signed_at else None,
        "first": [_item(item) for item in page.first],
        "more": [_item(item) for item in page.rest],
        "coming": page.gathered.coming,
        "head": page.instrument.log.head,
    }


def _item(item):
    line = item.line
    return {
        "key": line.key,
        "heading": line.heading,
        "severity": line.severity,
        "says": line.says,
        "do": line.do,
        "rule": line.rule,
        "since": line.since and line.since.isoformat(),
        "evidence": [list(pair) for pair in line.evidence],
        "answer": item.answer or None,
        "before": item.before,
        "needs_sentence": item.needs_sentence,
        "url": line.url,
    }

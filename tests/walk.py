"""What the walk through every address needs: the addresses, things to ask for, and a browser."""

import hashlib
import io
import re
from datetime import timedelta
from types import SimpleNamespace
from uuid import uuid4

from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection, transaction
from django.test import Client
from django.urls import URLPattern, get_resolver, reverse
from django.utils import timezone
from PIL import Image

from bookings import asking, board, book, closures, feed, inside, pump, review, run, say, visits
from bookings.models import Flag, Offer, Wish
from facility import invite, log, photos, publish, qualify, tablets
from facility.models import Place
from samples import mount
from tests import build

SECRET = "Unobtainium on glass"
FORMULA = "UnobtO3"

# What an address is asked for, by the word before the parameter and the parameter's name. An
# address whose parameter stands in neither table fails the walk.
THINGS = {
    ("C", "code"): lambda our: our.lot.code,
    ("H", "code"): lambda our: our.holder.code,
    ("S", "code"): lambda our: our.sample.code,
    ("", "week"): lambda our: review.name_of(review.newest_monday()),
    ("answer", "token"): lambda our: our.answer_token,
    ("board", "token"): lambda our: our.board_token,
    ("bookings", "pk"): lambda our: our.booking.pk,
    ("bottles", "pk"): lambda our: our.bottle.pk,
    ("calendars", "token"): lambda our: our.feed_token,
    ("checks", "pk"): lambda our: our.check.pk,
    ("compare", "slug"): lambda our: our.instrument.slug,
    ("consumables", "slug"): lambda our: our.lot.consumable.slug,
    ("days", "day"): lambda our: timezone.localdate().isoformat(),
    ("drafts", "slug"): lambda our: our.instrument.slug,
    ("duty", "day"): lambda our: timezone.localdate().isoformat(),
    ("faults", "fault_pk"): lambda our: our.fault.pk,
    ("flags", "pk"): lambda our: our.flag.pk,
    ("groups", "pk"): lambda our: our.ben.group_id,
    ("holders", "code"): lambda our: our.holder.code,
    ("follow-ups", "pk"): lambda our: our.follow_up.pk,
    ("incidents", "pk"): lambda our: our.incident.pk,
    ("instruments", "slug"): lambda our: our.instrument.slug,
    ("jobs", "pk"): lambda our: our.job.pk,
    ("kinds", "pk"): lambda our: our.check.kind_id,
    ("loads", "pk"): lambda our: our.load.pk,
    ("lots", "code"): lambda our: our.lot.code,
    ("mounts", "pk"): lambda our: our.mount.pk,
    ("offers", "pk"): lambda our: our.offer.pk,
    ("orders", "pk"): lambda our: our.order.pk,
    ("parts", "pk"): lambda our: our.part.pk,
    ("people", "pk"): lambda our: our.ben.pk,
    ("photos", "digest"): lambda our: our.photo.digest,
    ("pressure", "gauge_code"): lambda our: "quayside-intro",
    ("pump-downs", "pk"): lambda our: our.pumpdown.pk,
    ("qualifications", "pk"): lambda our: our.ben.qualifications.get().pk,
    ("review", "slug"): lambda our: our.instrument.slug,
    ("rooms", "pk"): lambda our: our.bottle.room_id,
    ("samples", "code"): lambda our: our.sample.code,
    ("sessions", "pk"): lambda our: our.session.pk,
    ("set-aside", "pk"): lambda our: our.aside.pk,
    ("sheets", "pk"): lambda our: our.instrument.sheet_id,
    ("tablets", "pk"): lambda our: our.tablet.pk,
    ("trainings", "pk"): lambda our: our.training.pk,
    ("upkeep", "pk"): lambda our: our.upkeep.pk,
    ("visits", "pk"): lambda our: our.visit.pk,
    ("wait", "pk"): lambda our: our.wish.pk,
    ("welcome", "token"): lambda our: our.welcome_token,
}
RATHER = {  # addresses that are asked for another thing of that kind
    ("bookings:mount_sample", "code"): lambda our: our.free_holder.code,
    ("bookings:open_again", "pk"): lambda our: our.closure.pk,
}
PARAMETER = re.compile(r"(?:([\w-]+)/)?[^/<]*<(?:\w+:)?(\w+)>")


def addresses(patterns=None, space="", before=""):
    """(name, (whole path pattern, view)) of every address but the admin's."""
    for entry in get_resolver().url_patterns if patterns is None else patterns:
        path = before + str(entry.pattern)
        if isinstance(entry, URLPattern):
            yield f"{space}{entry.name}", (path, entry.callback)
        elif entry.namespace != "admin":
            inner = f"{entry.namespace}:" if entry.namespace else space
            yield from addresses(entry.url_patterns, inner, path)


def asks(name, path):
    """(parameter, thing) of an address; the thing is None where no table knows it."""
    return {
        parameter: RATHER.get((name, parameter)) or THINGS.get((word, parameter))
        for word, parameter in PARAMETER.findall(path)
    }


def path_of(name, our):
    """The address for things of Ben's."""
    return reverse(
        name, kwargs={word: thing(our) for word, thing in asks(name, PATHS[name]).items()}
    )


ADDRESSES = {name: view for name, (_, view) in addresses()}
PATHS = {name: path for name, (path, _) in addresses()}


def furnish(lab):
    """What belongs to Ben: a sample on a holder in vacuum, a session, a load, a booking, a flag."""
    sample = build.sample(SECRET, owner=lab.ben, composition=FORMULA)
    build.sample(SECRET + ", the second", owner=lab.ben, composition=FORMULA)
    mounted = mount.mount(holder=lab.holder, sample=sample, by=lab.ben)
    session = run.sign_on(instrument=lab.instrument, by=lab.ben)
    now = timezone.now()
    load = inside.open_load(session=session, holder=lab.holder, by=lab.ben, moment=now)
    chamber = lab.instrument.chambers.get(kind="introduction")
    stage = Place.objects.get(kind="stage", instrument=lab.instrument)
    say.report_fault(instrument=lab.instrument, session=session, by=lab.ben, text="a noise")
    tablet, _ = tablets.pair(instrument=lab.instrument, name="bench", by=lab.dee)
    flag = Flag.objects.create(
        key="walk", rule="PWD-01", severity="staff", says=f"{SECRET} sheds", raised_at=now,
        holder=lab.holder, mount=mounted, instrument=lab.instrument,
    )  # fmt: skip
    incident = build.incident(by=lab.ben, says=f"{SECRET} fell", session=session)
    return SimpleNamespace(
        **vars(lab),
        **_of_people(lab, now),
        **build.health(lab),
        **build.stores(lab),
        sample=sample,
        mount=mounted,
        session=session,
        load=load,
        fault=lab.instrument.faults.get(),
        tablet=tablet,
        photo=photos.take(file=_picture(), by=lab.ben),
        free_holder=build.holder("F1", by=lab.dee),
        pumpdown=pump.start(chamber=chamber, by=lab.ben, load=load),
        booking=book.book(
            place=stage, by=lab.ben, start=now + timedelta(hours=1), end=now + timedelta(hours=2)
        ),
        flag=flag,
        incident=incident,
        follow_up=build.follow_up(incident, who=lab.ben, by=lab.dee),
        draft=publish.begin(instrument=lab.instrument, by=lab.dee),
        aside=log.keep(sent_id=uuid4(), by=lab.ben, text=f"{SECRET} said twice", reason="twice"),
        answer_token=_asked(flag, lab),
    )


def _picture():
    file = io.BytesIO()
    Image.new("RGB", (8, 8), "white").save(file, "PNG")
    return SimpleUploadedFile("stage.png", file.getvalue(), "image/png")


def _asked(flag, lab):
    """The token of a link that was sent to Dee; the house keeps its digest only."""
    row = asking.ask(flag=flag, person=lab.dee, by=lab.ben)
    row.digest = hashlib.sha256(b"a link of ours").hexdigest()
    row.save()
    return "a link of ours"


def _of_people(lab, now):
    """A training and an offer of Ben's, a visit that Gil hosts, a closure, a wish, two secret links."""
    stage = Place.objects.get(kind="stage", instrument=lab.other_instrument)
    visitor = build.person("Wim Plantain", role="visitor")
    day = now.date()
    return {
        "training": qualify.begin_training(
            person=lab.ben, instrument=lab.instrument, level=5, by=lab.dee
        ),
        "visit": visits.arrange(
            person=visitor, host=lab.gil, arrives_on=day, leaves_on=day, by=lab.dee
        ),
        "closure": closures.close(
            instrument=lab.other_instrument, by=lab.dee, why="bake",
            start=now + timedelta(days=2), end=now + timedelta(days=3),
        ),
        "wish": Wish.objects.create(
            person=lab.ben, place=stage, made_at=now,
            starts_at=now + timedelta(days=2), ends_at=now + timedelta(days=3),
        ),
        "offer": Offer.objects.create(
            person=lab.ben, place=stage, made_at=now, until=now + timedelta(hours=9),
            starts_at=now + timedelta(hours=8), ends_at=now + timedelta(hours=9),
        ),
        "feed_token": feed.renew(person=lab.ben, instrument=lab.instrument),
        "board_token": board.renew(instrument=lab.instrument, by=lab.dee),
        "welcome_token": invite.new_link(person=lab.ben, by=lab.dee),
    }  # fmt: skip


class Walker:
    """One person's browser; every request is taken back, so that the next finds the same house."""

    def __init__(self, person=None):
        self.client = Client()
        if person is not None:
            self.client.force_login(person)

    def ask(self, method, path, data=None):
        """(response, statements that wrote)."""
        wrote = []

        def watch(execute, sql, params, many, context):
            verb = sql.lstrip().split(" ", 1)[0].upper()
            if verb in ("INSERT", "UPDATE", "DELETE") and "django_session" not in sql:
                wrote.append(sql)
            return execute(sql, params, many, context)

        with transaction.atomic(), connection.execute_wrapper(watch):
            response = getattr(self.client, method)(path, data)
            transaction.set_rollback(True)
        return response, wrote


def text_of(response):
    """What an answer says, streamed or not."""
    content = b"".join(response.streaming_content) if response.streaming else response.content
    return content.decode(errors="replace")

"""What staff say of an instrument: usable, with care, down; the log keeps who said it and why."""

from django.db import transaction

from facility import access, log
from facility.errors import Refused
from facility.models import Instrument


@transaction.atomic
def say(*, instrument, by, word, why=""):
    """Set the instrument's word; for anything but usable a reason is needed."""
    access.require(by, "instrument.say")
    if word not in Instrument.Word.values:
        raise Refused("Press one of: usable, with care, down.")
    why = " ".join(why.split())[:200]
    if word != Instrument.Word.USABLE and not why:
        raise Refused("Say in a few words why, so that people know what to do.")
    instrument = Instrument.objects.select_for_update().get(pk=instrument.pk)
    why = "" if word == Instrument.Word.USABLE else why
    if (instrument.word, instrument.word_why) == (word, why):
        return instrument
    log.write(log=instrument.log, kind="word", by=by, data={"word": word, "why": why})
    instrument.word, instrument.word_why = word, why
    instrument.save(update_fields=["word", "word_why"])
    return instrument

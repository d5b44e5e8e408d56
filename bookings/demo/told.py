"""Near misses that people of the demo reported over the year. Invented."""

from datetime import timedelta

from bookings.demo.chronicle import seconds
from bookings.models import FollowUp, Incident, IncidentChange

# days ago, kind, instrument, who, what happened, at once, cause, follow-up, closing (empty: open)
TOLD = (
    (287, "near miss", "quayside", "mina",
     "The arm was still a hand's breadth in when I reached for the gate valve.",
     "Took the hand away, drew the arm home, looked at both.",
     "The lamp at the window was out, so the arm was not seen.",
     "Fit a second lamp at the window.", "Second lamp fitted; the look at the arm is a step."),
    (143, "near miss", "", "pia",
     "Slipped on frost beside the nitrogen dewar, caught myself at the bench.",
     "Wiped the floor, put the mat back.",
     "The filling hose drips when it is hung up short.",
     "Hang the hose over the tray.", "Hook moved, tray fitted."),
    (11, "near miss", "headland", "chao",
     "Door of the introduction chamber was latched while the nitrogen still ran.",
     "Shut the nitrogen, unlatched the door.", "", "Look at the relief path together.", ""),
)  # fmt: skip


def near_misses(story):
    """Two that were closed and one that is open, as `incident` would have written them."""
    for days, kind, slug, who, says, at_once, cause, todo, closing in TOLD:
        at = story.now - timedelta(days=days, hours=3)
        if at < story.first_day:
            continue
        chronicle, people = story.chronicle, story.scene.people
        by, fay, dee = people[who], people["fay"], people["dee"]
        instrument = story.scene.desks[slug].instrument if slug else None
        row = chronicle.add(
            Incident(
                kind=kind, says=says, at_once=at_once, instrument=instrument,
                happened_at=at, reported_at=at + seconds(900), by=by,
            )
        )  # fmt: skip
        _line(chronicle, row, by, at + seconds(900), "reported", says, at=at)
        due = (at + timedelta(days=14)).date()
        follow_up = chronicle.add(
            FollowUp(
                incident=row, says=todo, who=dee, until=due, added_at=at + timedelta(days=1),
                added_by=fay,
            )
        )  # fmt: skip
        words = f"{todo} ({dee}, until {due:%d %b %Y})"
        _line(chronicle, row, fay, at + timedelta(days=1), "follow-up", words)
        if closing:
            done = at + timedelta(days=9)
            row.cause, row.closing, row.closed_by = cause, closing, fay
            row.closed_at = done + timedelta(days=1)
            follow_up.done_at, follow_up.done_by = done, dee
            _line(chronicle, row, fay, at + timedelta(days=2), "cause", cause)
            _line(chronicle, row, dee, done, "done", todo)
            _line(chronicle, row, fay, row.closed_at, "closed", closing)


def _line(chronicle, row, by, recorded, what, words, *, at=None):
    """One line of its history, and in the instrument's log where one is named."""
    chronicle.add(IncidentChange(incident=row, at=recorded, by=by, what=what, after=words))
    if row.instrument is None:
        return
    said = {"what": what, "before": "", "after": words}
    if what == "reported":
        said = {"kind": row.kind, "says": row.says, "at_once": row.at_once}
    kind = "incident" if what == "reported" else "incident changed"
    chronicle.write(
        row.instrument.log, kind, by, lambda: {"incident": row.pk, **said}, at=at, recorded=recorded
    )

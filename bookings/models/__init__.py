"""Nouns of the app, one file a family."""

from bookings.models.asking import AskedByLink
from bookings.models.duty import Duty, DutyQuerySet
from bookings.models.flags import Flag, FlagQuerySet
from bookings.models.happenings import Fault, FaultQuerySet, LeftRunning, Measurement
from bookings.models.incidents import (
    FollowUp,
    FollowUpQuerySet,
    Incident,
    IncidentChange,
    IncidentQuerySet,
    LookedFor,
    LookedForQuerySet,
)
from bookings.models.loads import (
    Learned,
    Load,
    LoadQuerySet,
    PumpDown,
    PumpDownQuerySet,
    Reading,
    ReadingQuerySet,
)
from bookings.models.messages import Mail, Message, MessageQuerySet
from bookings.models.reviews import Board, Matter, MatterQuerySet, Review, ReviewQuerySet
from bookings.models.sessions import Session, SessionPart, SessionQuerySet
from bookings.models.time import (
    Booking,
    BookingQuerySet,
    BookingRules,
    Feed,
    GroupQuota,
    Offer,
    OfferQuerySet,
    Series,
    Wish,
    WishQuerySet,
)

__all__ = [
    "AskedByLink",
    "Board",
    "Booking",
    "BookingQuerySet",
    "BookingRules",
    "Duty",
    "DutyQuerySet",
    "Fault",
    "FaultQuerySet",
    "Feed",
    "Flag",
    "FlagQuerySet",
    "FollowUp",
    "FollowUpQuerySet",
    "GroupQuota",
    "Incident",
    "IncidentChange",
    "IncidentQuerySet",
    "Learned",
    "LeftRunning",
    "Load",
    "LoadQuerySet",
    "LookedFor",
    "LookedForQuerySet",
    "Mail",
    "Matter",
    "MatterQuerySet",
    "Measurement",
    "Message",
    "MessageQuerySet",
    "Offer",
    "OfferQuerySet",
    "PumpDown",
    "PumpDownQuerySet",
    "Reading",
    "ReadingQuerySet",
    "Review",
    "ReviewQuerySet",
    "Series",
    "Session",
    "SessionPart",
    "SessionQuerySet",
    "Wish",
    "WishQuerySet",
]

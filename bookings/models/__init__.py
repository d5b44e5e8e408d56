"""Nouns of the app, one file a family."""

from bookings.models.flags import Flag, FlagQuerySet
from bookings.models.loads import (
    Learned,
    Load,
    LoadQuerySet,
    PumpDown,
    PumpDownQuerySet,
    Reading,
    ReadingQuerySet,
)
from bookings.models.sessions import Session, SessionPart, SessionQuerySet
from bookings.models.time import Booking, BookingQuerySet

__all__ = [
    "Booking",
    "BookingQuerySet",
    "Flag",
    "FlagQuerySet",
    "Learned",
    "Load",
    "LoadQuerySet",
    "PumpDown",
    "PumpDownQuerySet",
    "Reading",
    "ReadingQuerySet",
    "Session",
    "SessionPart",
    "SessionQuerySet",
]

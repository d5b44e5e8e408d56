"""Nouns of the app, one file a family."""

from bookings.models.flags import Flag, FlagQuerySet
from bookings.models.happenings import Fault, FaultQuerySet, LeftRunning, Measurement
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
    "Fault",
    "FaultQuerySet",
    "Flag",
    "FlagQuerySet",
    "Learned",
    "LeftRunning",
    "Load",
    "LoadQuerySet",
    "Measurement",
    "PumpDown",
    "PumpDownQuerySet",
    "Reading",
    "ReadingQuerySet",
    "Session",
    "SessionPart",
    "SessionQuerySet",
]

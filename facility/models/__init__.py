"""Nouns of the app, one file a family."""

from facility.models.instruments import Chamber, DeviceState, Gauge, Instrument, Place, RunSheet
from facility.models.limits import Limit, LimitQuerySet
from facility.models.log import Entry, EntryQuerySet, KeptItem, Log
from facility.models.people import (
    Attempt,
    Group,
    Person,
    PersonManager,
    PersonQuerySet,
    Qualification,
    QualificationQuerySet,
)
from facility.models.photos import Photo

__all__ = [
    "Attempt",
    "Chamber",
    "DeviceState",
    "Entry",
    "EntryQuerySet",
    "Gauge",
    "Group",
    "Instrument",
    "KeptItem",
    "Limit",
    "LimitQuerySet",
    "Log",
    "Person",
    "PersonManager",
    "PersonQuerySet",
    "Photo",
    "Place",
    "Qualification",
    "QualificationQuerySet",
    "RunSheet",
]

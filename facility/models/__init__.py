"""Nouns of the app, one file a family."""

from facility.models.checks import (
    Check,
    CheckKind,
    CheckQuerySet,
    CheckValue,
    Drift,
    Event,
    VacuumWatch,
)
from facility.models.instruments import (
    Chamber,
    DeviceState,
    Gauge,
    Instrument,
    Place,
    RunSheet,
    SheetDraft,
    SheetEdit,
)
from facility.models.limits import Limit, LimitQuerySet
from facility.models.log import Entry, EntryQuerySet, KeptItem, Log
from facility.models.people import (
    Attempt,
    Group,
    Person,
    PersonManager,
    PersonQuerySet,
    Project,
    Qualification,
    QualificationQuerySet,
)
from facility.models.photos import Photo
from facility.models.tablets import SignOn, Tablet, TabletQuerySet
from facility.models.training import Level, Observation, Training, TrainingStep
from facility.models.upkeep import (
    Job,
    JobReading,
    Part,
    PartLife,
    UpkeepDone,
    UpkeepTask,
    UseCount,
    UseMark,
)
from facility.models.visits import Invitation, Visit, VisitQuerySet

__all__ = [
    "Attempt",
    "Chamber",
    "Check",
    "CheckKind",
    "CheckQuerySet",
    "CheckValue",
    "DeviceState",
    "Drift",
    "Entry",
    "EntryQuerySet",
    "Event",
    "Gauge",
    "Group",
    "Instrument",
    "Invitation",
    "Job",
    "JobReading",
    "KeptItem",
    "Level",
    "Limit",
    "LimitQuerySet",
    "Log",
    "Observation",
    "Part",
    "PartLife",
    "Person",
    "PersonManager",
    "PersonQuerySet",
    "Photo",
    "Place",
    "Project",
    "Qualification",
    "QualificationQuerySet",
    "RunSheet",
    "SheetDraft",
    "SheetEdit",
    "SignOn",
    "Tablet",
    "TabletQuerySet",
    "Training",
    "TrainingStep",
    "UpkeepDone",
    "UpkeepTask",
    "UseCount",
    "UseMark",
    "VacuumWatch",
    "Visit",
    "VisitQuerySet",
]

"""Tables of the bench: one file a family."""

from samples.models.keeping import BenchStep, Cleaning, HolderNote, HolderPhoto
from samples.models.things import (
    Holder,
    HolderType,
    Mount,
    Sample,
    SampleCorrection,
    Whereabouts,
)

__all__ = [
    "BenchStep",
    "Cleaning",
    "Holder",
    "HolderNote",
    "HolderPhoto",
    "HolderType",
    "Mount",
    "Sample",
    "SampleCorrection",
    "Whereabouts",
]

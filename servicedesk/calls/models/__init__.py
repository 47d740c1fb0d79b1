"""Models of calls, findings, inspections, work done and photos."""

from .calls import Call, SafetyAnswer
from .findings import Finding, Inspection
from .imported import ImportedEntry
from .phone import PhoneRecord
from .photos import Photo
from .works import Work

__all__ = ["Call", "Finding", "ImportedEntry", "Inspection", "PhoneRecord", "Photo", "SafetyAnswer", "Work"]
